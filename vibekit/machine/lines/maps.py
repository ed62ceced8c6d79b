"""Pictures of a whole recording: level over time and frequency, and over speed and frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.errors import RecordingLimitError
from vibekit.machine.lines.resonances import frame_speeds
from vibekit.machine.spectra.spectrum import frames, noise_bandwidth_bins, window_values
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.machine.train.drivetrain import expected_lines
from vibekit.recording.fft_length import fast_length
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import ToolSheet

_FRAME_S = 0.2
_SPAN_DRAWN = 1.03
_SPEED_STEPS = 90  # rows of a map
_BLURRED = 0.1  # of the speed, change within a frame's half
_COLUMNS = 1200  # of a spectrogram: as many as a plot has dots
_FEWEST = 20  # frames of a spectrogram


@dataclass(frozen=True)
class SpeedMap:
    """R.m.s. `levels` [m/s²], shape (n_axes, n_speeds, n_bins), over speed `hz` of shaft `of` and `frequency` [Hz].

    A speed that no frame has shows the nearest that one has.
    """

    of: str
    axes: tuple[str, ...]
    hz: FloatArray
    frequency: FloatArray
    levels: FloatArray


@dataclass(frozen=True)
class Spectrogram:
    """R.m.s. `levels` [unit of the samples], shape (n_axes, n_columns, n_bins), over `time_s` and `frequency` [Hz].

    Edges of the columns `time_s` shape (n_columns + 1,); `resolution_hz` the equivalent noise bandwidth of a bin.
    """

    time_s: FloatArray
    frequency: FloatArray
    levels: FloatArray
    resolution_hz: float


def spectrogram(samples: FloatArray, sample_rate: float, top_hz: float, frame_s: float = 0.2) -> Spectrogram:
    """Return the level of `samples`, shape (n_axes, n_samples), over time and frequency up to `top_hz`.

    Hann frames of `frame_s` (less for short recordings), half overlapped; frames that share a column are averaged in
    power, so that a long recording needs no more memory than a short one.
    """
    seconds = min(frame_s, samples.shape[1] / sample_rate / _FEWEST)
    size = fast_length(max(16, int(seconds * sample_rate)))
    cut = frames(samples, size, size // 2)
    columns = min(cut.shape[1], _COLUMNS)
    window = window_values("hann", size)
    bins = min(size // 2 + 1, max(4, int(top_hz * size / sample_rate) + 2))
    power, column = np.zeros((samples.shape[0], columns, bins)), np.arange(cut.shape[1]) * columns // cut.shape[1]
    for t, place in enumerate(column):
        part = cut[:, t] - cut[:, t].mean(axis=-1, keepdims=True)
        spectrum = np.fft.rfft(part * window, axis=-1)[:, :bins]
        power[:, place] += np.square(np.abs(spectrum) * np.sqrt(2.0) / window.sum())
    levels = np.sqrt(power / np.bincount(column, minlength=columns)[None, :, None])
    middles = (np.arange(cut.shape[1]) * (size // 2) + size / 2.0) / sample_rate
    starts = middles[np.searchsorted(column, np.arange(columns))] - size / 4.0 / sample_rate
    edges = np.append(starts, middles[-1] + size / 4.0 / sample_rate)
    frequency = np.arange(bins, dtype=np.float64) * (sample_rate / size)
    return Spectrogram(edges, frequency, levels, noise_bandwidth_bins(window) * sample_rate / size)


def speed_map(recording: Recording, speed: SpeedEstimate) -> SpeedMap:
    """Return the level over frequency and speed, from Hann frames of 0.2 s, half overlapped, sorted by their speed.

    Raises:
        RecordingLimitError: no speed is known, or it hardly changes.
    """
    if not recording.axes:
        raise RecordingLimitError(f"{recording.origin.file}: holds no acceleration axis: a map needs one")
    rate = recording.sample_rate
    size = fast_length(max(16, int(_FRAME_S * rate)))
    cut = frames(recording.samples, size, size // 2)
    hz, swept = frame_speeds(
        speed, (np.arange(cut.shape[1], dtype=np.float64) * (size // 2) + size / 2.0) / rate, size / rate
    )
    known = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    sharp = known[swept[known] <= _BLURRED]  # a frame of a quick start would be one streak over many orders
    known = sharp if sharp.size >= 4 and np.ptp(hz[sharp]) > 0.5 * np.ptp(hz[known]) else known
    if known.size < 4 or hz[known].max() < _SPAN_DRAWN * hz[known].min():
        raise RecordingLimitError(
            f"{recording.origin.file}: the speed hardly changes or is not known: "
            "a map needs a run-up, a coast-down or a load"
        )
    steps = int(np.clip(known.size // 2, 4, _SPEED_STEPS))
    edges = np.linspace(hz[known].min(), hz[known].max(), steps + 1)
    row = np.clip(np.searchsorted(edges, hz[known], side="right") - 1, 0, steps - 1)
    window = window_values("hann", size)
    power = np.zeros((cut.shape[0], steps, size // 2 + 1))
    for t, i in zip(known, row, strict=True):
        spectrum = np.abs(np.fft.rfft((cut[:, t] - cut[:, t].mean(axis=-1, keepdims=True)) * window, axis=-1))
        power[:, i] += (spectrum * np.sqrt(2.0) / window.sum()) ** 2
    count = np.bincount(row, minlength=steps)
    passed = np.flatnonzero(count)
    nearest = passed[np.argmin(np.abs(np.arange(steps)[:, None] - passed[None, :]), axis=1)]
    levels = np.sqrt(power[:, nearest] / count[nearest][None, :, None])
    frequency = np.arange(size // 2 + 1, dtype=np.float64) * (rate / size)
    return SpeedMap(speed.of, recording.axes, np.asarray(0.5 * (edges[1:] + edges[:-1])), frequency, levels)


def map_orders(tool: ToolSheet | None, of: str) -> dict[str, float]:
    """Return the orders on shaft `of` worth drawing, by name: shafts' first two, mesh, fan; without a sheet 1 to 4."""
    if tool is None or all(shaft.name != of for shaft in tool.shafts):
        return {f"{n}x": float(n) for n in range(1, 5)}
    named: dict[float, list[str]] = {}
    for line in expected_lines(tool, {of: 1.0}):
        if (line.kind == "shaft" and line.harmonic in (1, 2)) or (line.kind in ("mesh", "fan") and line.harmonic == 1):
            named.setdefault(round(line.frequency_hz, 3), []).append(line.name)  # at 1 Hz, frequency is order
    return {", ".join(names): order for order, names in named.items()}
