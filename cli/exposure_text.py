"""A day's exposure as text: the time that is left first, then where the day stands, then where it comes from."""

from __future__ import annotations

import math
from typing import Any

from vibekit.units import format_duration

from .output import Document, notice_lines, number, printable

_VALUES = ("action", "limit")
_DAY_S = 86_400.0


def render(document: Document, points: bool = False) -> str:
    """Return the day, or several workers' days, as text."""
    lines: list[str] = []
    if "workers" in document:
        for worker in document["workers"]:
            lines += [f"{printable(worker['name'])}:", *(f"  {line}" for line in _day(worker, points)), ""]
    else:
        lines += [*_day(document, points), *_week(document), ""]
    return "\n".join(lines + notice_lines(document))


def _day(day: dict[str, Any], points: bool) -> list[str]:
    if day["a8_mps2"] is None:
        return ["no day's exposure can be given (see the refusal below)"]
    return [*_time_left(day), *_standing(day, points), *_origin(day, points), *_cuts(day)]


def _time_left(day: dict[str, Any]) -> list[str]:
    """Return what may still be done with each tool; the time to count on, at the low end of its doubt, leads."""
    if "still" in day:
        rows = [(row["tool"], row) for row in day["still"]]
    else:
        rows = list({_tool(task): task for task in day["tasks"]}.items())
    lines = ["time left today, in both hands" if "still" in day else "time left today"]
    for name, row in rows:
        told = "; ".join(f"to the {value} value {_left(row, value, day['uncertainty_at_least'])}" for value in _VALUES)
        lines.append(f"  with {printable(name)}: {told}")
    if day["longest_time_s"] is not None:
        lines.append(f"  (no more than {format_duration(day['longest_time_s'])} a day in all under this regime)")
    return lines


def _tool(task: dict[str, Any]) -> str:
    """Return what a task holds, without its time, and in which hand where only one is named."""
    tool = task["name"].rpartition("@")[0] or task["name"]
    return f"{tool} in the {task['hand']} hand" if task["hand"] in ("left", "right") else tool


def _left(row: dict[str, Any], value: str, at_least: bool) -> str:
    """Return a time left in words; where not all of the doubt is known, the low end is no more than an upper bound."""
    middle, low, high = (row[f"time_left_to_{value}{end}_s"] for end in ("", "_low", "_high"))
    if low is None:
        return "no end, it does not shake" if middle is None else _time(middle)
    if high == 0 or low > _DAY_S:
        return _time(low)
    most = f", {_time(high)} at most" if high is not None and high <= _DAY_S else ""
    bare = at_least or row["expanded_uncertainty_mps2"] is None
    count = "count on no more than" if bare else "count on"
    least = f"{count} {_time(low)}" if low > 0 else "none to count on"
    return f"{least} ({_time(middle)} as the figures stand{most})"


def _time(seconds: float | None) -> str:
    if seconds is None or seconds > _DAY_S:
        return "more than a day"
    return "none" if seconds == 0 else format_duration(seconds)


def _standing(day: dict[str, Any], points: bool) -> list[str]:
    """Return where the day stands against the daily values, hand by hand where hands are named."""
    from vibekit.handarm.verdict import heading

    declared = any(task["real_use_factor"] for task in day["tasks"])

    def told(one: dict[str, Any]) -> str:
        ends = (one["a8_low_mps2"], one["a8_high_mps2"]) if declared and one["a8_low_mps2"] is not None else None
        doubt = one["expanded_uncertainty_mps2"]
        text = heading(one["a8_mps2"], doubt, one["verdict"], day["uncertainty_at_least"], ends)
        return f"{text}; {number(one['points'])} points" if points else text

    lines = [
        f"the day so far: {told(day)}",
        f"  (action value {day['action_value_mps2']:g} m/s², limit value {day['limit_value_mps2']:g} m/s²)",
    ]
    lines += [f"  {hand} hand: {told(sums)}" for hand, sums in (day["hands"] or {}).items()]
    if day["white_finger_years"] is not None:
        lines.append(
            f"  at this level day by day about {day['white_finger_years']:.0f} years until one in ten of a group "
            "shows white finger (ISO 5349-1 Annex C; for groups, not for one person)"
        )
    return lines


def _origin(day: dict[str, Any], points: bool) -> list[str]:
    """Return what the day is made of, the task that counts most first."""
    lines = ["made up of"]
    for task in sorted(day["tasks"], key=lambda task: -task["partial_a8_mps2"]):
        parts = [
            f"{_share(task, day)}: {printable(task['name'])}",
            f"{_held(task['time_s'])}{_plus_minus(task['time_expanded_uncertainty_s'], format_duration)}",
            f"at {number(task['a_hv_mps2'])}{_plus_minus(task['expanded_uncertainty_mps2'], lambda u: number(u, 2))}"
            " m/s²",
            f"by itself A(8) {number(task['partial_a8_mps2'])} m/s²",
            *([f"{number(task['points'])} points"] if points else []),
        ]
        lines.append("  " + ", ".join(parts))
    return lines


def _share(task: dict[str, Any], day: dict[str, Any]) -> str:
    """Return how much of the day's energy a task makes, of each hand's where hands are named."""
    energy = task["partial_a8_mps2"] ** 2
    if not day["hands"]:
        return _percent(energy, day["a8_mps2"]) + " of it"
    held = [hand for hand in day["hands"] if task["hand"] in (None, "both", hand)]
    return " and ".join(f"{_percent(energy, day['hands'][hand]['a8_mps2'])} of the {hand} hand's" for hand in held)


def _percent(energy: float, a8: float) -> str:
    share = energy / a8**2 if a8 > 0 else 0.0
    return "under 1 %" if 0 < share < 0.01 else f"{100 * share:.0f} %"


def _plus_minus(doubt: float | None, text: Any) -> str:
    return "" if not doubt else f" ± {text(doubt)}"


def _held(seconds: float) -> str:
    """Return the time a tool was held, to the nearest minute; times that may still come are rounded down."""
    return format_duration(seconds if seconds < 120 else 60 * round(seconds / 60))


def _cuts(day: dict[str, Any]) -> list[str]:
    """Return what each task alone would have to give up for the day to come under a value, to the next minute."""
    lines = []
    for value in _VALUES:
        cuts = [(task, task[f"cut_to_{value}_s"]) for task in day["tasks"]]
        if any(cut != 0 for _, cut in cuts):
            ways = [
                f"{printable(task['name'])} by {format_duration(min(60 * math.floor(cut / 60 + 1), task['time_s']))}"
                for task, cut in cuts
                if cut is not None
            ]
            said = " or ".join(ways) or "several tasks: no single one is enough"
            lines.append(f"to get under the {value} value, as the figures stand, shorten {said}")
    return lines


def _week(document: Document) -> list[str]:
    if document["weekly_a8_mps2"] is None:
        return []
    return [
        f"week's average, referred to five 8 h days: {number(document['weekly_a8_mps2'])} m/s² "
        "(only where the law lets days be averaged)"
    ]
