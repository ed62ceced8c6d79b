"""Where a value with its doubt lies against the daily values: shown below, shown above, or neither; and in words."""

from __future__ import annotations

from typing import Literal

from vibekit.standards.exposure_values import EU, ExposureValues
from vibekit.units import number

Verdict = Literal[
    "below action value",
    "cannot tell whether above the action value",
    "above action value",
    "cannot tell whether above the limit value",
    "above limit value",
]
State = Literal["below", "cannot tell", "above"]
Ends = tuple[float, float]

_EXACT = 1e-12  # relative: a value reached but for rounding is reached
_HARMLESS_FIRST: tuple[Verdict, ...] = Verdict.__args__  # type: ignore[attr-defined]

# What a magnitude means for eight hours of it a day, verdict by verdict; the words are ours.
_EIGHT_HOURS: dict[Verdict, str] = {
    "below action value": "even eight hours of it a day stay below the action value",
    "cannot tell whether above the action value": "whether eight hours of it a day stay below the action value cannot "
    "be told",
    "above action value": "the action value falls within a working day, the limit value later than that",
    "cannot tell whether above the limit value": "whether eight hours of it a day stay below the limit value cannot "
    "be told",
    "above limit value": "the limit value falls within a working day",
}


def reached(value: float, daily_value: float) -> bool:
    """Tell whether a daily value is reached; exactly reached counts as reached."""
    return value >= daily_value * (1 - _EXACT)


def state(ends: Ends, daily_value: float) -> State:
    """Return what is shown of a value with these ends: "below" only where the upper end is, "above" where the lower is.

    A value without doubt has its ends in one place: then the plain comparison stands.
    """
    low, high = ends
    if not reached(high, daily_value):
        return "below"
    return "above" if reached(low, daily_value) else "cannot tell"


def verdict(ends: Ends, values: ExposureValues = EU) -> Verdict:
    """Return the verdict on A(8) with its ends [m/s²]: of the highest daily value that it may have reached."""
    limit, action = state(ends, values.limit_mps2), state(ends, values.action_mps2)
    if limit == "above":
        return "above limit value"
    if limit == "cannot tell":
        return "cannot tell whether above the limit value"
    if action == "above":
        return "above action value"
    return "below action value" if action == "below" else "cannot tell whether above the action value"


def severity(told: Verdict) -> int:
    """Return the place of a verdict in the order from harmless to harmful."""
    return _HARMLESS_FIRST.index(told)


def eight_hours(ends: Ends) -> str:
    """Return what a magnitude with these ends [m/s²] means for eight hours of it a day, in words."""
    return _EIGHT_HOURS[verdict(ends)]


def heading(
    a8: float, expanded: float | None, told: str, at_least: bool = False, declared_ends: Ends | None = None
) -> str:
    """Return a day in one line: A(8) with its doubt, or that it has none, and the verdict.

    `declared_ends`: those of a day with declared values, whose doubt is not the same on both sides.
    """
    if expanded is None:
        return f"A(8) {number(a8)} m/s², doubt not known: {told}"
    if declared_ends is not None:
        doubt = f" (between {' and '.join(number(end) for end in declared_ends)}{', or more' if at_least else ''})"
    else:
        doubt = f" ± {'at least ' if at_least else ''}{number(expanded, 2)}"
    return f"A(8) {number(a8)}{doubt} m/s²: {told}"
