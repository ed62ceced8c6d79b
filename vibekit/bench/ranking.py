"""Tools side by side on equal terms: same condition, same class of accessory, same grip positions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from vibekit.bench.analysis import RunResult
from vibekit.bench.comparison import Estimate, Pair, Place, all_pairs, places
from vibekit.bench.terms import (
    Apart,
    common_positions,
    counted_once,
    equal_terms,
    grouped,
    on_plain_terms,
    other_classes,
    usual_condition,
)
from vibekit.errors import Notice, distinct, document
from vibekit.handarm.axes import completed
from vibekit.handarm.exposure import NOT_A_PERMIT
from vibekit.handarm.summary import AllowedTime, GradeSummary, PositionResult, summarise
from vibekit.handarm.uncertainty import REPEATABILITY, UncertaintyPart, combined, effective_degrees
from vibekit.recording.conditions import LOADED, plain_term, without_load
from vibekit.standards.exposure_values import EU


@dataclass(frozen=True)
class ToolResult:
    """One tool of the bench; None where a value was not measured or cannot be given."""

    tag: str
    condition: str | None
    accessory: str | None
    positions: tuple[str | None, ...]
    compared: PositionResult | None
    summary: GradeSummary | None
    spindle_rpm_no_load: float | None
    spindle_rpm_loaded: float | None
    shaft_power_w: float | None
    mass_kg: float | None
    price: float | None
    place: Place | None

    @property
    def allowed(self) -> AllowedTime:
        """Daily trigger time to the action value, by the larger of all positions measured."""
        return self.summary.allowed(EU.action_mps2) if self.summary else AllowedTime(None, None, None)

    @property
    def droop_pct(self) -> float | None:
        """Loss of speed under load [% of the unloaded speed]."""
        if not self.spindle_rpm_no_load or self.spindle_rpm_loaded is None:
            return None
        return 100.0 * (1.0 - self.spindle_rpm_loaded / self.spindle_rpm_no_load)

    def work_wh(self, time_s: float | None) -> float | None:
        """Return the shaft work done in a time [Wh]."""
        return None if time_s is None or self.shaft_power_w is None else self.shaft_power_w * time_s / 3600.0

    def to_dict(self) -> dict[str, Any]:
        """Return the tool's row of the `rank` document."""
        a_hv = self.compared.a_hv_mps2 if self.compared else None
        time, declared = self.allowed, self.summary.declared if self.summary else None
        return {
            "tag": self.tag,
            "condition": self.condition,
            "accessory": self.accessory,
            "position": self.compared.position if self.compared else None,
            "positions_compared": list(self.positions),
            "runs": self.compared.runs if self.compared else 0,
            "a_hv_mps2": a_hv,
            "expanded_uncertainty_mps2": self.compared.expanded_uncertainty_mps2 if self.compared else None,
            "largest_a_hv_mps2": self.summary.a_hv_mps2 if self.summary else None,
            "spindle_rpm_no_load": self.spindle_rpm_no_load,
            "spindle_rpm_loaded": self.spindle_rpm_loaded,
            "droop_pct": self.droop_pct,
            "shaft_power_w": self.shaft_power_w,
            "allowed_trigger_time_s": time.value_s,
            "allowed_trigger_time_low_s": time.low_s,
            "allowed_trigger_time_high_s": time.high_s,
            "work_to_action_value_wh": self.work_wh(time.value_s),
            "work_to_action_value_low_wh": self.work_wh(time.low_s),
            "work_to_action_value_high_wh": self.work_wh(time.high_s),
            "declared": declared.to_dict() if declared else None,
            "mass_kg": self.mass_kg,
            "price": self.price,
            "a_hv_per_kg_mps2": _ratio(a_hv, self.mass_kg),
            "a_hv_per_price_mps2": _ratio(a_hv, self.price),
            "rank": self.place.rank if self.place else None,
            "rank_low": self.place.low if self.place else None,
            "rank_high": self.place.high if self.place else None,
            "tied_with": list(self.place.tied_with) if self.place else [],
        }


@dataclass(frozen=True)
class Ranking:
    """All tools of the bench, the compared ones by place; pairs within equal terms only."""

    title: str
    condition: str | None
    tools: tuple[ToolResult, ...]
    pairs: tuple[Pair, ...]
    not_comparable: tuple[Apart, ...]
    notices: tuple[Notice, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the whole `rank` document."""
        body = {
            "title": self.title,
            "condition": self.condition,
            "tools": [tool.to_dict() for tool in self.tools],
            "pairs": [pair.to_dict() for pair in self.pairs],
            "not_comparable": [apart.to_dict() for apart in self.not_comparable],
        }
        return document("rank", body, self.notices)


def rank(runs: Sequence[RunResult], title: str = "", condition: str | None = None) -> Ranking:
    """Return the tools of a bench ranked by how much they shake, 1 the least, with the doubt of it.

    Compared are recordings of one condition (`condition`; else "loaded" where any tool has it, else the most measured),
    in each class of accessory the tools that share grip positions. Everything else is named in `not_comparable`.
    """
    unnamed = tuple(sorted({run.file for run in runs if run.tag is None}))
    apart = [Apart(unnamed, "no tool sheet names the tool")] if unnamed else []
    usable, remarks = counted_once([on_plain_terms(run) for run in runs if run.tag is not None])
    by_tag = grouped(usable, lambda run: run.tag or "")
    chosen = plain_term(condition) or usual_condition(usable)
    groups, alone = equal_terms(by_tag, chosen)
    apart += alone
    tools: list[ToolResult] = []
    pairs: list[Pair] = []
    for accessory, members in groups.items():
        positions, outside = common_positions(members)
        apart += outside
        at_these = {tag: [run for run in own if run.position in positions] for tag, own in members.items()}
        compared = {tag: own for tag, own in at_these.items() if own}
        estimates = [_estimate(tag, own) for tag, own in compared.items()]
        ranked = places(estimates) if len(estimates) > 1 or len(by_tag) == 1 else {}
        pairs += all_pairs(sorted(estimates, key=lambda e: e.log))
        for tag in members:
            tools.append(_tool(tag, by_tag[tag], chosen, accessory, positions, compared.get(tag), ranked.get(tag)))
    listed = {tool.tag for tool in tools}
    tools += [_tool(tag, own, chosen, None, (), None, None) for tag, own in by_tag.items() if tag not in listed]
    if len(groups) > 1:
        apart += other_classes(groups)
    tools.sort(key=_order)
    notices = (*remarks, *_notices(tools, usable), NOT_A_PERMIT)
    return Ranking(title, chosen, tuple(tools), tuple(pairs), tuple(apart), distinct(notices))


def _estimate(tag: str, runs: Sequence[RunResult]) -> Estimate:
    """Return a tool's magnitude with its doubt, that of the sensor and of the operator apart where it is known whose.

    Mounting and position are made anew for each tool, and do not cancel between two.
    """
    deciding = summarise(runs).deciding
    assert deciding is not None
    scatter = [part for part in deciding.budget if _is_scatter(part)]
    shared = [part for part in deciding.budget if part.cause in ("sensor", "operator") and part.key]
    shared = [part for part in shared if part not in scatter]
    own = [part for part in deciding.budget if part not in scatter and part not in shared]
    freedom = effective_degrees(scatter)
    names = {f"{part.name}: {part.key}": part.relative for part in shared}
    return Estimate(tag, deciding.a_hv_mps2, combined(own), combined(scatter), freedom, names)


def _is_scatter(part: UncertaintyPart) -> bool:
    """Tell whether a part is that of runs, or of operators as their means show it."""
    return part.name == REPEATABILITY.name or math.isfinite(part.degrees_of_freedom)


def _tool(
    tag: str,
    runs: Sequence[RunResult],
    condition: str | None,
    accessory: str | None,
    positions: tuple[str | None, ...],
    compared: list[RunResult] | None,
    place: Place | None,
) -> ToolResult:
    there = [run for run in runs if run.condition == condition and run.a_hv_mps2 is not None]
    own = [run for run in there if run.accessory == accessory] or there
    last = runs[-1]
    return ToolResult(
        tag=tag,
        condition=condition if own else None,
        accessory=accessory,
        positions=positions,
        compared=summarise(compared or own).deciding if own else None,
        summary=summarise(own) if own else None,
        spindle_rpm_no_load=_mean([run.spindle_rpm for run in runs if without_load(run.condition)]),
        spindle_rpm_loaded=_mean([run.spindle_rpm for run in runs if run.condition == LOADED]),
        shaft_power_w=_mean([run.shaft_power_w for run in own]),
        mass_kg=last.mass_kg,
        price=last.price,
        place=place,
    )


def _mean(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) / len(known) if known else None


def _ratio(value: float | None, by: float | None) -> float | None:
    return value / by if value is not None and by else None


def _order(tool: ToolResult) -> tuple[Any, ...]:
    a_hv = tool.compared.a_hv_mps2 if tool.compared else math.inf
    return (tool.place is None, tool.accessory or "", tool.place.rank if tool.place else 0, a_hv, tool.tag)


def _notices(tools: Sequence[ToolResult], runs: Sequence[RunResult]) -> list[Notice]:
    """Return what a reader of the ranking must know."""
    graded = [tool for tool in tools if tool.summary]
    whole = completed(runs)
    notices = [n for run in runs for n in run.against if n.code != "axes_missing"]
    notices += [n for run in runs for n in run.notices if n.code == "speed_unknown"]
    notices += [n for run in runs if id(run) not in whole for n in run.notices if n.code == "axes_missing"]
    notices += [n for tool in graded if tool.summary for n in tool.summary.notices if n.code != "few_runs"]
    if not graded:
        why = "no recording of the bench can be graded in one condition: nothing can be compared"
        notices.append(Notice("nothing_to_rank", "refusal", why, remedy="see vibekit check for each recording"))
    few = [tool.tag for tool in graded if tool.compared and tool.compared.runs < 3]
    if few:
        message = f"fewer than 3 runs (ISO 5349-2): {', '.join(few)}; a single run's scatter is taken, not measured"
        notices.append(Notice("few_runs", "caution", message, len(few), 0, "record the same work three times"))
    powerless = [tool.tag for tool in graded if tool.shaft_power_w is None]
    if powerless:
        message = f"useful work per day is not known without shaft power: {', '.join(powerless)}"
        notices.append(Notice("no_shaft_power", "info", message, remedy="measure with a brake, give shaft_power_w"))
    ranked = [tool for tool in graded if tool.place]
    return [*notices, *_not_named(ranked), *_larger_elsewhere(ranked)]


def _not_named(ranked: Sequence[ToolResult]) -> list[Notice]:
    """Return a caution for a term of comparison that nobody named."""
    silent = {
        "accessory": [tool.tag for tool in ranked if tool.accessory is None],
        "position": [tool.tag for tool in ranked if None in tool.positions],
    }
    return [
        Notice(
            "terms_not_named",
            "caution",
            f"the {what} is not named and taken as the same: {', '.join(tags)}",
            remedy=f"name the {what} in sheet or sidecar",
        )
        for what, tags in silent.items()
        if len(tags) > 1
    ]


def _larger_elsewhere(ranked: Sequence[ToolResult]) -> list[Notice]:
    """Return a caution for a tool that shakes more at a position where it could not be compared."""
    notices = []
    for tool in ranked:
        largest, compared = (part.a_hv_mps2 if part else None for part in (tool.summary, tool.compared))
        if largest != compared:
            message = f"{tool.tag}: shakes more at a position the others lack; its allowed time goes by that one"
            notices.append(Notice("larger_elsewhere", "caution", message, largest, compared))
    return notices
