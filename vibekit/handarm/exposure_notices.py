"""What has to be said about a day's exposure beside its figures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from vibekit.errors import Notice
from vibekit.handarm.exposure_doubt import expanded_uncertainty
from vibekit.handarm.exposure_task import ExposureTask
from vibekit.handarm.hand_day import STILL_MPS2, HandDay
from vibekit.handarm.uncertainty import COVERAGE, UncertaintyPart
from vibekit.handarm.verdict import state
from vibekit.units import format_duration, number

NOT_A_PERMIT = Notice(
    "screening_aid",
    "info",
    "a screening aid, not a certified instrument: local law, the tool maker's instructions and licensed practice "
    "come first",
)


def day_notices(hands: Sequence[HandDay], tasks: Sequence[ExposureTask]) -> list[Notice]:
    """Return the remarks on a day; `hands` holds one entry where both hands do the same."""
    worst = max(hands, key=lambda hand: hand.harm)
    notices = [*_bare(worst, tasks), *_near(worst), *_not_stated(worst), *_declared(worst), *_cap(hands)]
    if tasks[-1].a_hv_mps2 < STILL_MPS2:
        notices.append(Notice("no_vibration", "info", "the last task's tool does not shake: no time to a value"))
    return notices


def _bare(day: HandDay, tasks: Sequence[ExposureTask]) -> list[Notice]:
    """Say which magnitudes came without doubt, and what that leaves open."""
    bare = [task for task in tasks if not task.doubtful]
    if not bare:
        return []
    names = ", ".join(dict.fromkeys(task.name or f"{number(task.a_hv_mps2)} m/s²" for task in bare))
    if day.expanded_uncertainty_mps2 is None:
        left = "the day's uncertainty cannot be given, and the verdict is that of the figures as they stand"
    else:
        left = "the day's uncertainty is that of the others, and at least that"
    message = f"without a doubt of its own: {names}; {left}"
    remedy = "write 3.5±0.8@3h, or use grade documents or recordings as tasks"
    return [Notice("uncertainty_unknown", "caution", message, remedy=remedy)]


def _near(day: HandDay) -> list[Notice]:
    """Say which daily values the doubt spans."""
    expanded = day.expanded_uncertainty_mps2
    if not expanded:
        return []
    return [
        Notice(
            "within_uncertainty",
            "caution",
            f"A(8) {_doubt(day, expanded)} m/s² cannot be told from the {name} value {value:g} m/s²",
            value=day.a8_mps2,
            limit=value,
            remedy="plan as if the value were reached, or measure more runs",
        )
        for name, value in (("action", day.values.action_mps2), ("limit", day.values.limit_mps2))
        if state(day.shown_ends_mps2, value) == "cannot tell"
    ]


def _doubt(day: HandDay, expanded: float) -> str:
    """Return A(8) with its doubt; of declared values, which use may only exceed, with its ends."""
    if day.declared and day.a8_ends_mps2:
        return f"{day.a8_mps2:.2f} (between {day.a8_ends_mps2[0]:.2f} and {day.a8_ends_mps2[1]:.2f})"
    return f"{day.a8_mps2:.2f} ± {expanded:.2f}"


def _not_stated(day: HandDay) -> list[Notice]:
    """Say what the doubt would be if magnitudes whose causes of doubt are not stated erred by themselves."""
    open_ones = {(t.a_hv_mps2, t.expanded_uncertainty_mps2) for t in day.tasks if t.doubtful and not t.budget}
    if len(open_ones) < 2 or not day.expanded_uncertainty_mps2:
        return []
    by_themselves = expanded_uncertainty([_by_itself(task) for task in day.tasks])
    message = (
        "doubts come without their causes: they are taken to be shared (one sensor, one person); with nothing shared "
        f"A(8) would be known to ± {number(by_themselves, 2)} m/s²"
    )
    remedy = "grade documents and recordings say what they share"
    return [Notice("causes_unknown", "info", message, remedy=remedy)]


def _by_itself(task: ExposureTask) -> ExposureTask:
    """Return a task whose doubt, where its causes are not stated, is its own."""
    a, expanded = task.a_hv_mps2, task.expanded_uncertainty_mps2
    if not expanded or not a or task.budget:
        return task
    return replace(task, budget=(UncertaintyPart("stated", expanded / COVERAGE / a, "stated"),))


def _declared(day: HandDay) -> list[Notice]:
    """Say how far real use may exceed declared values."""
    declared = [task for task in day.tasks if task.declared]
    if not declared:
        return []
    low, high = declared[0].real_use
    most = math.sqrt(day.a8_mps2**2 + math.fsum((high**2 - 1) * task.partial_a8_mps2**2 for task in declared))
    names = ", ".join(dict.fromkeys(task.name for task in declared))
    message = (
        f"declared by the maker, not measured: {names}; work often shakes {low:g} to {high:g} times as much "
        f"(CEN/TR 15350, from memory), which would make A(8) {number(day.a8_mps2)} to {number(most)} m/s²; "
        "the doubt covers it"
    )
    return [Notice("declared_value", "caution", message, day.a8_mps2, most, "measure the tool at its real work")]


def _cap(hands: Sequence[HandDay]) -> list[Notice]:
    """Say where a regime allows no more than some time a day, and whether that is used up."""
    over = [hand for hand in hands if hand.over_cap]
    if not over:
        return []
    day = max(over, key=lambda hand: hand.time_s)
    longest = day.values.longest_s or 0.0
    message = (
        f"{format_duration(day.time_s)} with vibrating tools: regime {day.values.name} allows "
        f"{format_duration(longest)} a day whatever the tool ({day.values.status})"
    )
    return [Notice("over_daily_time", "caution", message, day.time_s, longest, "shorten the day's trigger time")]
