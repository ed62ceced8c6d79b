"""Daily exposure A(8) of ISO 5349-1 hand by hand, points, and the time left to the action and limit values."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Protocol

from vibekit.errors import InputError, Notice, RecordingLimitError, UsageError, document
from vibekit.handarm.exposure_doubt import Draws
from vibekit.handarm.exposure_notices import NOT_A_PERMIT as NOT_A_PERMIT, day_notices
from vibekit.handarm.exposure_task import (
    DAY_S as DAY_S,
    HANDS,
    LARGEST_MPS2 as LARGEST_MPS2,
    ExposureTask as ExposureTask,
    Hand,
)
from vibekit.handarm.hand_day import STILL_MPS2, HandDay
from vibekit.handarm.task_text import parse_time
from vibekit.handarm.uncertainty import UncertaintyPart, with_repeatability
from vibekit.handarm.verdict import Ends, Verdict, reached
from vibekit.standards.exposure_values import EU, REFERENCE_DURATION_S, ExposureValues

_EXACT = 1e-12  # relative: what sums but for rounding


class Graded(Protocol):
    """A graded recording or a summary of several: a magnitude with its doubt."""

    @property
    def a_hv_mps2(self) -> float | None: ...  # noqa: D102
    @property
    def expanded_uncertainty_mps2(self) -> float | None: ...  # noqa: D102


Held = tuple[float | Graded, str | float]  # a magnitude and how long it is held
HeldBy = tuple[float | Graded, str | float, Hand]


@dataclass(frozen=True)
class DailyExposure:
    """A day of tasks against the daily values of a regime; where tasks name a hand, the worse hand decides.

    Source: Directive 2002/44/EC Annex A.1 and A.2(b) (each hand's exposure, the higher value).
    """

    tasks: tuple[ExposureTask, ...]
    values: ExposureValues = EU
    notices: tuple[Notice, ...] = ()

    @cached_property
    def hands(self) -> Mapping[Hand, HandDay]:
        """Each hand's day, where a task names a hand; empty where none does: then both hands get the same."""
        if all(task.hand is None for task in self.tasks):
            return {}
        return {h: HandDay(tuple(t for t in self.tasks if t.held_by(h)), self.values) for h in HANDS}

    @cached_property
    def deciding(self) -> HandDay:
        """The day of the hand that is worse off, or of both."""
        return max(self.hands.values(), key=lambda hand: hand.harm) if self.hands else HandDay(self.tasks, self.values)

    @property
    def each(self) -> tuple[HandDay, ...]:
        """The days to be told apart: of the left and the right hand, or one for both."""
        return tuple(self.hands.values()) or (self.deciding,)

    @property
    def a8_mps2(self) -> float:
        """A(8) of the deciding hand [m/s²]. ISO 5349-1:2001 eq. 3."""
        return self.deciding.a8_mps2

    @property
    def points(self) -> float:
        """Sum of the deciding hand's points."""
        return self.deciding.points

    @property
    def verdict(self) -> Verdict:
        """Where A(8) lies, as far as its doubt lets it be told; a value exactly reached counts as reached."""
        return self.deciding.verdict

    @property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty of the deciding hand's A(8); at least that, where a magnitude came without any."""
        return self.deciding.expanded_uncertainty_mps2

    @property
    def a8_ends_mps2(self) -> Ends | None:
        """The ends of the deciding hand's A(8); None where no doubt is known."""
        return self.deciding.a8_ends_mps2

    @property
    def white_finger_years(self) -> float | None:
        """Years until 10 % of a group shows white finger, of the deciding hand (see `HandDay`)."""
        return self.deciding.white_finger_years

    def reached(self, value_mps2: float) -> bool:
        """Tell whether A(8) itself, its doubt aside, has reached a daily value."""
        return any(reached(hand.a8_mps2, value_mps2) for hand in self.each)

    def shown_below(self, value_mps2: float) -> bool:
        """Tell whether every hand is shown to be below a daily value, and within the regime's time if it names one."""
        return all(hand.shown_below(value_mps2) for hand in self.each)

    def time_left_s(self, value_mps2: float, task: ExposureTask | None = None) -> float | None:
        """Return how much longer `task`'s tool (default: the last) may run until A(8) of a hand reaches a value [s].

        0 once a hand's has; None for a tool that does not shake.
        """
        task = task or self.tasks[-1]
        if self.reached(value_mps2):
            return 0.0
        left = [hand.time_left_s(value_mps2, task) for hand in self._holding(task)]
        return min((one for one in left if one is not None), default=None)

    def time_left_ends_s(self, value_mps2: float, task: ExposureTask) -> tuple[float | None, float | None] | None:
        """Return the ends of `time_left_s` [s] for the doubt of everything; None where there is no doubt to tell.

        An upper end of None: the magnitude is so doubtful that there is none.
        """
        if task not in self.tasks:
            idle = replace(task, time_s=0.0, time_uncertainty_s=None)
            return replace(self, tasks=(*self.tasks, idle)).time_left_ends_s(value_mps2, idle)
        if not (task.has_doubt or any(hand.doubt_known for hand in self.each)) or task.a_hv_mps2 < STILL_MPS2:
            return None
        return self._draws.time_left_ends_s(value_mps2, self.tasks.index(task), self.values.longest_s)

    @cached_property
    def _draws(self) -> Draws:
        return Draws(self.tasks, HANDS if self.hands else HANDS[:1])

    def _holding(self, task: ExposureTask) -> list[HandDay]:
        """Return the days of the hands that hold a task's tool."""
        return [day for hand, day in self.hands.items() if task.held_by(hand)] or [self.deciding]

    def cut_s(self, value_mps2: float, task: ExposureTask) -> float | None:
        """Return by how much `task` must be shortened for A(8) to come down to a value [s]; None: not by it alone."""
        cuts = [hand.cut_s(value_mps2, task) for hand in self.each]
        return None if None in cuts else max(cut for cut in cuts if cut is not None)

    def to_dict(self) -> dict[str, Any]:
        """Return the `exposure` document."""
        return document("exposure", self.body(), (*self.notices, *day_notices(self.each, self.tasks), NOT_A_PERMIT))

    def body(self) -> dict[str, Any]:
        """Return the document's own keys."""
        return {
            **self.deciding.to_dict(),
            "uncertainty_at_least": self.expanded_uncertainty_mps2 is not None and bool(self.deciding.without_doubt),
            "hands": {hand: day.to_dict() for hand, day in self.hands.items()} if self.hands else None,
            "tasks": [task.to_dict() | self.time_left(task) | self._cuts(task) for task in self.tasks],
            "regime": self.values.name,
            "action_value_mps2": self.values.action_mps2,
            "limit_value_mps2": self.values.limit_mps2,
            "longest_time_s": self.values.longest_s,
            **self.time_left(self.tasks[-1]),
            "white_finger_years": self.white_finger_years,
        }

    def time_left(self, task: ExposureTask) -> dict[str, float | None]:
        """Return the time left with a task's tool, with its ends, as document data."""
        found: dict[str, float | None] = {}
        for name, value in (("action", self.values.action_mps2), ("limit", self.values.limit_mps2)):
            low, high = self.time_left_ends_s(value, task) or (None, None)
            times = (self.time_left_s(value, task), low, high)
            found |= zip((f"time_left_to_{name}{end}_s" for end in ("", "_low", "_high")), times, strict=True)
        return found

    def _cuts(self, task: ExposureTask) -> dict[str, float | None]:
        return {
            "cut_to_action_s": self.cut_s(self.values.action_mps2, task),
            "cut_to_limit_s": self.cut_s(self.values.limit_mps2, task),
        }


def time_to_reach(a_hv_mps2: float, value_mps2: float) -> float | None:
    """Return the daily trigger time until A(8) reaches a value [s]; None for a magnitude of zero.

    Source: ISO 5349-1:2001 eq. 2 solved for T: T = T0·(value/a_hv)².
    """
    return None if a_hv_mps2 < STILL_MPS2 else REFERENCE_DURATION_S * (value_mps2 / a_hv_mps2) ** 2


def weekly_exposure(a8_mps2: Sequence[float]) -> float:
    """Return the week's average of daily exposures A(8) [m/s²], referred to five 8 h days.

    Raises:
        UsageError: more than seven days, or a value that is negative or not finite.

    Source: UK SI 2005/1093 Schedule 1 Part II: sqrt(1/5·Σ A(8)_j²).
    """
    if len(a8_mps2) > 7 or not all(0 <= a <= LARGEST_MPS2 for a in a8_mps2):
        raise UsageError(
            f"a week has at most seven days, each with a finite A(8), not negative, {LARGEST_MPS2:g} at most"
        )
    return math.sqrt(math.fsum(a * a for a in a8_mps2) / 5.0)


def daily_exposure(tasks: Sequence[Held | HeldBy], values: ExposureValues = EU) -> DailyExposure:
    """Return the day's exposure of (magnitude, time) pairs, or of (magnitude, time, hand).

    A magnitude is a number [m/s²] or a graded recording; a time is text such as ``"1h20m"``, ``"4h±30m"``, or seconds;
    a hand is "left", "right" or "both".

    Raises:
        UsageError: no task, negative or non-finite numbers, times over 24 h or summing to more than 24 h.
        InputError: a graded recording has no magnitude.

    Source: ISO 5349-1:2001 eq. 3.
    """
    return day_of([_task(*task) for task in tasks], values)


def day_of(tasks: Sequence[ExposureTask], values: ExposureValues = EU, notices: Sequence[Notice] = ()) -> DailyExposure:
    """Return the day of ready tasks. Raises UsageError: none, or more than 24 h in sum."""
    if not tasks:
        raise UsageError("no task given: write MAGNITUDE@TIME, such as 3.5@3h")
    total = max(math.fsum(task.time_s for task in tasks if task.held_by(hand)) for hand in HANDS)
    if total > DAY_S * (1 + _EXACT):
        raise UsageError(f"the tasks' times sum to {total / 3600:.2f} h, more than 24 h")
    return DailyExposure(tuple(tasks), values, tuple(notices))


def graded_task(graded: Graded, time_s: float, name: str = "") -> ExposureTask:
    """Return the task of a graded recording or summary: with its hand and the budget of its doubt, where it has them.

    Raises:
        InputError: it has no magnitude.
    """
    if graded.a_hv_mps2 is None:
        raise InputError("a recording that could not be graded has no magnitude to plan with")
    parts: tuple[UncertaintyPart, ...] = getattr(graded, "budget", ())
    return ExposureTask(
        graded.a_hv_mps2,
        time_s,
        graded.expanded_uncertainty_mps2,
        name,
        getattr(graded, "hand", None),
        with_repeatability(parts) if parts else (),
    )


def _task(magnitude: float | Graded, time: str | float, hand: Hand | None = None) -> ExposureTask:
    time_s, doubt = parse_time(time) if isinstance(time, str) else (float(time), None)
    if hand not in (None, "both", *HANDS):
        raise UsageError(f"hand {hand!r} must be one of left, right, both")
    if isinstance(magnitude, int | float):
        task = ExposureTask(float(magnitude), time_s)
    else:
        task = graded_task(magnitude, time_s)
    return replace(task, time_uncertainty_s=doubt, hand=hand or task.hand)


def refused_day(values: ExposureValues, why: RecordingLimitError) -> dict[str, Any]:
    """Return the `exposure` document of a day that holds a recording without a magnitude, and why."""
    return document("exposure", refused_body(values), [no_magnitude(why)])


def refused_body(values: ExposureValues) -> dict[str, Any]:
    """Return the keys of a day that cannot be given: what is not known is None."""
    body = DailyExposure((ExposureTask(0.0, 0.0),), values).body()
    known = ("regime", "action_value_mps2", "limit_value_mps2", "longest_time_s")
    return {**dict.fromkeys(body), **{key: body[key] for key in known}, "tasks": [], "weekly_a8_mps2": None}


def no_magnitude(why: RecordingLimitError) -> Notice:
    """Return the refusal of a day, or of a worker's, that holds a recording without a magnitude."""
    remedy = why.remedy or "measure again, or name a magnitude: MAGNITUDE@TIME"
    return Notice("no_magnitude", "refusal", str(why), remedy=remedy)
