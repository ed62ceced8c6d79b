"""The averaged spectrum of a recording of any length, block by block: Welch's method in one pass.

What is averaged is the time with the tool running: an hour that is half pause would otherwise read every line 3 dB low.
Which time that is shows only at the end, so the pass keeps sums apart by level, in classes of 3 dB, a few dozen.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from threading import local

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice, RecordingLimitError
from vibekit.machine.lines.names import named_lines
from vibekit.machine.lines.table import Kind, LineSpectrum, spectrum
from vibekit.machine.spectra.reading import dense, peaks, with_floor
from vibekit.machine.spectra.spectrum import Spectrum, Window, scaled, segment_size, window_values
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.recording.pipeline import in_order, overlapping
from vibekit.recording.recording import FloatArray, RecordingStream, SignalSource
from vibekit.recording.segments import trigger_on
from vibekit.recording.stretch import stretch
from vibekit.recording.toolsheet import ToolSheet

_ROWS = 16  # segments per axis at once: fewer, larger steps, between which threads wait for each other
_AT_ONCE = 400_000  # samples per axis at once, at most where a segment is not longer
_CLASS_DB = 3.0
_MAIN_LOBE = 5  # bins of a window's own transform that are not zero: flat-top's
_ENDLESS = 1 << 40

LOOKED_AT_S = 120.0  # of long recordings speed and names of lines are taken from this much of the running time


@dataclass(frozen=True)
class AveragedSpectrum:
    """A spectrum averaged over the running time, which begins at `start_s` and sums to `running_s` of `duration_s`."""

    spectrum: Spectrum
    start_s: float
    running_s: float
    duration_s: float


@dataclass(frozen=True)
class _Sums:
    """Of some segments: level [m²/s⁴] and class of each; sums of the squared parts of the bins per class and axis."""

    levels: FloatArray
    classes: NDArray[np.int64]
    squares: dict[int, FloatArray]


def averaged_spectrum(
    source: SignalSource,
    resolution: float | None = None,
    window: Window = "hann",
    running_only: bool = True,
    progress: Callable[[float], None] | None = None,
) -> AveragedSpectrum:
    """Return the spectrum of a recording or stream, averaged over half-overlapped segments; bounded memory.

    Values as `amplitude_spectrum` gives them. `running_only` False averages over everything,
    which is scipy.signal.welch with its defaults.

    Raises:
        RecordingLimitError: shorter than one segment.

    Source: Welch 1967.
    """
    size = segment_size(source.n_samples or _ENDLESS, source.sample_rate, resolution, window)
    hop, length = max(1, round(size / 2)), source.n_samples
    squares: dict[int, FloatArray] = {}
    levels, classes, done = [], [], 0
    rows = max(1, min(_ROWS, _AT_ONCE // hop))
    fresh = (block.acceleration for block in source.blocks(rows * hop))
    stretches = overlapping(fresh, len(source.axes), size, hop, rows)
    for part in in_order(_adder(size, hop, window, rows), stretches):
        levels.append(part.levels)
        classes.append(part.classes)
        for index, sums in part.squares.items():
            squares[index] = squares[index] + sums if index in squares else sums
        done += len(part.levels)
        if progress and length:
            progress(min(1.0, done * hop / length))
    if not done:
        raise RecordingLimitError(f"{source.origin.file or 'recording'}: shorter than one segment of {size} samples")
    of, step = np.concatenate(classes), hop / source.sample_rate
    on = trigger_on(np.sqrt(np.concatenate(levels)), step).on if running_only else np.ones(done, dtype=bool)
    kept = [index for index in squares if 2 * np.count_nonzero(on[of == index]) >= np.count_nonzero(of == index)]
    taken = np.isin(of, kept)
    power = np.asarray(sum(squares[index] for index in kept)) / np.count_nonzero(taken)
    values = scaled(
        power[:, ::2] + power[:, 1::2],
        int(np.count_nonzero(taken)),
        size,
        source.sample_rate,
        window,
    )
    return AveragedSpectrum(
        values, float(np.argmax(taken)) * step, np.count_nonzero(taken) * step, (done * hop + size - hop) * step / hop
    )


def _adder(size: int, hop: int, window: Window, rows: int) -> Callable[[FloatArray], _Sums]:
    """Return the work on one buffer: window, transform and square its segments, and add them up by level."""
    w, memory = window_values(window, size), local()
    offset = np.fft.rfft(w)[:_MAIN_LOBE]

    def add(buffer: FloatArray) -> _Sums:
        if not hasattr(memory, "windowed"):  # each thread keeps its arrays: fresh ones cost more than the arithmetic
            memory.windowed = np.empty((rows, size))
            memory.bins = np.empty((rows, size // 2 + 1), dtype=np.complex128)
        segments = np.lib.stride_tricks.sliding_window_view(buffer, size, axis=1)[:, ::hop]
        n = segments.shape[1]
        windowed, bins = memory.windowed[:n], memory.bins[:n]
        means = segments.mean(axis=2)
        energy = np.stack([np.einsum("ij,ij->i", axis, axis) for axis in segments])
        levels = (energy / size - np.square(means)).sum(axis=0)
        levels = np.maximum(levels, np.finfo(np.float64).tiny)
        classes = np.round(10 * np.log10(levels) / _CLASS_DB).astype(np.int64)
        present = np.unique(classes).tolist()
        squares = {index: np.empty((len(buffer), 2 * bins.shape[1])) for index in present}
        for a, axis in enumerate(segments):
            np.fft.rfft(np.multiply(axis, w, out=windowed), out=bins)
            bins[:, :_MAIN_LOBE] -= means[a][:, None] * offset
            parts = bins.view(np.float64)
            np.square(parts, out=parts)
            for index in present:
                which = slice(None) if len(present) == 1 else classes == index
                np.add.reduce(parts[which], axis=0, out=squares[index][a])
        return _Sums(levels, classes, squares)

    return add


def long_spectrum(
    stream: RecordingStream,
    tool: ToolSheet | None = None,
    progress: Callable[[float], None] | None = None,
    kind: Kind = "amplitude",
) -> LineSpectrum:
    """Return the lines in a recording of any length: amplitudes averaged over all of its running time.

    `kind`: "amplitude", or "density" for the same with its noise as density.

    Speed, names and remarks are those of its first two minutes of running.

    Raises:
        InputError: the recording is corrupt.
        RecordingLimitError: too short, or sampled too slowly.
    """
    averaged = averaged_spectrum(stream, progress=progress)
    part = stretch(stream, averaged.start_s, LOOKED_AT_S)
    speed = estimate_speed(part, tool)
    looked = spectrum(part, tool, speed=speed)
    floored = with_floor(averaged.spectrum)
    return replace(
        looked,
        kind=kind,
        floored=dense(floored) if kind == "density" else floored,
        resolution_hz=floored.spectrum.resolution,
        lines=named_lines(peaks(floored), looked.expected, floored, 1.0, speed),
        notices=(*looked.notices, _averaged_notice(averaged)),
    )


def _averaged_notice(averaged: AveragedSpectrum) -> Notice:
    end = min(averaged.start_s + LOOKED_AT_S, averaged.duration_s)
    return Notice(
        "averaged_over_running",
        "info",
        f"averaged over {averaged.running_s:.0f} s of running in {averaged.duration_s:.0f} s; speed and names are "
        f"those of {averaged.start_s:.0f} to {end:.0f} s: lines that moved later are spread and read too low",
        averaged.running_s,
        remedy="look at one stretch with --from and --to, or over orders (--kind order)",
    )
