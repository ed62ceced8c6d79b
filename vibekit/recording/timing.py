"""Timestamps as they come: rate, jitter, gaps, duplicates; and the even grid made from them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import InputError

FloatArray = NDArray[np.float64]

EVEN_JITTER = 0.05  # r.m.s. step deviation, of the step, up to which stamps are read as an even clock
_STAND_STILL = 4  # equal stamps after the first from which time is said to stand still
_EVEN_GAP = 1.5  # of the step: a missing sample on an even clock
_UNEVEN_GAP = 10.0  # of the step: a gap on a clock that wanders anyway
_SHARED_STAMPS = 0.2  # share of equal stamps from which they are rounding, not repeated rows
_LATE_SHARE = 0.02  # share of late steps up to which a clock is even with some samples missing


@dataclass(frozen=True)
class Timing:
    """What the timestamps of a recording say; steps in seconds."""

    mean_rate_hz: float
    median_step_s: float
    jitter_s: float
    largest_step_s: float
    gaps: int
    duplicates: int
    resampled: bool


@dataclass(frozen=True)
class Clock:
    """Measured timestamps and the longest stretch without a gap: rows `first` to `last`, from `start_s` to `end_s`."""

    timing: Timing
    rows: int
    first: int
    last: int
    start_s: float
    end_s: float
    drop_repeated: bool

    @property
    def n_frames(self) -> int:
        """Samples of the stretch on its even grid."""
        return math.floor((self.end_s - self.start_s) * self.timing.mean_rate_hz + 1e-6) + 1


@dataclass
class _Stretches:
    """The longest run of steps not above `limit`, chunk by chunk; its ends as row, stamp, repeated stamps."""

    limit: float
    start: tuple[int, float, int]
    best: tuple[tuple[int, float, int], tuple[int, float, int]]
    gaps: int = 0

    def add(self, row: int, stamps: FloatArray, repeated: NDArray[np.int64]) -> None:
        """Take `stamps[1:]`, rows from `row` + 1 on; `repeated` counts equal stamps up to each of `stamps`."""
        for i in np.flatnonzero(np.diff(stamps) > self.limit):
            self.close((row + int(i), float(stamps[i]), int(repeated[i])))
            self.start = (row + int(i) + 1, float(stamps[i + 1]), int(repeated[i + 1]))
            self.gaps += 1

    def close(self, end: tuple[int, float, int]) -> None:
        """End the present stretch; keep it if it is the longest."""
        if end[1] - self.start[1] > self.best[1][1] - self.best[0][1]:
            self.best = (self.start, end)


def measure_clock(chunks: Iterable[FloatArray], resolution_s: float, where: str) -> Clock:
    """Return what the timestamps [s] say, in one pass over `chunks`; `resolution_s` is how finely they are written.

    A clock is even when its steps scatter by at most 5 % r.m.s. or by what rounding the stamps explains; then a step
    of 1.5 is a gap. Otherwise it wanders and a step of 10 is a gap.

    Raises:
        InputError: fewer than two stamps, stamps that run backwards or stand still.
    """
    state = _ClockState(where)
    for chunk in chunks:
        if chunk.size:
            state.add(chunk, resolution_s)
    return state.clock()


class _ClockState:
    """Running sums over the steps."""

    def __init__(self, where: str) -> None:
        self.where, self.rows, self.last_stamp = where, 0, 0.0
        self.step = self.resolution = self.largest = self.square = 0.0
        self.shared = False
        self.late = self.near = self.repeated = self.still = self.longest_still = 0
        self.even = self.uneven = _Stretches(0.0, (0, 0.0, 0), ((0, 0.0, 0), (0, 0.0, 0)))

    def add(self, chunk: FloatArray, resolution_s: float) -> None:
        stamps = chunk if self.rows == 0 else np.concatenate([[self.last_stamp], chunk])
        row = max(self.rows - 1, 0)
        steps = np.diff(stamps)
        if steps.size and steps.min() < 0:
            index = row + 1 + int(np.argmax(steps < 0))
            raise InputError(f"{self.where}: timestamps run backwards at sample {index}: a recording needs rising time")
        if self.step == 0.0 and steps.size:
            self._settle(steps, resolution_s, float(stamps[0]))
        zero = steps == 0
        repeated = self.repeated + np.concatenate([[0], np.cumsum(zero)])
        for stretches in (self.even, self.uneven):
            stretches.add(row, stamps, repeated)
        self._still(zero)
        near = steps[(steps <= self.even.limit) & ((steps > 0) | self.shared)]
        self.late += int(np.count_nonzero(steps > self.even.limit))
        self.near += near.size
        self.square += float(np.sum((near - self.step) ** 2))
        self.largest = max(self.largest, float(steps.max(initial=0.0)))
        self.repeated = int(repeated[-1])
        self.rows += chunk.size
        self.last_stamp = float(chunk[-1])

    def _settle(self, steps: FloatArray, resolution_s: float, start: float) -> None:
        """Take the usual step and the rounding of the stamps from the first chunk."""
        positive = steps[steps > 0]
        if positive.size == 0:
            raise InputError(f"{self.where}: timestamps stand still from sample 0: a recording needs rising time")
        self.shared = positive.size < (1.0 - _SHARED_STAMPS) * steps.size
        self.resolution = max(resolution_s, float(positive.min())) if self.shared else resolution_s
        self.step = float(np.median(steps))
        if self.resolution > 0.3 * self.step:
            self.step = float(np.mean(steps[steps <= 20.0 * np.mean(positive)]))
        begin = (0, start, 0)
        slack = 1.01 * self.resolution
        self.even = _Stretches(_EVEN_GAP * self.step + slack, begin, (begin, begin))
        self.uneven = _Stretches(_UNEVEN_GAP * self.step + slack, begin, (begin, begin))

    def _still(self, zero: NDArray[np.bool_]) -> None:
        """Follow the longest run of equal stamps."""
        breaks = np.flatnonzero(~zero)
        if breaks.size == 0:
            self.still += zero.size
            self.longest_still = max(self.longest_still, self.still)
            return
        inner = np.diff(breaks) - 1
        self.longest_still = max(self.longest_still, self.still + int(breaks[0]), int(inner.max(initial=0)))
        self.still = zero.size - 1 - int(breaks[-1])
        self.longest_still = max(self.longest_still, self.still)

    def clock(self) -> Clock:
        if self.rows < 2:
            raise InputError(f"{self.where}: holds {self.rows} samples: too few to know their rate")
        rounded = self.longest_still * self.step <= 1.5 * self.resolution
        if self.longest_still >= _STAND_STILL and not rounded:
            raise InputError(
                f"{self.where}: timestamps stand still over {self.longest_still + 1} samples: time must rise"
            )
        jitter = math.sqrt(self.square / max(self.near, 1))
        late = self.late / (self.rows - 1)
        even = late <= _LATE_SHARE and jitter <= max(EVEN_JITTER * self.step, 0.6 * self.resolution)
        stretches = self.even if even else self.uneven
        stretches.close((self.rows - 1, self.last_stamp, self.repeated))
        (first, start_s, before), (last, end_s, after) = stretches.best
        drop = even and not rounded and after > before
        steps = last - first - (after - before if drop else 0)
        rate = float(f"{steps / (end_s - start_s):.12g}")  # 100, not 99.99999999999999
        timing = Timing(rate, self.step, jitter, self.largest, stretches.gaps, self.repeated, not even)
        return Clock(timing, self.rows, first, last + 1, start_s, end_s, drop)


def drop_repeated(chunks: Iterable[tuple[FloatArray, FloatArray]]) -> Iterator[FloatArray]:
    """Yield the values (n, channels) of (stamps, values) chunks without rows that repeat the stamp before."""
    last = -math.inf
    for stamps, values in chunks:
        keep = np.diff(stamps, prepend=last) > 0
        last = float(stamps[-1])
        yield values[keep]


def resample(
    chunks: Iterable[tuple[FloatArray, FloatArray]], start_s: float, rate: float, n_frames: int
) -> Iterator[FloatArray]:
    """Yield values on the even grid `start_s` + k / `rate` by linear interpolation, in bounded memory.

    Samples that share a stamp are averaged. At frequency f a line keeps sinc²(f·step) of its amplitude on average.
    """
    stamps, values = np.empty(0), np.empty((0, 0))
    done = 0
    for more_stamps, more_values in chunks:
        stamps = np.concatenate([stamps, more_stamps])
        values = np.concatenate([values.reshape(-1, more_values.shape[1]), more_values])
        final = int(np.searchsorted(stamps, stamps[-1]))  # rows of the last stamp may go on in the next chunk
        if final == 0:
            continue
        yield (out := _interpolate(stamps[:final], values[:final], start_s, rate, done, n_frames))
        done += len(out)
        keep = int(np.searchsorted(stamps, stamps[final - 1]))
        stamps, values = stamps[keep:], values[keep:]
    if stamps.size:
        yield _interpolate(stamps, values, start_s, rate, done, n_frames, last=True)


def _interpolate(
    stamps: FloatArray, values: FloatArray, start_s: float, rate: float, done: int, n_frames: int, last: bool = False
) -> FloatArray:
    firsts = np.flatnonzero(np.diff(stamps, prepend=-np.inf) > 0)
    counts = np.diff(firsts, append=stamps.size)
    means = np.add.reduceat(values, firsts, axis=0) / counts[:, None]
    until = n_frames if last else min(n_frames, math.floor((stamps[-1] - start_s) * rate) + 1)
    grid = start_s + np.arange(done, max(until, done)) / rate
    return np.stack([np.interp(grid, stamps[firsts], means[:, i]) for i in range(values.shape[1])], axis=1)


def linear_loss(frequency_hz: float, step_s: float) -> float:
    """Return the mean share of amplitude that linear interpolation between samples `step_s` apart takes (0..1)."""
    return 1.0 - float(np.sinc(frequency_hz * step_s)) ** 2
