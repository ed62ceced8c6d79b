"""What the tool does when, from energies of short steps: trigger on, idling between loads, coast-down, off.

A hand that handles a tool moves it below some 20 Hz; a tool has lines above. Energies that rise with frequency tell
the two apart at any loudness of the hand (`steep`), and fall with the sixth power of the speed where unbalance makes
the lines: as force with its square, and with the square of the frequency on top. The sixth root of that energy
follows the speed, so that its straight rise points back to the moment when the trigger was pulled, and the bend at
the end of its plateau is the moment when it was let go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray, running_median, split

ON, IDLING, COAST_DOWN, OFF, UNCLEAR = range(5)
STATE_NAMES = ("on", "idling", "coast-down", "off", "unclear")
_TRIGGERED = (ON, IDLING, UNCLEAR)

_SHORTEST_S = 0.1  # a switch of the trigger; what is shorter is a bump (no source)
_MEDIAN_STEPS = 5  # bumps of two steps change no level
_VISIBLE = 4.0  # times the floor's energy: 6 dB, from where on a rise or fall is the tool's own (no source)
_SPEED_ROOT = 1.0 / 6.0  # steep energy to speed
_FULL, _HALF = 0.9, 0.45  # of the speed: between them lies the fall that is looked at
_PLATEAU_S = 0.5  # before the trigger is let go
_FLOOR_S = 0.5
_LONGEST_COAST_S = 30.0  # nothing handheld turns longer by itself (no source)
_FAST_SHARE = 0.6  # of the weighted energy above some 30 Hz: the energy of lines, not of a hand
_GENTLE_S = 0.5  # over which that share is taken
_LOST = 0.02  # of the energy: 1 % of A(8)
_LOAD_DB = 8.0  # between idling and load (no source)
_DWELL_S = 1.0  # shortest idling that is said


@dataclass(frozen=True)
class StepEnergies:
    """Mean squares per step of `step_s` [m²/s⁴], shape (n_steps,): weighted total, its slow part, steep."""

    step_s: float
    weighted: FloatArray
    slow: FloatArray
    steep: FloatArray


@dataclass(frozen=True)
class TimeStructure:
    """The state of each step; `on` is the share of its time with the trigger on, `energy` that of its energy."""

    step_s: float
    state: NDArray[np.int8]
    on: FloatArray
    energy: FloatArray
    single_state: bool

    @cached_property
    def on_s(self) -> float:
        """Time with the trigger on [s]."""
        return float(self.on.sum()) * self.step_s

    def shares(self, state: int) -> tuple[FloatArray, FloatArray]:
        """Return the share of each step's time and of its energy that one state has."""
        own = (self.state == state).astype(np.float64)
        if state in _TRIGGERED:
            return own * self.on, own * self.energy
        if state == OFF:
            return own, own
        edge = np.where(np.isin(self.state, _TRIGGERED), 1.0 - self.on, 0.0)
        rest = np.where(np.isin(self.state, _TRIGGERED), 1.0 - self.energy, 0.0)
        return own + edge, own + rest


def one_state(step_s: float, n_steps: int) -> TimeStructure:
    """Return the structure of a recording that does one thing throughout."""
    whole = np.ones(n_steps)
    return TimeStructure(step_s, np.full(n_steps, ON, dtype=np.int8), whole, whole, True)


def time_structure(steps: StepEnergies) -> TimeStructure:
    """Return what the tool does when, its edges to 50 ms where they stand out."""
    n = steps.steep.size
    steep = np.maximum(steps.steep, 1e-12)
    if n < 2:
        return one_state(steps.step_s, n)
    found = split(np.sqrt(running_median(steep, _MEDIAN_STEPS)))
    shortest = max(1, round(_SHORTEST_S / steps.step_s))
    on = _without_short(found.on, shortest)
    if found.single_state or not on.any() or on.all():
        return one_state(steps.step_s, n)
    return _edged(steps, steep, on)


def _edged(steps: StepEnergies, steep: FloatArray, on: BoolArray) -> TimeStructure:
    """Return the structure with each switching moved to where the speed begins to rise and to fall."""
    n, step_s = steep.size, steps.step_s
    state = np.full(n, OFF, dtype=np.int8)
    share, energy = np.zeros(n), np.zeros(n)
    bounds = list(_runs(on))
    last_end = 0.0
    for i, (first, stop) in enumerate(bounds):
        following = bounds[i + 1][0] if i + 1 < len(bounds) else n
        before = bounds[i - 1][1] if i else 0
        floor = _floor(steep, before, first, stop, following, step_s)
        start = _pulled(steep, before, first, stop, floor) if first else 0.0
        start = max(start, last_end)
        end = _let_go(steep, max(first, int(start)), stop, following, step_s) if stop < n else float(n)
        rest = _at_rest(steep, end, following, floor, step_s)
        _mark(state, share, energy, start, end, rest)
        last_end = end
    return TimeStructure(step_s, state, share, energy, False)


def _mark(state: NDArray[np.int8], share: FloatArray, energy: FloatArray, start: float, end: float, rest: int) -> None:
    """Enter one stretch with the trigger on from `start` to `end` [steps] and its coast-down up to step `rest`."""
    a, b = int(start), min(int(np.ceil(end)), state.size)
    state[a:b] = ON
    share[a:b] = energy[a:b] = 1.0
    share[a] -= start - a
    share[b - 1] -= b - end
    energy[b - 1] -= b - end
    state[b:rest] = COAST_DOWN


def _floor(steep: FloatArray, before: int, first: int, stop: int, following: int, step_s: float) -> float:
    """Return the steep energy of the off time around a stretch: the lower quartile of what lies next to it."""
    near = round(_FLOOR_S / step_s)
    beside = np.concatenate([steep[max(before, first - near) : first], steep[max(stop, following - near) : following]])
    return float(np.sort(beside)[beside.size // 4]) if beside.size else 0.0


def _pulled(steep: FloatArray, before: int, first: int, stop: int, floor: float) -> float:
    """Return when the trigger was pulled [steps]: where the rising speed points back to rest."""
    seen = first
    while seen > before and steep[seen - 1] > _VISIBLE * floor and steep[seen - 1] < 2.0 * steep[seen]:
        seen -= 1
    top = float(np.sort(steep[first:stop][:20])[-max(1, min(stop - first, 20) // 5)])
    speed = np.maximum((steep[seen:stop] - floor) / top, 0.0) ** _SPEED_ROOT
    if speed[0] >= 0.6 or speed.size < 3:
        nxt = max(float(steep[min(seen + 1, stop - 1)]) - floor, 1e-30)
        return seen + 1.0 - min(1.0, max(float(steep[seen]) - floor, 0.0) / nxt)
    risen = int(np.argmax(speed >= min(speed[0] + 0.25, 0.9)))
    if risen == 0:
        return float(seen)
    slope = (speed[risen] - speed[0]) / risen
    back = min(speed[0] / slope, 2.0 * risen + 1.0)
    return float(max(seen + 0.5 - back, before))


def _let_go(steep: FloatArray, first: int, stop: int, following: int, step_s: float) -> float:
    """Return when the trigger was let go [steps]: where the speed leaves its plateau for good."""
    begin = max(first, stop - round(_PLATEAU_S / step_s))
    top = float(np.sort(steep[begin:stop])[(stop - begin) * 3 // 4])
    speed = (steep[begin:following] / top) ** _SPEED_ROOT
    inside = stop - begin
    below = np.flatnonzero(speed[inside:] < _HALF)
    low = inside + int(below[0]) if below.size else speed.size
    full = np.flatnonzero(speed[:low] >= _FULL)
    high = int(full[-1]) if full.size else 0
    if low - high <= 3:
        rest = np.minimum(speed[high + 1 : low + 1] ** (1.0 / _SPEED_ROOT), 1.0)
        return begin + high + 1.0 + float(rest.sum())
    risen = int(full[0]) if full.size else 0
    return begin + risen + _bend(speed[risen : low + 1])


def _bend(speed: FloatArray) -> float:
    """Return where a straight course bends down [steps]: least squares of two straight lines that meet."""
    time = np.arange(speed.size) + 0.5
    best, place = np.inf, float(speed.size)
    for at in np.arange(0.5, speed.size - 1.0, 0.5):
        basis = np.stack([np.ones_like(time), np.maximum(time - at, 0.0)])
        if at >= 8:
            basis = np.vstack([basis, time])
        fit, *_ = np.linalg.lstsq(basis.T, speed, rcond=None)
        error = float(np.square(speed - fit @ basis).sum())
        if error < best:
            best, place = error, float(at)
    return place


def _at_rest(steep: FloatArray, end: float, following: int, floor: float, step_s: float) -> int:
    """Return the first step after a coast-down in which the tool no longer stands out from the floor."""
    begin = int(np.ceil(end))
    most = min(following, begin + round(_LONGEST_COAST_S / step_s))
    still = np.flatnonzero(steep[begin:most] <= _VISIBLE * floor)
    return begin + int(still[0]) if still.size else most


def _runs(on: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield first and one past last of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _without_short(on: BoolArray, least: int) -> BoolArray:
    """Return the mask with stretches of True shorter than `least` steps gone, then gaps as short closed."""
    kept = on.copy()
    for first, stop in _runs(on):
        if stop - first < least:
            kept[first:stop] = False
    for first, stop in _runs(~kept):
        if stop - first < least and first > 0 and stop < on.size:
            kept[first:stop] = True
    return kept
