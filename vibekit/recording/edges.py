"""Where each burst with the trigger on begins and ends, to a part of a step, and when the tool is at rest again.

An edge within three steps is a switch: a ramp fitted to the energies. Slower ones follow the speed, which the sixth
root of the steep energy gives for lines of an unbalance: force goes with the square of the speed, and the steep energy
with the square of the frequency on top. Its straight rise points back to the moment when the trigger was pulled, and
the bend at the end of its plateau is the moment when it was let go.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vibekit.recording.coasting import SPEED_ROOT, VISIBLE, at_rest, fall_of, falls, let_go
from vibekit.recording.ramps import ramp
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray, middle
from vibekit.recording.steps import StepEnergies, runs

_FLAT_ROOT = 1.0 / 4.0  # flat energy to speed: force goes with its square
_WEIGHTY = (1.0 / 6.0) ** SPEED_ROOT  # place in a step of its mean level, where the speed rises in it from rest: ∫t⁵
_CLEAR = 100.0  # times the energy of rest: 20 dB, where the flat energy is free of the hand's motion (no source)
_STILL_TURNING = 0.4**5  # of the steep energy: a tool pulled up again before it came to rest (no source)
_FLOOR_S = 0.5  # of the off time beside a burst, over which its floor is taken (no source)
_STILL = 0.1  # place among those energies where the tool is at rest, even if it coasts most of the time (no source)
_EARLY = 4  # steps before the mask, in which a rise may be complete: half a median, and bumps
_NEARLY_FULL = 0.7  # of the energy of the plateau: a switch is over (no source)
_SPEEDS_UP = 1.25  # steep energy over flat, as powers: 1 for a ramp at one speed, 1.5 for lines as the speed rises


@dataclass(frozen=True)
class Burst:
    """One stretch with the trigger on from `start` to `end`, its coast-down over before step `rest` [steps].

    `slow` of its edges, 0 to 2, are a run-up or coast-down, which say less exactly when the trigger moved.
    """

    start: float
    end: float
    rest: int
    slow: int


@dataclass(frozen=True)
class _Stretch:
    """Steps `first` to `stop` are on, those from `before` and up to `following` are off."""

    before: int
    first: int
    stop: int
    following: int

    def floor(self, row: FloatArray, step_s: float, place: float = 0.5) -> float:
        """Return the energy of the off time next to the stretch: the middle of it, or at another place from below."""
        near = round(_FLOOR_S / step_s)
        earlier = row[max(self.before, self.first - near) : self.first]
        beside = np.concatenate([earlier, row[max(self.stop, self.following - near) : self.following]])
        return float(np.sort(beside)[int(beside.size * place)]) if beside.size else 0.0


def bursts(steps: StepEnergies, on: BoolArray) -> list[Burst]:
    """Return the bursts of a mask of steps, each edge moved to where the trigger was pulled or let go."""
    bounds, n, found = list(runs(on)), on.size, list[Burst]()
    rate, flat_at_rest = np.sqrt(steps.steep / steps.flat), middle(steps.flat[~on])
    for i, (first, stop) in enumerate(bounds):
        following = bounds[i + 1][0] if i + 1 < len(bounds) else n
        part = _Stretch(bounds[i - 1][1] if i else 0, first, stop, following)
        start, up_slow = _pulled(steps, part) if first else (0.0, False)
        start = max(start, found[-1].end if found else 0.0)
        if found and _still_turning(steps, part):
            found[-1] = replace(found[-1], rest=int(start))
        over = stop < n or falls(steps.steep, rate, first)
        end, down_slow = _released(steps, rate, part, int(start), flat_at_rest) if over else (float(n), False)
        end, floor = max(end, start), part.floor(steps.steep, steps.step_s, _STILL)
        rest = at_rest(steps.steep, rate, end, following, floor, steps.step_s)
        found.append(Burst(start, end, rest, up_slow + down_slow))
    return found


def _pulled(steps: StepEnergies, part: _Stretch) -> tuple[float, bool]:
    """Return when the trigger was pulled [steps], and whether the tool ran up slowly."""
    if _still_turning(steps, part):
        return part.before + int(np.argmin(steps.steep[part.before : part.first])) + 0.5, True
    if (switched := _switched_on(steps, part)) is not None:
        return switched, False
    return _run_up(steps.steep, part, part.floor(steps.steep, steps.step_s)), True


def _still_turning(steps: StepEnergies, part: _Stretch) -> bool:
    """Tell whether the tool did not come to rest before it was pulled up again."""
    early = float(steps.steep[part.first : part.stop][:20].max())
    return float(steps.steep[part.before : part.first].min()) > _STILL_TURNING * early


def _switched_on(steps: StepEnergies, part: _Stretch) -> float | None:
    """Return when a tool was switched on that is up within three steps, at one speed; None where it runs up."""
    flat, floor = steps.flat, part.floor(steps.flat, steps.step_s)
    begin = max(part.first - _EARLY, part.before)
    inside = np.sort(flat[part.first : part.stop][:12])
    level = float(inside[inside.size * 2 // 3]) - floor
    high = begin + int(np.argmax(flat[begin : part.stop] - floor >= _NEARLY_FULL * level))
    edge = ramp(flat, floor, high, part.before, part.stop)
    if edge is None or _speeds_up(steps, part, high):
        return None
    return max(edge[0], float(part.before))


def _speeds_up(steps: StepEnergies, part: _Stretch, high: int) -> bool:
    """Tell whether the frequency rises with the level before step `high`."""
    rising, plateau = slice(max(high - 3, part.before), high), slice(high + 1, min(high + 7, part.stop))
    if plateau.start >= plateau.stop:
        return False
    flat, steep = (
        np.maximum(row[rising] - part.floor(row, steps.step_s), 0.0) / row[plateau].mean()
        for row in (steps.flat, steps.steep)
    )
    seen = (flat > 0.02) & (flat < 0.7) & (steep > 0)
    if not seen.any():
        return False
    return bool(np.log(steep[seen]).sum() < _SPEEDS_UP * np.log(flat[seen]).sum())


def _run_up(steep: FloatArray, part: _Stretch, floor: float) -> float:
    """Return when the trigger was pulled [steps]: where the rising speed points back to rest."""
    before, first, stop = part.before, part.first, part.stop
    seen = first
    while seen > before and steep[seen - 1] > VISIBLE * floor and steep[seen - 1] < 2.0 * steep[seen]:
        seen -= 1
    top = float(np.sort(steep[first:stop][:20])[-max(1, min(stop - first, 20) // 5)])
    speed = np.maximum((steep[seen:stop] - floor) / top, 0.0) ** SPEED_ROOT
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


def _released(
    steps: StepEnergies, rate: FloatArray, part: _Stretch, start: int, flat_at_rest: float
) -> tuple[float, bool]:
    """Return when the trigger was let go [steps], and whether the tool coasts down."""
    begin, n = max(part.first, start), rate.size
    clear = steps.flat[part.first : part.stop].max() > _CLEAR * flat_at_rest
    near = slice(begin, part.following)
    speed, pitch = steps.flat[near] ** _FLAT_ROOT if clear else steps.steep[near] ** SPEED_ROOT, rate[near]
    fall = fall_of(speed, pitch, part.stop - begin)
    if fall.sharp:
        floor = part.floor(steps.flat, steps.step_s)
        edge = ramp(steps.flat[::-1], floor, n - 1 - begin - fall.high, n - part.following, n - begin)
        if edge is not None:
            return n - edge[1], False
    return begin + let_go(speed, pitch, fall), True
