"""What the tool does when, from energies of short steps: trigger on, idling between loads, coast-down, off.

A hand that handles a tool moves it below some 20 Hz; a tool has lines above. Energies that rise with frequency tell
the two apart at any loudness of the hand (`steep`). Where a burst begins and ends to a part of a step: `edges`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.coasting import SPEED_ROOT
from vibekit.recording.edges import Burst, bursts
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray, middle, otsu, running_median, split
from vibekit.recording.steps import StepEnergies, largest, running_mean, runs, without_short

ON, IDLING, UNCLEAR, COAST_DOWN, OFF, UNKNOWN = range(6)
STATE_NAMES = ("on", "idling", "unclear", "coast-down", "off", "unknown")
_TRIGGERED = (ON, IDLING, UNCLEAR)

_SHORTEST_S = 0.1  # a switch of the trigger; what is shorter is a bump (no source)
_MEDIAN_STEPS = 5  # bumps of two steps change no level
_LOOK = 9  # steps, 0.14 s, over which a level is taken
_SLOW_EDGE_S = 0.05  # by which a run-up or coast-down may be misplaced: tests.benchmarks.bursts, nine of ten
_DIP = 0.75  # of the speed around: a fall that is no wandering of speed or load (no source)
_SLOWER = 0.85  # of the mean frequency around (no source)
_SHALLOW, _LITTLE_SLOWER = 0.87, 0.94  # the same for what may be the trigger let go, or not (no source)
_MUCH = 0.05  # of the time with the trigger on: so much that may be coast-down is said (no source)
_DIP_BEFORE_S, _DIP_AFTER_S = 1.5, 0.6  # a tool coasts for longer than it runs up (no source)
_FELT = 2.0  # times the weighted energy before: 3 dB (no source)
_BEFORE_S = 0.5  # over which that energy is taken (no source)
_FAST_SHARE = 0.6  # of the weighted energy above some 30 Hz: the energy of lines, not of a hand (no source)
_GENTLE_S = 0.5  # over which that share is taken (no source)
_SHORTEST_LOST_S = 0.25  # no bump, no gap between two moments of work (no source)
_LOST = 0.02  # of the energy: 1 % of A(8)
_GENTLEST = 0.1  # of the mean energy of such parts: what lies below is rest between them (no source)
_FADED = 0.4  # of the energy it begins with: 4 dB, no gentler tool (no source)
_STEADY = 4.0  # times: 6 dB, less than between idling and load, or than a dip (no source)
_LOAD_DB = 8.0  # between idling and load (no source)
_DWELL_S = 1.0  # shortest idling that is said (no source)


@dataclass(frozen=True)
class TimeStructure:
    """The state of each step; `on` is the share of its time with the trigger on, `energy` that of its energy.

    `known` is the share of each step whose samples are there: what is lost has no state. `doubt_s` is by how much the
    time with the trigger on may be longer or shorter, for run-ups and coast-downs [s].
    """

    step_s: float
    state: NDArray[np.int8]
    on: FloatArray
    energy: FloatArray
    single_state: bool
    known: FloatArray
    doubt_s: float = 0.0

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
        left = (self._beside == state) & np.isin(self.state, _TRIGGERED)  # of steps that an edge divides
        return own + np.where(left, 1.0 - self.on, 0.0), own + np.where(left, 1.0 - self.energy, 0.0)

    @cached_property
    def _beside(self) -> NDArray[np.int8]:
        """The state after each step, before it where the trigger is on after it."""
        after, before = (np.append(self.state[1:], OFF), np.append(OFF, self.state[:-1]))
        return np.where(np.isin(after, _TRIGGERED), before, after)


def one_state(step_s: float, n_steps: int) -> TimeStructure:
    """Return the structure of a recording that does one thing throughout."""
    whole = np.ones(n_steps)
    return TimeStructure(step_s, np.full(n_steps, ON, dtype=np.int8), whole, whole, True, whole)


def time_structure(steps: StepEnergies) -> TimeStructure:
    """Return what the tool does when, its edges to 50 ms where they stand out."""
    if _steady(steps):
        return one_state(steps.step_s, steps.steep.size)
    on = _switched(steps)
    found = one_state(steps.step_s, on.size)
    if not on.all():
        found = _nothing_lost(_marked(bursts(steps, on), steps), steps)
    return _idling(_perhaps_let_go(found, steps), steps)


def _marked(found: Sequence[Burst], steps: StepEnergies) -> TimeStructure:
    """Return the structure that bursts make; of a step that an edge divides, each side has its neighbour's level."""
    n, weighted = steps.weighted.size, steps.weighted
    state = np.full(n, OFF, dtype=np.int8)
    share, energy = np.zeros(n), np.zeros(n)
    for burst in found:
        a, b = int(burst.start), min(int(np.ceil(burst.end)), n)
        state[a:b], state[b : burst.rest] = ON, COAST_DOWN
        share[a:b] = 1.0
        share[a] -= burst.start - a
        share[b - 1] -= b - burst.end
        energy[a:b] = share[a:b]
        for edge, inner, outer in ((a, a + 1, a - 1), (b - 1, b - 2, b)):
            if b - a > 1 and 0 <= outer < n:
                inside, outside = share[edge] * weighted[inner], (1.0 - share[edge]) * weighted[outer]
                energy[edge] = inside / max(inside + outside, 1e-30)
    return TimeStructure(
        steps.step_s, state, share, energy, False, np.ones(n), _SLOW_EDGE_S * sum(b.slow for b in found)
    )


def _steady(steps: StepEnergies) -> bool:
    """Tell whether nothing can be found: no five steps differ by as much as the least of all changes of state."""
    if steps.steep.size < 2:
        return True
    levels = [running_mean(row, _MEDIAN_STEPS) for row in (steps.steep, steps.flat)]
    return all(bool(level.max() < _STEADY * level.min()) for level in levels)


def _switched(steps: StepEnergies) -> BoolArray:
    """Return in which steps the tool runs, coast-down counted in as far as it is loud; True throughout where always."""
    smooth = running_median(steps.steep, _MEDIAN_STEPS)
    found = split(np.sqrt(smooth))
    on = without_short(found.on, max(1, round(_SHORTEST_S / steps.step_s)))
    on = _confirmed(on, steps)
    if found.single_state or not on.any():
        on = np.ones(on.shape, dtype=bool)
    return np.asarray(on & ~_dips(steps, on, _DIP, _SLOWER))


def _perhaps_let_go(found: TimeStructure, steps: StepEnergies) -> TimeStructure:
    """Return the structure in which a little dip of speed and level is unclear: pulls too short for coming to rest.

    A recording without any rest is of work that goes on, whose load and speed wander.
    """
    on = found.state == ON
    if (found.state == OFF).sum() * steps.step_s < _SHORTEST_LOST_S:
        return found
    unclear = on & _dips(steps, on, _SHALLOW, _LITTLE_SLOWER)
    for first, stop in list(runs(unclear)):  # a run-up or coast-down that is known as such has its edge nearby
        unclear[first:stop] = on[max(first - 1, 0)] and on[min(stop, on.size - 1)]
    if unclear.sum() <= _MUCH * on.sum():
        return found
    return replace(found, state=np.where(unclear, np.int8(UNCLEAR), found.state), single_state=False)


def _nothing_lost(found: TimeStructure, steps: StepEnergies) -> TimeStructure:
    """Return the structure in which a part outside the on-time that shakes like a tool counts as on.

    That is what holds more than 2 % of the energy, for a quarter of a second at least, mostly above the hand's own
    motion: a gentler tool, idling between loads, or what only looks like rest beside one very loud.
    """
    width = max(1, round(_GENTLE_S / steps.step_s))
    off = found.state == OFF
    time = np.maximum(running_mean(off.astype(np.float64), width), 1e-9)
    level, slow = (running_mean(row * off, width) / time for row in (steps.weighted, steps.slow))
    likely = off & (level - slow > _FAST_SHARE * level)
    inside = float((steps.weighted * found.energy).sum())
    if not likely.any() or steps.weighted[likely].sum() <= _LOST * inside:
        return found
    likely &= level > _GENTLEST * steps.weighted[likely].mean()
    lost = without_short(likely, round(_SHORTEST_LOST_S / steps.step_s)) & (found.state == OFF)
    state = found.state.copy()
    for first, stop in list(runs(lost)):
        if first > 0 and state[first - 1] == COAST_DOWN and _fading(steps.weighted[first:stop], steps.step_s):
            state[first:stop], lost[first:stop] = COAST_DOWN, False
    if steps.weighted[lost].sum() <= _LOST * inside:
        return replace(found, state=state)
    on, energy = found.on.copy(), found.energy.copy()
    state[lost] = UNCLEAR
    on[lost] = energy[lost] = 1.0
    for first, stop in runs(lost):  # what leads down to it from a load is no coast-down to rest
        before = _runs_back(state, first)
        if (first > 0 and state[before - 1] in (ON, IDLING)) or (stop < state.size and state[stop] == ON):
            state[before:stop] = IDLING
            on[before:stop] = energy[before:stop] = 1.0
    return replace(found, state=state, on=on, energy=energy)


def _fading(energy: FloatArray, step_s: float) -> bool:
    """Tell whether a short stretch after a coast-down is the end of it: it falls to much less than it begins with."""
    level = running_mean(energy, _MEDIAN_STEPS)
    return energy.size <= _DWELL_S / step_s and bool(level.min() < _FADED * level[:_MEDIAN_STEPS].mean())


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
    idle = without_short(low, width) & inside
    if contrast < 10.0 ** (_LOAD_DB / 20.0) or not idle.any():
        return found
    return replace(found, state=np.where(idle, np.int8(IDLING), found.state))


def _confirmed(on: BoolArray, steps: StepEnergies) -> BoolArray:
    """Return the mask without stretches that a resonance makes as a coast-down passes it, little felt."""
    fast = np.maximum(steps.weighted - steps.slow, 0.0)
    near, kept = round(_BEFORE_S / steps.step_s), on.copy()
    bounds = list(runs(on))
    for i, (first, stop) in enumerate(bounds):
        before = fast[max(first - near, bounds[i - 1][1] if i else 0) : first]
        if before.size and fast[first:stop].mean() < _FELT * before.mean():
            kept[first:stop] = False
    return kept


def _dips(steps: StepEnergies, on: BoolArray, least: float, slower: float) -> BoolArray:
    """Return where a tool that does not come to rest is let go: speed and level fall together, then rise fast.

    The speed falls below `least` of what it is around, the mean frequency below `slower` of that. Under load the speed
    falls while the level rises; as the load goes both turn back.
    """
    steep, flat = (running_median(row, _LOOK) for row in (steps.steep, steps.flat))
    speed = np.where(on, steep, 0.0) ** SPEED_ROOT
    before, after = (max(1, round(seconds / steps.step_s)) for seconds in (_DIP_BEFORE_S, _DIP_AFTER_S))
    low = on & (speed < least * np.minimum(largest(speed, before, 0), largest(speed, 0, after)))
    dips = np.zeros(on.size, dtype=bool)
    rate = np.sqrt(steep / np.maximum(flat, 1e-12))
    for first, stop in runs(low):
        bottom = first + int(np.argmin(speed[first:stop]))
        around = ((max(0, bottom - before), bottom), (bottom, bottom + after))
        tops = [a + int(np.argmax(speed[a:b])) for a, b in around if a < b]
        if rate[first:stop].min() < slower * rate[tops].min():
            dips[first:stop] = speed[first:stop] < 0.5 * (speed[bottom] + speed[tops].min())
    return dips
