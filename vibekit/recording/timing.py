"""Timestamps as they come: rate, jitter, gaps, duplicates; and where the samples stand on an even grid."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import InputError

FloatArray = NDArray[np.float64]

EVEN_JITTER = 0.05  # r.m.s. step deviation, of the step, up to which stamps are read as an even clock
_STAND_STILL = 4  # equal stamps after the first from which time is said to stand still
_EVEN_GAP = 1.5  # of the step: a missing sample on an even clock
_UNEVEN_GAP = 10.0  # of the step: a gap on a clock that wanders anyway
_SHARED_STAMPS = 0.2  # share of equal stamps from which they are rounding, not repeated rows
_BRIDGED_SAMPLES = 10  # in a row: a handful, that those around them tell (no source)
_BRIDGED_S = 0.02  # a third of the period of 16 Hz, where the hand is most sensitive (no source)
_LONGEST_UNKNOWN_S = 86_400.0  # a recording is of one day at most: exposure is counted by the day
_LATE_SHARE = 0.02  # share of late steps up to which a clock is even with some samples missing


@dataclass(frozen=True)
class Timing:
    """What the timestamps of a recording say; steps in seconds.

    `gaps`: (start_s, length_s) of each stretch that is unknown, on the recording's own clock. `bridged_places`: where a
    few samples were missing, `bridged_samples` in all, that were filled in.
    """

    mean_rate_hz: float
    median_step_s: float
    jitter_s: float
    largest_step_s: float
    gaps: tuple[tuple[float, float], ...]
    duplicates: int
    resampled: bool
    bridged_places: int = 0
    bridged_samples: int = 0

    @property
    def unknown_s(self) -> float:
        """Time in gaps, in all [s]."""
        return sum(length for _, length in self.gaps or ())

    def cut(self, start_s: float, stop_s: float | None) -> Timing:
        """Return the timing of the part from `start_s` to `stop_s`, whose clock starts at its own first sample."""
        ends = [(max(a, start_s), min(a + n, math.inf if stop_s is None else stop_s)) for a, n in self.gaps or ()]
        return replace(self, gaps=tuple((a - start_s, b - a) for a, b in ends if b - a > 1e-9))


@dataclass(frozen=True)
class Piece:
    """Rows `first` up to `last` between two gaps, and where they stand on the even grid: `n_frames` from `frame` on."""

    first: int
    last: int
    frame: int
    n_frames: int


@dataclass(frozen=True)
class Clock:
    """Measured timestamps, and the pieces between gaps on an even grid that starts at `start_s`."""

    timing: Timing
    rows: int
    start_s: float
    pieces: tuple[Piece, ...]
    drop_repeated: bool

    @property
    def n_frames(self) -> int:
        """Samples on the even grid, those in gaps counted in."""
        return self.pieces[-1].frame + self.pieces[-1].n_frames


@dataclass
class _LateSteps:
    """The steps above `limit`, chunk by chunk: the row after each, the stamps before and after, repeated stamps."""

    limit: float
    found: list[FloatArray] = field(default_factory=lambda: [np.empty((4, 0))])

    def add(self, row: int, stamps: FloatArray, repeated: NDArray[np.int64]) -> None:
        """Take `stamps[1:]`, rows from `row` + 1 on; `repeated` counts equal stamps up to each of `stamps`."""
        at = np.flatnonzero(np.diff(stamps) > self.limit)
        if at.size:
            self.found.append(np.stack([row + at + 1.0, stamps[at], stamps[at + 1], repeated[at + 1]]))


@dataclass(frozen=True)
class _Runs:
    """The runs of rows between late steps: rows, stamps [s] of the ends, repeated stamps; one entry a run."""

    first: FloatArray
    last: FloatArray
    start_s: FloatArray
    end_s: FloatArray
    repeated: FloatArray


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
        self.first_stamp = 0.0
        self.even, self.uneven = _LateSteps(0.0), _LateSteps(0.0)

    def add(self, chunk: FloatArray, resolution_s: float) -> None:
        if self.rows == 0:
            self.first_stamp = float(chunk[0])
        stamps = chunk if self.rows == 0 else np.concatenate([[self.last_stamp], chunk])
        row = max(self.rows - 1, 0)
        steps = np.diff(stamps)
        if steps.size and steps.min() < 0:
            index = row + 1 + int(np.argmax(steps < 0))
            raise InputError(f"{self.where}: timestamps run backwards at sample {index}: a recording needs rising time")
        if self.step == 0.0 and steps.size:
            self._settle(steps, resolution_s)
        zero = steps == 0
        repeated = self.repeated + np.concatenate([[0], np.cumsum(zero)])
        for late in (self.even, self.uneven):
            late.add(row, stamps, repeated)
        self._still(zero)
        near = steps[(steps <= self.even.limit) & ((steps > 0) | self.shared)]
        self.late += int(np.count_nonzero(steps > self.even.limit))
        self.near += near.size
        self.square += float(np.sum((near - self.step) ** 2))
        self.largest = max(self.largest, float(steps.max(initial=0.0)))
        self.repeated = int(repeated[-1])
        self.rows += chunk.size
        self.last_stamp = float(chunk[-1])

    def _settle(self, steps: FloatArray, resolution_s: float) -> None:
        """Take the usual step and the rounding of the stamps from the first chunk."""
        positive = steps[steps > 0]
        if positive.size == 0:
            raise InputError(f"{self.where}: timestamps stand still from sample 0: a recording needs rising time")
        self.shared = positive.size < (1.0 - _SHARED_STAMPS) * steps.size
        self.resolution = max(resolution_s, float(positive.min())) if self.shared else resolution_s
        self.step = float(np.median(steps))
        if self.resolution > 0.3 * self.step:
            self.step = float(np.mean(steps[steps <= 20.0 * np.mean(positive)]))
        slack = 1.01 * self.resolution
        self.even = _LateSteps(_EVEN_GAP * self.step + slack)
        self.uneven = _LateSteps(_UNEVEN_GAP * self.step + slack)

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
        runs = self._runs(self.even if even else self.uneven)
        drop = even and not rounded and self.repeated > 0
        counts = runs.last - runs.first - (runs.repeated if drop else 0)
        known_s = float((runs.end_s - runs.start_s).sum())
        if known_s <= 0:
            raise InputError(f"{self.where}: no two samples in a row have timestamps without a gap between them")
        rate = float(f"{(counts - 1).sum() / known_s:.12g}")  # 100, not 99.99999999999999
        pieces = _on_grid(runs, counts, rate, even)
        gaps, bridged = _gaps(pieces, rate, even)
        timing = Timing(rate, self.step, jitter, self.largest, gaps, self.repeated, not even, *bridged)
        return Clock(timing, self.rows, self.first_stamp, pieces, drop)

    def _runs(self, late: _LateSteps) -> _Runs:
        """Return the runs between late steps.

        Raises:
            InputError: two of them lie more than a day apart.
        """
        row, before, after, repeated = np.concatenate(late.found, axis=1)
        lost = after - before
        if lost.size and lost.sum() > _LONGEST_UNKNOWN_S:
            worst = int(np.argmax(lost))
            raise InputError(
                f"{self.where}: time jumps by {lost[worst] / 3600:.3g} h at sample {row[worst]:.0f}: "
                "more than a day without samples is not one recording: split it there"
            )
        return _Runs(
            np.append(0.0, row),
            np.append(row, self.rows),
            np.append(self.first_stamp, after),
            np.append(before, self.last_stamp),
            np.diff(np.concatenate([[0.0], repeated, [self.repeated]])),
        )


def _on_grid(runs: _Runs, counts: FloatArray, rate: float, even: bool) -> tuple[Piece, ...]:
    """Return the runs as pieces of the grid: as they are on an even clock, else the grid points between their ends."""
    starts, ends = (rate * (stamps - runs.start_s[0]) for stamps in (runs.start_s, runs.end_s))
    pieces, done = list[Piece](), 0
    for i, (first, last) in enumerate(zip(runs.first, runs.last, strict=True)):
        frame = max(done, round(starts[i]) if even else math.ceil(starts[i] - 1e-6))
        n = int(counts[i]) if even else max(0, math.floor(ends[i] + 1e-6) + 1 - frame)
        pieces.append(Piece(int(first), int(last), frame, n))
        done = frame + n
    return tuple(pieces)


def bridged_at_most(rate: float) -> int:
    """Return up to how many missing samples in a row are filled in on an even clock."""
    return max(1, min(_BRIDGED_SAMPLES, math.floor(_BRIDGED_S * rate)))


def _gaps(
    pieces: tuple[Piece, ...], rate: float, even: bool
) -> tuple[tuple[tuple[float, float], ...], tuple[int, int]]:
    """Return the gaps (start_s, length_s), and how many places, and samples in them, are short enough to be bridged."""
    most = bridged_at_most(rate) if even else 0
    between = [(a.frame + a.n_frames, b.frame) for a, b in itertools.pairwise(pieces)]
    missing = [b - a for a, b in between if 0 < b - a <= most]
    gaps = tuple((a / rate, (b - a) / rate) for a, b in between if b - a > most)
    return gaps, (len(missing), sum(missing))


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
