"""What one pass over a recording measures for its quality: amplitudes, levels, spectrum, runs; memory is bounded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.gaps import known_of
from vibekit.recording.recording import BLOCK_SAMPLES, FloatArray, SignalSource
from vibekit.recording.segments import FRAME_S

IntArray = NDArray[np.int64]

BINS = 16384  # amplitude histogram; its range doubles when a sample lies outside
_SEGMENT_S = 4.0  # spectrum resolution 0.25 Hz or finer
_RUN_S = 0.002  # equal samples in a row from which a run is kept
_RUN_SAMPLES = 8
_MOST_RUNS = 10000
_LINES = 6
_LINE_BANDS = 5  # of 1 %: half the width of a line whose speed wanders (no source)
_LOWEST_LINE_HZ = 5.0


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

    Per axis and frame of 0.125 s: `frame_square` and `frame_fourth`, moments about the frame's mean; `slope_square` and
    `slope_fourth`, moments of the differences from sample to sample.
    """

    n_samples: int
    sample_rate: float
    mean: FloatArray
    covariance: FloatArray
    peak_low: FloatArray
    peak_high: FloatArray
    histograms: tuple[Histogram, ...]
    lsb: FloatArray
    frame_square: FloatArray
    frame_fourth: FloatArray
    slope_square: FloatArray
    slope_fourth: FloatArray
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
    frame = max(2, round(FRAME_S * source.sample_rate))
    passes = _Pass(len(source.axes), source.sample_rate, frame, source.n_samples)
    for block in source.blocks(frame * max(1, BLOCK_SAMPLES // frame)):
        passes.add(known_of(block), passes.n)  # what stands in gaps is no signal
        if progress and source.n_samples:
            progress(passes.n / source.n_samples)
    return passes.measures()


class _Pass:
    """Running sums of one pass."""

    def __init__(self, n_axes: int, rate: float, frame: int, n_samples: int | None) -> None:
        self.rate, self.frame, self.n = rate, frame, 0
        self.sum, self.cross = np.zeros(n_axes), np.zeros((n_axes, n_axes))
        self.offset: FloatArray | None = None
        self.low, self.high = np.full(n_axes, np.inf), np.full(n_axes, -np.inf)
        self.histograms: list[Histogram] = []
        self.lsb = np.zeros(n_axes)
        self.moments: list[FloatArray] = [np.zeros((4, n_axes, 0))]
        self.runs = [_Runs(row, max(_RUN_SAMPLES, round(_RUN_S * rate))) for row in range(n_axes)]
        self.welch = _Welch(n_axes, rate, n_samples)

    def add(self, samples: FloatArray, start: int) -> None:
        if samples.shape[1] == 0:
            return
        if self.offset is None:
            self.offset = samples.mean(axis=1, keepdims=True)
            self.lsb = np.array([_least_step(row) for row in samples])
            self.histograms = [_first_histogram(row) for row in samples]
        self.n += samples.shape[1]
        centred = samples - self.offset
        self.sum += centred.sum(axis=1)
        self.cross += centred @ centred.T
        self.low = np.minimum(self.low, samples.min(axis=1))
        self.high = np.maximum(self.high, samples.max(axis=1))
        self.histograms = [_count(h, row) for h, row in zip(self.histograms, samples, strict=True)]
        for runs, row in zip(self.runs, samples, strict=True):
            runs.add(row, start)
        self._frames(samples)
        self.welch.add(samples)

    def _frames(self, samples: FloatArray) -> None:
        whole = samples.shape[1] // self.frame * self.frame
        if whole:
            frames = samples[:, :whole].reshape(len(samples), -1, self.frame)
            squares = np.square(frames - frames.mean(axis=2, keepdims=True))
            slopes = np.square(np.diff(frames, axis=2))
            moments = (*_two_moments(squares), *_two_moments(slopes))
            self.moments.append(np.stack(moments))

    def measures(self) -> Measures:
        n_axes = len(self.sum)
        n = max(self.n, 1)
        offset = np.zeros(n_axes) if self.offset is None else self.offset[:, 0]
        mean = self.sum / n
        square, fourth, slope_square, slope_fourth = np.concatenate(self.moments, axis=2)
        return Measures(
            self.n,
            self.rate,
            offset + mean,
            self.cross / n - np.outer(mean, mean),
            self.low,
            self.high,
            tuple(self.histograms),
            self.lsb,
            square,
            fourth,
            slope_square,
            slope_fourth,
            tuple(run for runs in self.runs for run in runs.found()),
            self.welch.spectra(),
        )


def _two_moments(squares: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean square and the mean fourth power over the last axis."""
    return squares.mean(axis=-1), np.einsum("...i,...i->...", squares, squares) / squares.shape[-1]


class _Runs:
    """Stretches of equal samples of one axis, also across blocks."""

    def __init__(self, row: int, least: int) -> None:
        self.row, self.least = row, least
        self.kept: list[Run] = []
        self.open: tuple[int, float] | None = None
        self.end = 0

    def add(self, samples: FloatArray, start: int) -> None:
        edges = np.flatnonzero(np.diff(samples)) + 1
        starts, ends = start + np.concatenate([[0], edges]), start + np.concatenate([edges, [samples.size]])
        if self.open is not None and samples[0] == self.open[1]:
            starts[0] = self.open[0]
        elif self.open is not None:
            self._keep(self.open[0], start, self.open[1])
        for i in np.flatnonzero(ends[:-1] - starts[:-1] >= self.least):
            self._keep(int(starts[i]), int(ends[i]), float(samples[ends[i] - start - 1]))
        self.open = (int(starts[-1]), float(samples[-1]))
        self.end = start + samples.size

    def _keep(self, start: int, end: int, value: float) -> None:
        if end - start >= self.least and len(self.kept) < _MOST_RUNS:
            self.kept.append(Run(self.row, start, end - start, value))

    def found(self) -> list[Run]:
        if self.open is not None:
            self._keep(self.open[0], self.end, self.open[1])
            self.open = None
        return self.kept


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
        self.bands = np.unique(np.searchsorted(self.frequency[:-1], edges, "right") - 1)
        self.quiet, self.quietest, self.count = self.total, np.inf, 0
        self.window = np.hanning(self.size + 1)[:-1]

    def add(self, samples: FloatArray) -> None:
        held = np.concatenate([self.held, samples], axis=1)
        whole = held.shape[1] // self.size
        for i in range(whole):
            self._segment(held[:, i * self.size : (i + 1) * self.size])
        self.held = held[:, whole * self.size :]

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
    """Return the smallest difference between two values that occur [m/s²]; 0 where samples are all equal."""
    steps = np.diff(np.unique(samples))
    floor = 1e-12 * np.abs(samples).max(initial=0.0)
    steps = steps[steps > floor]
    return float(steps.min()) if steps.size else 0.0


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
