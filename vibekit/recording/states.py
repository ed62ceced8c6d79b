"""What the tool does when, from energies of short steps: trigger on, idling between loads, coast-down, off.

A hand that handles a tool moves it below some 20 Hz; a tool has lines above. Energies that rise with frequency tell
the two apart at any loudness of the hand (`steep`), and fall with the sixth power of the speed where unbalance makes
the lines: as force with its square, and with the square of the frequency on top. The sixth root of that energy
follows the speed, so that its straight rise points back to the moment when the trigger was pulled, and the bend at
the end of its plateau is the moment when it was let go.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray, middle, otsu, running_median, split

ON, IDLING, UNCLEAR, COAST_DOWN, OFF, UNKNOWN = range(6)
STATE_NAMES = ("on", "idling", "unclear", "coast-down", "off", "unknown")
_TRIGGERED = (ON, IDLING, UNCLEAR)

_SHORTEST_S = 0.1  # a switch of the trigger; what is shorter is a bump (no source)
_MEDIAN_STEPS = 5  # bumps of two steps change no level
_VISIBLE = 6.0  # times the floor's energy: 8 dB, from where on a rise or fall is the tool's own (no source)
_SPEED_ROOT = 1.0 / 5.0  # steep energy to speed: the sixth power of it for lines, the fourth for noise of fixed bands
_WEIGHTY = (1.0 / 6.0) ** _SPEED_ROOT  # place in a step of its mean level, where the speed rises in it from rest: ∫t⁵
_FULL, _HALF = 0.93, 0.6  # of the speed: between them lies the fall that is looked at
_DIP = 0.75  # of the speed around: a fall that is no wandering of speed or load (no source)
_SLOWER = 0.85  # of the mean frequency around
_DIP_BEFORE_S, _DIP_AFTER_S = 1.5, 0.6  # a tool coasts for longer than it runs up
_LOOK = 9  # steps, 0.14 s, over which a speed is taken as even ...
_PLATEAU = 0.6  # of the largest speed nearby: no lull between two resonances, but running free after a load
_SLOWED = 1.05  # half a second before: a coast-down of 5 s, beside work that wanders by less
_LOADED = 1.35  # a coast-down that slow does not lose more in half a second; as load is taken off the level does
_NEAR = 96  # steps, 1.5 s, within which nothing louder than the plateau by much may lie
_GROWS = 1.02  # ... unless it grew by so much since the look before
_LEAST_ERROR = 1e-5  # mean square of what no straight line explains, relative
_MOST_POINTS = 40  # of a fitted course
_FELT = 2.0  # times the weighted energy before: 3 dB
_FLAT_ROOT = 1.0 / 4.0  # flat energy to speed: force goes with its square
_CLEAR = 100.0  # times the energy of rest: 20 dB, where the flat energy is free of the hand's motion
_STILL_TURNING = 0.4**5  # of the steep energy: a tool pulled up again before it came to rest
_FLOOR_S = 0.5
_LONGEST_COAST_S = 30.0  # nothing handheld turns longer by itself (no source)
_FAST_SHARE = 0.6  # of the weighted energy above some 30 Hz: the energy of lines, not of a hand
_GENTLE_S = 0.5  # over which that share is taken
_SHORTEST_LOST_S = 0.25  # no bump
_LOST = 0.02  # of the energy: 1 % of A(8)
_GENTLEST = 0.1  # of the mean energy of such parts: what lies below is rest between them
_FALLS, _SLOWS = 0.8, 0.97  # of steep energy and mean frequency a second before: a coast-down of 30 s falls by more
_STEADY = 4.0  # times: 6 dB, less than between idling and load, or than a dip
_LOAD_DB = 8.0  # between idling and load (no source)
_DWELL_S = 1.0  # shortest idling that is said


@dataclass(frozen=True)
class StepEnergies:
    """Mean squares per step of `step_s` [m²/s⁴], shape (n_steps,): weighted total, its slow part, flat and steep.

    `flat` is unweighted, `steep` rises with the square of the frequency on top.
    """

    step_s: float
    weighted: FloatArray
    slow: FloatArray
    flat: FloatArray
    steep: FloatArray


@dataclass(frozen=True)
class TimeStructure:
    """The state of each step; `on` is the share of its time with the trigger on, `energy` that of its energy.

    `known` is the share of each step whose samples are there: what is lost has no state.
    """

    step_s: float
    state: NDArray[np.int8]
    on: FloatArray
    energy: FloatArray
    single_state: bool
    known: FloatArray

    @cached_property
    def on_s(self) -> float:
        """Time with the trigger on [s]."""
        return float((self.on * self.known).sum()) * self.step_s

    @property
    def states(self) -> list[int]:
        """The states that occur."""
        found = np.flatnonzero(np.bincount(self.state[self.known > 0])).tolist()
        return [*found, *([UNKNOWN] if (self.known < 1).any() else [])]

    def lies_in(self, state: int) -> BoolArray:
        """Return the steps in a state; those that are partly lost are in `UNKNOWN` as well."""
        return self.known < 1 if state == UNKNOWN else (self.state == state) & (self.known > 0)

    def shares(self, state: int) -> tuple[FloatArray, FloatArray]:
        """Return the share of each step's time and of its energy that one state has."""
        if state == UNKNOWN:
            return 1.0 - self.known, 1.0 - self.known
        time, energy = self._of_known(state)
        return time * self.known, energy * self.known

    def _of_known(self, state: int) -> tuple[FloatArray, FloatArray]:
        own = (self.state == state).astype(np.float64)
        if state in _TRIGGERED:
            return own * self.on, own * self.energy
        if state != COAST_DOWN:
            return own, own
        edges = np.isin(self.state, _TRIGGERED)  # what is left of them belongs to the coast-down
        return own + np.where(edges, 1.0 - self.on, 0.0), own + np.where(edges, 1.0 - self.energy, 0.0)


def one_state(step_s: float, n_steps: int) -> TimeStructure:
    """Return the structure of a recording that does one thing throughout."""
    whole = np.ones(n_steps)
    return TimeStructure(step_s, np.full(n_steps, ON, dtype=np.int8), whole, whole, True, whole)


def time_structure(steps: StepEnergies) -> TimeStructure:
    """Return what the tool does when, its edges to 50 ms where they stand out."""
    if _steady(steps):
        return one_state(steps.step_s, steps.steep.size)
    on = _switched(steps)
    if on.all():
        return _idling(one_state(steps.step_s, on.size), steps)
    return _idling(_nothing_lost(_edged(steps, on), steps), steps)


def _steady(steps: StepEnergies) -> bool:
    """Tell whether nothing can be found: no five steps differ by as much as the least of all changes of state."""
    if steps.steep.size < 2:
        return True
    levels = [_running_mean(row, _MEDIAN_STEPS) for row in (steps.steep, steps.flat)]
    return all(bool(level.max() < _STEADY * level.min()) for level in levels)


def _switched(steps: StepEnergies) -> BoolArray:
    """Return in which steps the tool runs, coast-down counted in as far as it is loud; True throughout where always."""
    smooth = running_median(steps.steep, _MEDIAN_STEPS)
    found = split(np.sqrt(smooth))
    on = _without_short(found.on, max(1, round(_SHORTEST_S / steps.step_s)))
    on = _confirmed(on, steps)
    if found.single_state or not on.any():
        on = np.ones(on.shape, dtype=bool)
    steep, flat = (running_median(row, _LOOK) for row in (steps.steep, steps.flat))
    return np.asarray(on & ~_dips(steep, flat, on, steps.step_s))


def _nothing_lost(found: TimeStructure, steps: StepEnergies) -> TimeStructure:
    """Return the structure in which a part outside the on-time that shakes like a tool counts as on.

    That is what holds more than 2 % of the energy, for a quarter of a second at least, mostly above the hand's own
    motion: a gentler tool, idling between loads, or what only looks like rest beside one very loud.
    """
    width = max(1, round(_GENTLE_S / steps.step_s))
    level, slow = _running_mean(steps.weighted, width), _running_mean(steps.slow, width)
    likely = (found.state == OFF) & (level - slow > _FAST_SHARE * level)
    inside = float((steps.weighted * found.energy).sum())
    if not likely.any() or steps.weighted[likely].sum() <= _LOST * inside:
        return found
    likely &= level > _GENTLEST * steps.weighted[likely].mean()
    lost = _without_short(likely, round(_SHORTEST_LOST_S / steps.step_s)) & (found.state == OFF)
    if steps.weighted[lost].sum() <= _LOST * inside:
        return found
    state, on, energy = found.state.copy(), found.on.copy(), found.energy.copy()
    state[lost] = UNCLEAR
    on[lost] = energy[lost] = 1.0
    for first, stop in _runs(lost):  # what leads down to it from a load is no coast-down to rest
        before = _runs_back(state, first)
        if (first > 0 and state[before - 1] in (ON, IDLING)) or (stop < state.size and state[stop] == ON):
            state[before:stop] = IDLING
            on[before:stop] = energy[before:stop] = 1.0
    return replace(found, state=state, on=on, energy=energy)


def _runs_back(state: NDArray[np.int8], first: int) -> int:
    """Return where the coast-down that ends at a step begins."""
    while first > 0 and state[first - 1] == COAST_DOWN:
        first -= 1
    return first


def _idling(found: TimeStructure, steps: StepEnergies) -> TimeStructure:
    """Return the structure in which long parts of the on-time far below the rest are idling between loads."""
    width = max(1, round(_DWELL_S / steps.step_s))
    level = np.sqrt(running_median(steps.flat, _LOOK))
    inside = found.state == ON
    if inside.sum() < 4 * width or not level[inside].max() > 0:
        return found
    cut = otsu(20.0 * np.log10(np.maximum(level[inside], 1e-12)))
    low = inside & (level <= 10.0 ** (cut / 20.0))
    if not low.any() or not (inside & ~low).any():
        return found
    contrast = middle(level[inside & ~low]) / middle(level[low])
    idle = _without_short(low, width) & inside
    if contrast < 10.0 ** (_LOAD_DB / 20.0) or not idle.any():
        return found
    return replace(found, state=np.where(idle, np.int8(IDLING), found.state))


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Return the mean over `width` neighbours, fewer at the ends."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    first, stop = np.maximum(at - width // 2, 0), np.minimum(at - width // 2 + width, values.size)
    return np.asarray((sums[stop] - sums[first]) / (stop - first))


def _confirmed(on: BoolArray, steps: StepEnergies) -> BoolArray:
    """Return the mask without stretches that a resonance makes as a coast-down passes it, little felt."""
    fast = np.maximum(steps.weighted - steps.slow, 0.0)
    near, kept = round(_FLOOR_S / steps.step_s), on.copy()
    bounds = list(_runs(on))
    for i, (first, stop) in enumerate(bounds):
        before = fast[max(first - near, bounds[i - 1][1] if i else 0) : first]
        if before.size and fast[first:stop].mean() < _FELT * before.mean():
            kept[first:stop] = False
    return kept


def _dips(steep: FloatArray, flat: FloatArray, on: BoolArray, step_s: float) -> BoolArray:
    """Return where a tool that does not come to rest is let go: speed and level fall together, then rise fast.

    Under load the speed falls while the level rises; as the load goes both turn back.
    """
    speed = np.where(on, steep, 0.0) ** _SPEED_ROOT
    before, after = (max(1, round(seconds / step_s)) for seconds in (_DIP_BEFORE_S, _DIP_AFTER_S))
    left, right = _largest(speed, before, 0), _largest(speed, 0, after)
    low = on & (speed < _DIP * np.minimum(left, right))
    dips = np.zeros(on.size, dtype=bool)
    rate = np.sqrt(steep / np.maximum(flat, 1e-12))
    for first, stop in _runs(low):
        bottom = first + int(np.argmin(speed[first:stop]))
        around = ((max(0, bottom - before), bottom), (bottom, bottom + after))
        tops = [a + int(np.argmax(speed[a:b])) for a, b in around if a < b]
        if rate[bottom] < _SLOWER * rate[tops].min():
            dips[first:stop] = speed[first:stop] < 0.5 * (speed[bottom] + speed[tops].min())
    return dips


def _largest(values: FloatArray, before: int, after: int) -> FloatArray:
    """Return the largest of each value, `before` earlier and `after` later ones."""
    padded = np.pad(values, (before, after))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, before + after + 1).max(axis=-1))


def _edged(steps: StepEnergies, on: BoolArray) -> TimeStructure:
    """Return the structure with each switching moved to where the speed begins to rise and to fall."""
    steep, flat, rate = steps.steep, steps.flat, np.sqrt(steps.steep / steps.flat)
    n, step_s = steep.size, steps.step_s
    state = np.full(n, OFF, dtype=np.int8)
    share, energy = np.zeros(n), np.zeros(n)
    bounds = list(_runs(on))
    at_rest, last_end = middle(flat[~on]), 0.0
    for i, (first, stop) in enumerate(bounds):
        following = bounds[i + 1][0] if i + 1 < len(bounds) else n
        before = bounds[i - 1][1] if i else 0
        floor = _floor(steep, before, first, stop, following, step_s)
        start = _pulled(steep, before, first, stop, floor) if first else 0.0
        start = max(start, last_end)
        over = stop < n or _falls(steep, rate, first)
        clear = flat[first:stop].max() > _CLEAR * at_rest
        course = flat**_FLAT_ROOT if clear else steep**_SPEED_ROOT
        end = _let_go(course, rate, max(first, int(start)), stop, following) if over else float(n)
        end = max(end, start)
        rest = _at_rest(steep, rate, end, following, floor, step_s)
        _mark(state, share, energy, start, end, rest)
        last_end = end
    return TimeStructure(step_s, state, share, energy, False, np.ones(state.size))


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
    """Return the steep energy of the off time around a stretch: the middle of what lies next to it."""
    near = round(_FLOOR_S / step_s)
    beside = np.concatenate([steep[max(before, first - near) : first], steep[max(stop, following - near) : following]])
    return float(np.sort(beside)[beside.size // 2]) if beside.size else 0.0


def _pulled(steep: FloatArray, before: int, first: int, stop: int, floor: float) -> float:
    """Return when the trigger was pulled [steps]: where the rising speed points back to rest."""
    quietest = before + int(np.argmin(steep[before:first]))
    if steep[quietest] > _STILL_TURNING * float(np.sort(steep[first:stop][:20])[-1]):
        return quietest + 0.5
    seen = first
    while seen > before and steep[seen - 1] > _VISIBLE * floor and steep[seen - 1] < 2.0 * steep[seen]:
        seen -= 1
    top = float(np.sort(steep[first:stop][:20])[-max(1, min(stop - first, 20) // 5)])
    speed = np.maximum((steep[seen:stop] - floor) / top, 0.0) ** _SPEED_ROOT
    if speed[0] >= 0.6 or speed.size < 3:
        nxt = max(float(steep[min(seen + 1, stop - 1)]) - floor, 1e-30)
        return seen + 1.0 - min(1.0, max(float(steep[seen]) - floor, 0.0) / nxt)
    risen = int(np.argmax(speed >= min(max(speed[0] + 0.15, 2.0 * speed[0]), 0.9)))
    risen = max(risen, min(2, speed.size - 1))
    if risen == 0:
        return float(seen)
    time = np.arange(risen + 1) + 0.5
    time[0] = _WEIGHTY
    slope, level = np.polyfit(time, speed[: risen + 1], 1)
    return float(max(seen - level / slope, before)) if slope > 0 else float(seen)


def _let_go(course: FloatArray, rate: FloatArray, first: int, stop: int, following: int) -> float:
    """Return when the trigger was let go [steps]: where the speed leaves its plateau for good.

    The plateau is found by going back from where the tool is nearly at rest as long as the speed grows that way.
    """
    speed = course[first:following]
    even, pitch = (running_median(row, _MEDIAN_STEPS) for row in (speed, rate[first:following]))
    top = stop - first
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
    high = begin + int(full[-1]) if full.size else begin
    if low - high <= 3:
        left = np.minimum((speed[high + 1 : low + 1] / plateau) ** 4, 1.0)
        return first + high + 1.0 + float(left.sum())
    begin = max(begin - 2 * _LOOK, 0)
    full = np.flatnonzero(even[begin:low] >= _HALF * plateau)
    begin += int(full[0]) if full.size else 0
    thin = max(1, (low - begin) // _MOST_POINTS + 1)
    return first + begin + thin * _bend(_thinned(even[begin : low + 1], thin), _thinned(pitch[begin : low + 1], thin))


def _slowing(level: FloatArray, pitch: FloatArray, top: int) -> bool:
    """Tell whether level and mean frequency fell over half a second, the latter steadily: a long coast-down."""
    if top < 5 * _LOOK:
        return False
    looks = slice(top - 5 * _LOOK, top)
    speeds, pitches = (row[looks].reshape(5, _LOOK).mean(axis=1) for row in (level, pitch))
    steadily = bool((np.diff(pitches) < 0).all()) and pitches[0] > _SLOWED * pitches[-1]
    return steadily and _SLOWED < float(speeds[0] / speeds[-1]) < _LOADED


def _falls(steep: FloatArray, rate: FloatArray, first: int) -> bool:
    """Tell whether a recording ends in a coast-down: level and mean frequency are both well below what they were."""
    near, last = (
        slice(max(first, steep.size - _NEAR * 2), steep.size),
        slice(max(first, steep.size - _LOOK), steep.size),
    )
    level, pitch = (
        float(running_median(row[last], _MEDIAN_STEPS).mean() / np.quantile(row[near], 0.9)) for row in (steep, rate)
    )
    return level**_SPEED_ROOT < _DIP and pitch < _SLOWER


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


def _at_rest(steep: FloatArray, rate: FloatArray, end: float, following: int, floor: float, step_s: float) -> int:
    """Return the first step after a coast-down: the tool no longer stands out from the floor, or slows no further.

    A resonance holds the level up as the speed passes it, not the mean frequency `rate`.
    """
    begin = int(np.ceil(end))
    most = min(following, begin + round(_LONGEST_COAST_S / step_s))
    still = np.flatnonzero(steep[begin:most] <= _VISIBLE * floor)
    rest = begin + int(still[0]) if still.size else most
    half = round(_DWELL_S / step_s)
    for at in range(begin + half, rest - half, half // 4):
        later, earlier = slice(at, at + half), slice(at - half, at)
        level, pitch = (row[later].mean() / row[earlier].mean() for row in (steep, rate))
        if level > _FALLS and pitch > _SLOWS:
            return at - half
    return rest


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
