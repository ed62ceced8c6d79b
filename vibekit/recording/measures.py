"""What one pass over a recording measures for its quality: amplitudes, levels, spectrum, runs; memory is bounded.

The ends of every frame, samples at a known end of range and runs of equal samples are of every sample, levels of every
frame. Distribution, moments and spectrum cost more: of a long recording they are of stretches spread evenly over it,
and the distribution also of the frames with the largest peaks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.gaps import known_of
from vibekit.recording.recording import BLOCK_SAMPLES, FloatArray, SignalSource
from vibekit.recording.segments import FRAME_S, Trigger, trigger_on

IntArray = NDArray[np.int64]

BINS = 16384  # amplitude histogram; its range doubles when a sample lies outside
AT_CEILING = 0.999  # of a known end of range: a sample from here on is clipped
FRAMES_PER_S = 8  # of a second whose moments are taken together
_SEGMENT_S = 4.0  # spectrum resolution 0.25 Hz or finer
_RUN_S = 0.002  # equal samples in a row from which a run is kept
_RUN_SAMPLES = 8
_MOST_RUNS = 10000
_FEW = 0.1  # share of equal samples up to which looking at each is faster than looking at all
_LINES = 6
_LINE_BANDS = 5  # of 1 %: half the width of a line whose speed wanders (no source)
_LOWEST_LINE_HZ = 5.0
_ALL_SAMPLES = 1_000_000  # of an axis, up to which everything is looked at closely: minutes at the usual rates
_HEARD = 4  # of what is longer, one part of so many in a frame gives its level
_LONG_RUN_S = 0.008  # and runs of equal samples are kept from here on
_CLOSELY = 8  # stretches of a spectrum's segment each, spread over what is longer
_LOUDEST = 12  # frames of every axis that are kept for their peaks
_FEW_VALUES = 200  # different ones: from here on the smallest difference is taken for the step
_UNEVEN = 0.05  # of the step: how far distances between few values may be off whole steps
_STEP_SAMPLES = 32768  # from which the smallest step is taken

_LOUD_FRAMES = 2 * FRAMES_PER_S
_LOUD, _LEVEL = 0.25, 0.5  # 12 and 6 dB (no source)


@dataclass(frozen=True)
class Spectra:
    """Power spectral densities [(m/s²)²/Hz], shape (n_axes, n_lines): mean, and of the quietest segment.

    `line_shares`, shape (n_axes, n_segments): sum of the squared shares of the strongest lines in the power;
    `slope_shares` the same of the slope, whose density is that of the signal times f².
    """

    frequency_hz: FloatArray
    mean: FloatArray
    quiet: FloatArray
    line_shares: FloatArray
    slope_shares: FloatArray


@dataclass(frozen=True)
class Run:
    """A stretch of equal samples on one axis (row)."""

    row: int
    start: int
    length: int
    value: float


@dataclass(frozen=True)
class Measures:
    """Everything that the checks look at. Per axis: `mean`, `peak_low`, `peak_high` [m/s²], `histogram`, `lsb`.

    Per axis and frame of 0.125 s: `frame_low`, `frame_high`, its ends, and `frame_square`, about its mean. `close`
    (n_close,): the frames looked at closely, in whole seconds; per axis and such frame: `frame_fourth` as
    `frame_square`, `slope_square` and `slope_fourth`, moments of the differences from sample to sample, and `repeats`,
    the share of samples equal to the one before. `loudest`: histograms of the frames with the largest peaks, where
    these are not among the others. `at_ceiling`: samples of each axis at the known end of range.
    """

    n_samples: int
    sample_rate: float
    mean: FloatArray
    covariance: FloatArray
    peak_low: FloatArray
    peak_high: FloatArray
    histograms: tuple[Histogram, ...]
    loudest: tuple[Histogram, ...]
    at_ceiling: IntArray
    lsb: FloatArray
    frame_low: FloatArray
    frame_high: FloatArray
    frame_square: FloatArray
    close: IntArray
    frame_fourth: FloatArray
    slope_square: FloatArray
    slope_fourth: FloatArray
    repeats: FloatArray
    runs: tuple[Run, ...]
    spectra: Spectra

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return self.n_samples / self.sample_rate

    @property
    def rms(self) -> FloatArray:
        """R.m.s. about the mean per axis [m/s²]."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def levels(self) -> FloatArray:
        """R.m.s. about the mean per frame of 0.125 s over all axes [m/s²]."""
        return np.asarray(np.sqrt(self.frame_square.sum(axis=0)))

    @cached_property
    def running(self) -> Trigger:
        """Which frames have the tool running."""
        return trigger_on(self.levels, FRAME_S)

    @cached_property
    def loud(self) -> NDArray[np.bool_]:
        """Which frames show the tool's own signal: running, no edge of a burst, no handling between two.

        Within 12 dB of the loudest two seconds (what lies between no load and load), and 6 dB of their neighbours.
        """
        on, levels = self.running.on, self.levels
        if not on.any():
            return on
        top = np.sort(levels)[-min(_LOUD_FRAMES, levels.size)]
        beside = np.pad(levels, 1, mode="edge")
        near = np.maximum(np.maximum(beside[:-2], beside[2:]), levels)
        found = on & (levels >= _LOUD * top) & (levels >= _LEVEL * near)
        return found if found.any() else on

    @property
    def loud_closely(self) -> NDArray[np.bool_]:
        """Which of the frames looked at closely are loud."""
        return np.asarray(self.loud[self.close])

    @property
    def closely_s(self) -> float:
        """How much was looked at closely [s]."""
        return FRAME_S * self.close.size


@dataclass(frozen=True)
class Histogram:
    """Counts of one axis in equal bins from `low` upward, `width` [m/s²] each."""

    low: float
    width: float
    counts: IntArray

    def between(self, low: float, high: float) -> int:
        """Return how many samples lie between two values, by whole bins."""
        ends = np.clip((np.array([low, high]) - self.low) / self.width, 0, len(self.counts))
        first, last = np.round(ends).astype(int)
        return int(self.counts[first:last].sum())


def measure(source: SignalSource, progress: Callable[[float], None] | None = None) -> Measures:
    """Return the measures of a recording or stream, in one pass. Raises InputError as `RecordingStream.blocks`."""
    found = QualityPass(len(source.axes), source.sample_rate, source.n_samples)
    for block in source.blocks(found.frame * max(1, BLOCK_SAMPLES // found.frame)):
        found.add(known_of(block))  # what stands in gaps is no signal
        if progress and source.n_samples:
            progress(found.n / source.n_samples)
    return found.measures()


class QualityPass:
    """Running sums of one pass over consecutive blocks of any length; `ceiling` [m/s²] is a known end of range.

    `n_samples` decides whether everything is looked at closely; where it is not known, everything is.
    """

    def __init__(self, n_axes: int, rate: float, n_samples: int | None, ceiling: float | None = None) -> None:
        self.rate, self.frame, self.n = rate, max(2, round(FRAME_S * rate)), 0
        self.ceiling, self.at_ceiling = ceiling, np.zeros(n_axes, dtype=np.int64)
        self.rest, self.frames = np.zeros((n_axes, 0)), 0
        self.welch = _Welch(n_axes, rate, n_samples)
        self.stretch = -(-self.welch.size // self.frame // FRAMES_PER_S) * FRAMES_PER_S
        whole, size = n_samples or 0, self.stretch * self.frame
        wanted = min(_CLOSELY, -(-_ALL_SAMPLES // size))
        self.period = self.stretch * (max(1, whole // size // wanted) if whole > _ALL_SAMPLES else 1)
        self.ends: list[FloatArray] = [np.zeros((4, n_axes, 0))]  # low, high, mean, square
        self.close = _Close(n_axes)
        self.loudest = [_Loudest() for _ in range(n_axes)]
        shortest = _RUN_S if self.period == self.stretch else _LONG_RUN_S
        self.runs = [_Runs(row, max(_RUN_SAMPLES, round(shortest * rate))) for row in range(n_axes)]

    def add(self, samples: FloatArray) -> None:
        """Take in the next samples [m/s²], shape (n_axes, n)."""
        if samples.shape[1] == 0:
            return
        for runs, row in zip(self.runs, samples, strict=True):
            runs.add(row, self.n)
        self.n += samples.shape[1]
        lacking = min(self.frame - self.rest.shape[1], samples.shape[1]) if self.rest.size else 0
        if lacking:
            self.rest = np.concatenate([self.rest, samples[:, :lacking]], axis=1)
        if self.rest.shape[1] == self.frame:
            self._whole_frames(self.rest[:, None])
            self.rest = self.rest[:, :0]
        whole = (samples.shape[1] - lacking) // self.frame
        cut = lacking + whole * self.frame
        if whole:
            self._whole_frames(samples[:, lacking:cut].reshape(len(samples), whole, self.frame))
        if cut < samples.shape[1]:
            self.rest = samples[:, cut:].copy()

    def _whole_frames(self, frames: FloatArray) -> None:
        heard = self.frame if self.period == self.stretch else -(-self.frame // _HEARD)
        ends = _ends(frames, heard)
        self.ends.append(ends)
        peak = np.maximum(ends[1], -ends[0])
        if self.ceiling is not None and peak.max() >= AT_CEILING * self.ceiling:
            self.at_ceiling += (np.abs(frames) >= AT_CEILING * self.ceiling).sum(axis=(1, 2))
        if self.period > self.stretch:
            for loudest, rows, peaks in zip(self.loudest, frames, peak, strict=True):
                loudest.add(rows, peaks)
        self._closely(frames)
        self.frames += frames.shape[1]

    def _closely(self, frames: FloatArray) -> None:
        """Look closely at those of the frames whose turn it is."""
        first, stop = self.frames, self.frames + frames.shape[1]
        if self.period == self.stretch:
            self.close.add(frames, first)
            self.welch.add(frames.reshape(len(frames), -1))
            return
        for start in range(first - first % self.period, stop, self.period):
            a, b = max(start, first), min(start + self.stretch, stop)
            if a == start:
                self.welch.restart()
            if a < b:
                part = frames[:, a - first : b - first]
                self.close.add(part, a)
                self.welch.add(part.reshape(len(part), -1))

    def measures(self) -> Measures:
        """Return what was found; the samples after the last whole frame count where each sample does."""
        low, high, mean, square = np.concatenate(self.ends, axis=2)
        if self.rest.size and (self.period == self.stretch or not self.frames):
            self.close.add_rest(self.rest)
            self.welch.add(self.rest)
        if self.rest.size:
            if self.ceiling is not None:
                self.at_ceiling += (np.abs(self.rest) >= AT_CEILING * self.ceiling).sum(axis=1)
            low = np.concatenate([low, self.rest.min(axis=1, keepdims=True)], axis=1)
            high = np.concatenate([high, self.rest.max(axis=1, keepdims=True)], axis=1)
        total = self.frame * mean.sum(axis=1) + self.rest.sum(axis=1)
        close, n_frames, n_axes = self.close, square.shape[1], len(self.rest)
        return Measures(
            self.n,
            self.rate,
            total / max(self.n, 1),
            close.covariance(),
            low.min(axis=1, initial=np.inf),
            high.max(axis=1, initial=-np.inf),
            tuple(close.histograms) or (Histogram(-1e-9, 2e-9 / BINS, np.zeros(BINS, dtype=np.int64)),) * n_axes,
            tuple(loudest.histogram() for loudest in self.loudest) if self.period > self.stretch else (),
            self.at_ceiling,
            close.lsb,
            low[:, :n_frames],
            high[:, :n_frames],
            square,
            *close.moments(),
            tuple(run for runs in self.runs for run in runs.found()),
            self.welch.spectra(),
        )


def _ends(frames: FloatArray, heard: int) -> FloatArray:
    """Return low, high, and of the first `heard` samples mean and mean square about it, shape (4, n_axes, n_frames)."""
    part = frames[:, :, :heard]
    mean = np.einsum("ijk->ij", part) / heard
    square = np.maximum(np.vecdot(part, part) / heard - mean * mean, 0.0)
    return np.stack([frames.min(axis=2), frames.max(axis=2), mean, square])


class _Close:
    """What is counted and summed of the frames looked at closely."""

    def __init__(self, n_axes: int) -> None:
        self.n, self.sum, self.cross = 0, np.zeros(n_axes), np.zeros((n_axes, n_axes))
        self.offset: FloatArray | None = None
        self.histograms: list[Histogram] = []
        self.lsb = np.zeros(n_axes)
        self.at: list[IntArray] = []
        self.found: list[FloatArray] = [np.zeros((4, n_axes, 0))]

    def add(self, frames: FloatArray, first: int) -> None:
        """Take in frames, shape (n_axes, n_frames, frame), of which the first is number `first`."""
        self._amplitudes(frames.reshape(len(frames), -1))
        centred = frames - frames.mean(axis=2, keepdims=True)
        slopes = frames[..., 1:] - frames[..., :-1]
        repeats = 1.0 - np.count_nonzero(slopes, axis=2) / slopes.shape[2]
        self.found.append(np.stack([_moments(centred)[1], *_moments(slopes), repeats]))
        self.at.append(np.arange(first, first + frames.shape[1]))

    def add_rest(self, samples: FloatArray) -> None:
        """Take in samples that are no whole frame."""
        self._amplitudes(samples)

    def _amplitudes(self, samples: FloatArray) -> None:
        if self.offset is None:
            self.offset = samples.mean(axis=1, keepdims=True)
            self.lsb = np.array([_least_step(row[:_STEP_SAMPLES]) for row in samples])
            self.histograms = [_first_histogram(row) for row in samples]
        centred = samples - self.offset
        self.n += samples.shape[1]
        self.sum += centred.sum(axis=1)
        self.cross += np.einsum("in,jn->ij", centred, centred)
        self.histograms = [_count(h, row) for h, row in zip(self.histograms, samples, strict=True)]

    def covariance(self) -> FloatArray:
        mean = self.sum / max(self.n, 1)
        return np.asarray(self.cross / max(self.n, 1) - np.outer(mean, mean))

    def moments(self) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        at = np.concatenate(self.at) if self.at else np.zeros(0, dtype=np.int64)
        fourth, square, slope_fourth, repeats = np.concatenate(self.found, axis=2)
        return at, fourth, square, slope_fourth, repeats


def _moments(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean square and the mean fourth power about zero over the last axis; `values` are used up."""
    squares = np.square(values, out=values)
    return squares.mean(axis=-1), np.einsum("...i,...i->...", squares, squares) / squares.shape[-1]


class _Loudest:
    """The frames of one axis with the largest peaks."""

    def __init__(self) -> None:
        self.peaks, self.frames = np.zeros(0), np.zeros((0, 0))

    def add(self, frames: FloatArray, peaks: FloatArray) -> None:
        least = self.peaks.min() if self.peaks.size == _LOUDEST else -1.0
        new = np.flatnonzero(peaks > least)
        if not new.size:
            return
        new = new[np.argsort(peaks[new])[-_LOUDEST:]]
        held = self.frames if self.frames.size else np.zeros((0, frames.shape[1]))
        all_peaks, all_frames = np.concatenate([self.peaks, peaks[new]]), np.concatenate([held, frames[new]])
        kept = np.argsort(all_peaks)[-_LOUDEST:]
        self.peaks, self.frames = all_peaks[kept], all_frames[kept]

    def histogram(self) -> Histogram:
        samples = self.frames.reshape(-1)
        return _count(_first_histogram(samples), samples)


class _Runs:
    """Stretches of equal samples of one axis, also across blocks."""

    def __init__(self, row: int, least: int) -> None:
        self.row, self.least = row, least
        self.kept: list[Run] = []
        self.open: tuple[int, float] | None = None
        self.end = 0

    def add(self, samples: FloatArray, start: int) -> None:
        begin = start
        if self.open is not None and samples[0] == self.open[1]:
            begin = self.open[0]
        elif self.open is not None:
            self._keep(self.open[0], start, self.open[1])
        near = 2 * self.least
        if samples.size <= 2 * near or _stands_still(samples, self.least // 2):
            edges = np.flatnonzero(samples[1:] != samples[:-1]) + 1
            bounds = np.concatenate([[begin], start + edges])
            for i in np.flatnonzero(np.diff(bounds) >= self.least):
                self._keep(int(bounds[i]), int(bounds[i + 1]), float(samples[bounds[i + 1] - start - 1]))
            last = int(bounds[-1])
        else:  # no run inside: only what began before and what may go on
            self._keep(begin, start + int(np.argmax(samples[:near] != samples[0])), float(samples[0]))
            last = start + samples.size - int(np.argmax(samples[: -near - 1 : -1] != samples[-1]))
        self.open, self.end = (last, float(samples[-1])), start + samples.size

    def _keep(self, start: int, end: int, value: float) -> None:
        if end - start >= self.least and len(self.kept) < _MOST_RUNS:
            self.kept.append(Run(self.row, start, end - start, value))

    def found(self) -> list[Run]:
        if self.open is not None:
            self._keep(self.open[0], self.end, self.open[1])
            self.open = None
        return self.kept


def _stands_still(samples: FloatArray, step: int) -> bool:
    """Tell whether `step` samples in a row, from a multiple of it on, may be equal to the next one.

    A run of twice that length covers two of the samples that stand `step` apart, unless it ends with the samples.
    """
    coarse = samples[::step]
    alike = np.flatnonzero(coarse[1:] == coarse[:-1])
    if alike.size > _FEW * coarse.size:
        return True
    between = samples[alike[:, None] * step + np.arange(1, step)]
    return bool((between == coarse[alike][:, None]).all(axis=1).any())


class _Welch:
    """Mean power spectral density over segments of about 4 s, Hann window, no overlap (Welch 1967)."""

    def __init__(self, n_axes: int, rate: float, n_samples: int | None) -> None:
        longest = 2.0 * _SEGMENT_S * rate if n_samples is None else min(2.0 * _SEGMENT_S * rate, n_samples / 2)
        self.size = 1 << max(3, int(np.log2(max(longest, 8))))
        self.rate, self.held = rate, np.zeros((n_axes, 0))
        self.total = np.zeros((n_axes, self.size // 2 + 1))
        self.shares: list[list[float]] = []
        self.slope_shares: list[list[float]] = []
        self.frequency = np.arange(self.size // 2 + 1) * rate / self.size
        lowest = min(_LOWEST_LINE_HZ, rate / 8.0)
        edges = np.geomspace(lowest, rate / 2.0, round(100.0 * np.log(rate / 2.0 / lowest)) + 1)
        bands = np.searchsorted(self.frequency[:-1], edges, "right") - 1
        self.bands = bands[np.diff(bands, prepend=-1) > 0]  # each once; `np.unique` would load masked arrays
        self.quiet, self.quietest, self.count = self.total, np.inf, 0
        self.window = np.hanning(self.size + 1)[:-1]

    def restart(self) -> None:
        """Begin anew: what follows does not join what came before."""
        self.held = self.held[:, :0]

    def add(self, samples: FloatArray) -> None:
        held = np.concatenate([self.held, samples], axis=1) if self.held.size else samples
        whole = held.shape[1] // self.size
        for i in range(whole):
            self._segment(held[:, i * self.size : (i + 1) * self.size])
        self.held = held[:, whole * self.size :].copy()

    def _segment(self, samples: FloatArray) -> None:
        lines = np.fft.rfft((samples - samples.mean(axis=1, keepdims=True)) * self.window, axis=1)
        density = 2.0 * np.abs(lines) ** 2 / (self.rate * np.sum(self.window**2))
        self.total = self.total + density
        level = float(density.sum())
        if level < self.quietest:
            self.quiet, self.quietest = density, level
        self.shares.append(self._shares(density))
        self.slope_shares.append(self._shares(density * self.frequency**2))
        self.count += 1

    def _shares(self, density: FloatArray) -> list[float]:
        return [_line_shares(row) for row in np.add.reduceat(density, self.bands, axis=1)]

    def spectra(self) -> Spectra:
        if self.count == 0 and self.held.shape[1]:
            rest = self.size - self.held.shape[1]
            self.window = np.pad(np.hanning(self.size - rest + 1)[:-1], (0, rest))
            self._segment(np.pad(self.held - self.held.mean(axis=1, keepdims=True), ((0, 0), (0, rest))))
        shares, slopes = (np.array(s).reshape(self.count, -1).T for s in (self.shares, self.slope_shares))
        return Spectra(self.frequency, self.total / max(self.count, 1), self.quiet, shares, slopes)


def _line_shares(powers: FloatArray) -> float:
    """Return the sum of squared power shares of the strongest lines, each as wide as a wandering speed makes it.

    `powers` in bands of 1 % of their frequency.
    """
    left, total, shares = np.pad(powers, _LINE_BANDS), max(float(powers.sum()), 1e-300), 0.0
    width = 2 * _LINE_BANDS + 1
    for _ in range(_LINES):
        sums = np.concatenate([[0.0], np.cumsum(left)])
        lines = sums[width:] - sums[:-width]
        first = int(np.argmax(lines))
        shares += (float(lines[first]) / total) ** 2
        left[first : first + width] = 0.0
    return shares


def _least_step(samples: FloatArray) -> float:
    """Return the smallest difference between two values that occur [m/s²]; 0 where it says nothing of a resolution.

    So where samples are all equal, and where a tone in step with the rate meets a few values at odd distances.
    """
    steps = np.diff(np.sort(samples))
    floor = 1e-12 * np.abs(samples).max(initial=0.0)
    steps = steps[steps > floor]
    if not steps.size:
        return 0.0
    times = steps / steps.min()
    even = bool((np.abs(times - np.round(times)) < _UNEVEN).all())
    return float(steps.min()) if even or steps.size > _FEW_VALUES else 0.0


def _first_histogram(samples: FloatArray) -> Histogram:
    reach = 1.01 * float(np.abs(samples).max()) or 1e-9
    return Histogram(-reach, 2.0 * reach / BINS, np.zeros(BINS, dtype=np.int64))


def _count(histogram: Histogram, samples: FloatArray) -> Histogram:
    """Return the histogram with more samples; its range doubles about its middle as often as needed."""
    low, width, counts = histogram.low, histogram.width, histogram.counts
    reach = float(np.abs(samples).max())
    while reach >= -low:
        pairs = counts.reshape(-1, 2).sum(axis=1)
        counts = np.pad(pairs, BINS // 4)
        low, width = 2.0 * low, 2.0 * width
    index = ((samples - low) / width).astype(np.int64)
    return Histogram(low, width, counts + np.bincount(index, minlength=BINS))
