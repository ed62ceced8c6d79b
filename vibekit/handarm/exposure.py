"""Daily exposure A(8) of ISO 5349-1, points, and the time left to the action and limit values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from vibekit.errors import InputError, Notice, UsageError, document
from vibekit.handarm import exposure_doubt as doubt
from vibekit.standards.exposure_values import (
    EU,
    POINTS_PER_SQUARE_HOUR,
    REFERENCE_DURATION_S,
    WHITE_FINGER_EXPONENT,
    WHITE_FINGER_FACTOR,
    WHITE_FINGER_YEARS,
    ExposureValues,
)
from vibekit.units import parse_duration

DAY_S = 86_400.0
LARGEST_MPS2 = 1e6  # far beyond what any handle does; what is larger is a slip of the pen
_STILL_MPS2 = 1e-9  # below any sensor: a tool that does not shake
_EXACT = 1e-12  # relative: a value reached but for rounding is reached

Verdict = Literal["below action value", "above action value", "above limit value"]

NOT_A_PERMIT = Notice(
    "screening_aid",
    "info",
    "a screening aid, not a certified instrument: local law, the tool maker's instructions and licensed practice "
    "come first",
)


class Graded(Protocol):
    """A graded recording or a summary of several: a magnitude with its doubt."""

    @property
    def a_hv_mps2(self) -> float | None: ...  # noqa: D102
    @property
    def expanded_uncertainty_mps2(self) -> float | None: ...  # noqa: D102


@dataclass(frozen=True)
class ExposureTask:
    """One task: total value a_hv [m/s²] with its expanded uncertainty (None: unknown), held for `time_s` [s]."""

    a_hv_mps2: float
    time_s: float
    expanded_uncertainty_mps2: float | None = None
    name: str = ""

    def __post_init__(self) -> None:
        if not 0 <= self.a_hv_mps2 <= LARGEST_MPS2:
            raise UsageError(
                f"magnitude {self.a_hv_mps2} must be a finite number of m/s², not negative, {LARGEST_MPS2:g} at most"
            )
        if not (math.isfinite(self.time_s) and 0 <= self.time_s <= DAY_S):
            raise UsageError(f"time {self.time_s:g} s must lie between 0 and 24 h")

    @property
    def partial_a8_mps2(self) -> float:
        """The task's own share of the day, A_i(8) [m/s²]. ISO 5349-1:2001 eq. 3 with one operation."""
        return self.a_hv_mps2 * math.sqrt(self.time_s / REFERENCE_DURATION_S)

    @property
    def points(self) -> float:
        """Exposure points, 2·a²·T[h]."""
        return POINTS_PER_SQUARE_HOUR * self.a_hv_mps2**2 * self.time_s / 3600.0

    def to_dict(self) -> dict[str, Any]:
        """Return the task as document data."""
        return {
            "name": self.name,
            "a_hv_mps2": self.a_hv_mps2,
            "time_s": self.time_s,
            "partial_a8_mps2": self.partial_a8_mps2,
            "points": self.points,
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
        }


@dataclass(frozen=True)
class DailyExposure:
    """A day of tasks against the daily values of a regime."""

    tasks: tuple[ExposureTask, ...]
    values: ExposureValues = EU
    notices: tuple[Notice, ...] = ()

    @property
    def a8_mps2(self) -> float:
        """A(8) = sqrt(Σ a_hvi²·T_i / T0) [m/s²]. ISO 5349-1:2001 eq. 3."""
        energy = math.fsum(task.a_hv_mps2**2 * task.time_s for task in self.tasks)
        return math.sqrt(energy / REFERENCE_DURATION_S)

    @property
    def points(self) -> float:
        """Sum of the tasks' points."""
        return math.fsum(task.points for task in self.tasks)

    @property
    def verdict(self) -> Verdict:
        """Where A(8) lies; a value exactly reached counts as reached."""
        if self.reached(self.values.limit_mps2):
            return "above limit value"
        return "above action value" if self.reached(self.values.action_mps2) else "below action value"

    def reached(self, value_mps2: float) -> bool:
        """Tell whether A(8) has reached a daily value."""
        return self.a8_mps2 >= value_mps2 * (1 - _EXACT)

    def time_left_s(self, value_mps2: float, task: ExposureTask | None = None) -> float | None:
        """Return how much longer `task`'s tool (default: the last) may run until A(8) reaches a value [s].

        0 once reached; None for a tool that does not shake.
        """
        task = task or self.tasks[-1]
        if self.reached(value_mps2):
            return 0.0
        if task.a_hv_mps2 < _STILL_MPS2:
            return None
        return (value_mps2**2 - self.a8_mps2**2) * REFERENCE_DURATION_S / task.a_hv_mps2**2

    def cut_s(self, value_mps2: float, task: ExposureTask) -> float | None:
        """Return by how much `task` must be shortened for A(8) to come down to a value [s]; None: not by it alone."""
        excess = (self.a8_mps2**2 - value_mps2**2) * REFERENCE_DURATION_S
        if excess <= 0:
            return 0.0
        energy = task.a_hv_mps2**2 * task.time_s
        return excess / task.a_hv_mps2**2 if energy >= excess else None

    @property
    def white_finger_years(self) -> float | None:
        """Years at this A(8), day by day, until 10 % of a group shows white finger; None outside 1 to 10 years.

        Source: ISO 5349-1:2001 Annex C eq. C.1; for groups, not for one person.
        """
        if self.a8_mps2 == 0:
            return None
        years = WHITE_FINGER_FACTOR * self.a8_mps2**WHITE_FINGER_EXPONENT
        return years if WHITE_FINGER_YEARS[0] <= years <= WHITE_FINGER_YEARS[1] else None

    @property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty (k = 2) of A(8) from the magnitudes', independent; None where a task has none.

        Tasks with the same magnitude and uncertainty are uses of one tool that was measured once: they err together.
        Times are taken as exact.
        """
        times = self._measured_times()
        return None if times is None else doubt.expanded_uncertainty(times)

    @property
    def a8_ends_mps2(self) -> tuple[float, float] | None:
        """The ends of A(8) for the magnitudes' doubt (k = 2: 2.3 and 97.7 %); None where a task has none."""
        times = self._measured_times()
        return None if times is None else doubt.a8_ends(times)

    def time_left_ends_s(self, value_mps2: float, task: ExposureTask) -> tuple[float | None, float | None] | None:
        """Return the ends of `time_left_s` [s]: until the upper and until the lower end of A(8) reaches the value.

        None where a task has no uncertainty, or this one's tool does not shake.
        """
        times, own = self._measured_times(), (task.a_hv_mps2, task.expanded_uncertainty_mps2 or 0.0)
        if times is None or task.a_hv_mps2 < _STILL_MPS2:
            return None
        return doubt.time_left_ends_s(times, own, value_mps2 * (1 - _EXACT))

    def _measured_times(self) -> dict[doubt.Measured, float] | None:
        """Return the time of every measured magnitude [s]; None where a task has no uncertainty."""
        times: dict[doubt.Measured, float] = {}
        for task in self.tasks:
            if task.expanded_uncertainty_mps2 is None:
                return None
            measured = (task.a_hv_mps2, task.expanded_uncertainty_mps2)
            times[measured] = times.get(measured, 0.0) + task.time_s
        return times

    def to_dict(self) -> dict[str, Any]:
        """Return the `exposure` document."""
        return document("exposure", self._body(), (*self.notices, *self._doubts(), NOT_A_PERMIT))

    def _body(self) -> dict[str, Any]:
        ends = self.a8_ends_mps2
        return {
            "a8_mps2": self.a8_mps2,
            "a8_low_mps2": ends[0] if ends else None,
            "a8_high_mps2": ends[1] if ends else None,
            "points": self.points,
            "tasks": [task.to_dict() | self._time_left(task) | self._cuts(task) for task in self.tasks],
            "regime": self.values.name,
            "action_value_mps2": self.values.action_mps2,
            "limit_value_mps2": self.values.limit_mps2,
            "verdict": self.verdict,
            **self._time_left(self.tasks[-1]),
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            "white_finger_years": self.white_finger_years,
        }

    def _time_left(self, task: ExposureTask) -> dict[str, float | None]:
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

    def _doubts(self) -> list[Notice]:
        expanded, ends = self.expanded_uncertainty_mps2, self.a8_ends_mps2
        notices = [] if ends else [_DOUBT_UNKNOWN]
        for name, value in (("action", self.values.action_mps2), ("limit", self.values.limit_mps2)):
            if expanded and ends and ends[0] < value < ends[1]:
                notices.append(_close_to(name, self.a8_mps2, value, expanded))
        if self.tasks[-1].a_hv_mps2 < _STILL_MPS2:
            notices.append(Notice("no_vibration", "info", "the last task's tool does not shake: no time to a value"))
        return notices


_DOUBT_UNKNOWN = Notice(
    "uncertainty_unknown",
    "caution",
    "a magnitude came as a bare number: the day's uncertainty cannot be given",
    remedy="use grade documents or recordings as tasks",
)


def _close_to(name: str, a8: float, value: float, expanded: float) -> Notice:
    return Notice(
        "within_uncertainty",
        "caution",
        f"A(8) {a8:.2f} ± {expanded:.2f} m/s² cannot be told from the {name} value {value:g} m/s²",
        value=a8,
        limit=value,
        remedy="plan as if the value were reached, or measure more runs",
    )


def time_to_reach(a_hv_mps2: float, value_mps2: float) -> float | None:
    """Return the daily trigger time until A(8) reaches a value [s]; None for a magnitude of zero.

    Source: ISO 5349-1:2001 eq. 2 solved for T: T = T0·(value/a_hv)².
    """
    return None if a_hv_mps2 < _STILL_MPS2 else REFERENCE_DURATION_S * (value_mps2 / a_hv_mps2) ** 2


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


def daily_exposure(tasks: Sequence[tuple[float | Graded, str | float]], values: ExposureValues = EU) -> DailyExposure:
    """Return the day's exposure of (magnitude, time) pairs.

    A magnitude is a number [m/s²] or a graded recording; a time is text such as ``"1h20m"`` or seconds.

    Raises:
        UsageError: no task, negative or non-finite numbers, times over 24 h or summing to more than 24 h.
        InputError: a graded recording has no magnitude.

    Source: ISO 5349-1:2001 eq. 3.
    """
    return day_of([_task(magnitude, time) for magnitude, time in tasks], values)


def day_of(tasks: Sequence[ExposureTask], values: ExposureValues = EU, notices: Sequence[Notice] = ()) -> DailyExposure:
    """Return the day of ready tasks. Raises UsageError: none, or more than 24 h in sum."""
    if not tasks:
        raise UsageError("no task given: write MAGNITUDE@TIME, such as 3.5@3h")
    total = math.fsum(task.time_s for task in tasks)
    if total > DAY_S * (1 + _EXACT):
        raise UsageError(f"the tasks' times sum to {total / 3600:.2f} h, more than 24 h")
    return DailyExposure(tuple(tasks), values, tuple(notices))


def refused_day(values: ExposureValues, reason: str) -> dict[str, Any]:
    """Return the `exposure` document of a day that holds a recording without a magnitude, and why."""
    left = (f"time_left_to_{name}{end}_s" for name in ("action", "limit") for end in ("", "_low", "_high"))
    keys = ("a8_mps2", "a8_low_mps2", "a8_high_mps2", "points", "verdict", *left, "weekly_a8_mps2")
    unknown = dict.fromkeys((*keys, "expanded_uncertainty_mps2", "white_finger_years"))
    known = {
        "tasks": [],
        "regime": values.name,
        "action_value_mps2": values.action_mps2,
        "limit_value_mps2": values.limit_mps2,
    }
    remedy = "measure again, or name a magnitude: MAGNITUDE@TIME"
    return document("exposure", {**unknown, **known}, [Notice("no_magnitude", "refusal", reason, remedy=remedy)])


def _task(magnitude: float | Graded, time: str | float) -> ExposureTask:
    time_s = parse_duration(time) if isinstance(time, str) else float(time)
    if isinstance(magnitude, int | float):
        return ExposureTask(float(magnitude), time_s)
    if magnitude.a_hv_mps2 is None:
        raise InputError("a recording that could not be graded has no magnitude to plan with")
    return ExposureTask(magnitude.a_hv_mps2, time_s, magnitude.expanded_uncertainty_mps2)
