"""A tool that coasts down: when it was let go, and when it is at rest."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median

SPEED_ROOT = 1.0 / 5.0  # steep energy to speed: the sixth power of it for lines, the fourth for noise of fixed bands
VISIBLE = 6.0  # times the floor's energy: 8 dB, from where on a rise or fall is the tool's own (no source)
_MEDIAN_STEPS = 5  # bumps of two steps change no level
_FULL, _HALF = 0.93, 0.6  # of the speed: between them lies the fall that is looked at (no source)
_SHARP = 3  # steps from full to half speed: stopped, not coasting
_DIP = 0.75  # of the speed around: a fall that is no wandering of speed or load (no source)
_SLOWER = 0.85  # of the mean frequency around (no source)
_LOOK = 9  # steps, 0.14 s, over which a speed is taken as even ...
_PLATEAU = 0.6  # of the largest speed nearby: no lull between two resonances, but running free after a load
_SLOWED = 1.05  # half a second before: a coast-down of 5 s, beside work that wanders by less
_LOADED = 1.35  # a coast-down that slow does not lose more in half a second; as load is taken off the level does
_NEAR = 96  # steps, 1.5 s, within which nothing louder than the plateau by much may lie
_GROWS = 1.02  # ... unless it grew by so much since the look before
_LEAST_ERROR = 1e-5  # mean square of what no straight line explains, relative
_MOST_POINTS = 40  # of a fitted course
_LONGEST_COAST_S = 30.0  # nothing handheld turns longer by itself (no source)
_LONG_S = 1.0  # over which level and mean frequency of a coast-down are compared with those before (no source)
_FALLS, _SLOWS = 0.8, 0.97  # of steep energy and mean frequency a second before: a coast-down of 30 s falls by more


@dataclass(frozen=True)
class Fall:
    """Where a speed leaves its plateau for good [steps]: looked at from `begin`, last full at `high`, half at `low`."""

    begin: int
    high: int
    low: int
    plateau: float

    @property
    def sharp(self) -> bool:
        """Whether the tool is stopped, and does not coast."""
        return self.low - self.high <= _SHARP


def fall_of(speed: FloatArray, rate: FloatArray, top: int) -> Fall:
    """Return where a speed leaves its plateau, which lies before step `top`.

    The plateau is found by going back from where the tool is nearly at rest as long as the speed grows that way.
    """
    even, pitch = (running_median(row, _MEDIAN_STEPS) for row in (speed, rate))
    while top >= 2 * _LOOK:
        here, earlier = even[top - _LOOK : top].mean(), even[top - 2 * _LOOK : top - _LOOK].mean()
        even_here = earlier <= _GROWS * here and here >= _PLATEAU * even[max(0, top - _NEAR) : top].max()
        if even_here and not _slowing(even, pitch, top):
            break
        top -= _LOOK // 3
    begin = max(0, top - _LOOK)
    plateau = float(np.sort(speed[begin:top])[(top - begin) * 2 // 3])
    below = np.flatnonzero(speed[top:] < _HALF * plateau)
    low = top + int(below[0]) if below.size else begin + int(np.argmin(speed[begin:]))
    full = np.flatnonzero(speed[begin:low] >= _FULL * plateau)
    return Fall(begin, begin + int(full[-1]) if full.size else begin, low, plateau)


def let_go(speed: FloatArray, rate: FloatArray, fall: Fall) -> float:
    """Return when a tool that coasts down was let go [steps]: where its speed bends down."""
    even, pitch = (running_median(row, _MEDIAN_STEPS) for row in (speed, rate))
    begin, low = max(fall.begin - 2 * _LOOK, 0), fall.low
    full = np.flatnonzero(even[begin:low] >= _HALF * fall.plateau)
    begin += int(full[0]) if full.size else 0
    thin = max(1, (low - begin) // _MOST_POINTS + 1)
    return begin + thin * _bend(_thinned(even[begin : low + 1], thin), _thinned(pitch[begin : low + 1], thin))


def _slowing(level: FloatArray, pitch: FloatArray, top: int) -> bool:
    """Tell whether level and mean frequency fell over half a second, the latter steadily: a long coast-down."""
    if top < 5 * _LOOK:
        return False
    looks = slice(top - 5 * _LOOK, top)
    speeds, pitches = (row[looks].reshape(5, _LOOK).mean(axis=1) for row in (level, pitch))
    steadily = bool((np.diff(pitches) < 0).all()) and pitches[0] > _SLOWED * pitches[-1]
    return steadily and _SLOWED < float(speeds[0] / speeds[-1]) < _LOADED


def falls(steep: FloatArray, rate: FloatArray, first: int) -> bool:
    """Tell whether a recording ends in a coast-down: level and mean frequency are both well below what they were."""
    near, last = (slice(max(first, steep.size - length), steep.size) for length in (2 * _NEAR, _LOOK))
    level, pitch = (
        float(running_median(row[last], _MEDIAN_STEPS).mean() / np.quantile(row[near], 0.9)) for row in (steep, rate)
    )
    return level**SPEED_ROOT < _DIP and pitch < _SLOWER


def _thinned(values: FloatArray, by: int) -> FloatArray:
    """Return the means of `by` neighbours each."""
    whole = values.size // by * by
    return np.asarray(values[:whole].reshape(-1, by).mean(axis=1))


def _bend(values: FloatArray, rate: FloatArray) -> float:
    """Return where a speed that may rise and then stays even bends down: least squares of straight lines that meet.

    `rate` is the mean frequency, which bends at the same place; each counts by its own scatter (maximum likelihood).
    """
    if values.size < 5:
        return float(np.argmax(values)) + 0.5
    places, bases, slopes = _three_lines(values.size)
    error = np.zeros(places.size)
    for i, course in enumerate((values, rate)):
        course = course / course.mean() - 1.0
        parts = bases @ course
        error += np.log(np.maximum(course @ course - np.square(parts).sum(axis=1), 0.0) / course.size + _LEAST_ERROR)
        if i == 0:  # the level rises first and falls last
            turned = (slopes @ parts[:, :, None])[:, 1:, 0]
            error[(turned > 0).any(axis=1)] = np.inf
    return float(places[np.argmin(error)])


@lru_cache(maxsize=_MOST_POINTS)
def _three_lines(n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return places of the last bend in `n` points, orthonormal bases (n_places, 3, n), and what makes slopes of them.

    The lines are even, with a rise before and a fall after; slopes are those against time, both turned round.
    """
    time = np.arange(n) + 0.5
    pairs = [(up, down) for down in np.arange(1.0, n - 1.0, 0.5) for up in np.arange(0.0, down + 0.5, 1.0)]
    bases = np.zeros((len(pairs), n, 3))
    for basis, (up, down) in zip(bases, pairs, strict=True):
        rise = np.maximum(up - time, 0.0) * (up >= 2)  # no rise from one point
        basis[:] = np.stack([np.ones(n), rise, np.maximum(time - down, 0.0)]).T
    q, r = np.linalg.qr(bases)
    size = np.abs(np.diagonal(r, axis1=1, axis2=2)) > 1e-9
    q *= size[:, None, :]
    r += np.where(size, 0.0, 1.0)[:, :, None] * np.eye(3)
    places = np.array([down for _, down in pairs])
    return places, np.swapaxes(q, 1, 2).astype(np.float32), np.linalg.inv(r).astype(np.float32)


def at_rest(steep: FloatArray, rate: FloatArray, end: float, following: int, floor: float, step_s: float) -> int:
    """Return the first step after a coast-down: the tool no longer stands out from the floor, or slows no further.

    A resonance holds the level up as the speed passes it, not the mean frequency `rate`.
    """
    begin = int(np.ceil(end))
    most = min(following, begin + round(_LONGEST_COAST_S / step_s))
    still = np.flatnonzero(steep[begin:most] <= VISIBLE * floor)
    rest = begin + int(still[0]) if still.size else most
    half = round(_LONG_S / step_s)
    for at in range(begin + half, rest - half, half // 4):
        later, earlier = slice(at, at + half), slice(at - half, at)
        level, pitch = (row[later].mean() / row[earlier].mean() for row in (steep, rate))
        if level > _FALLS and pitch > _SLOWS:
            return at - half
    return rest
