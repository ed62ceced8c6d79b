"""The page's sections on one tool: grade, time, doubt, how it was measured, what was not, remarks."""

from __future__ import annotations

from collections.abc import Sequence

from vibekit.bench.markup import Html, el, facts, heading, join, table
from vibekit.bench.report_figures import AXES, day_figure
from vibekit.bench.report_parts import Document, ToolPart
from vibekit.bench.report_words import deciding, named
from vibekit.units import format_allowed, number

A_HV = Html("a<sub>hv</sub>")
DOUBT = "±\u00a0(k\u00a0=\u00a02)"


def grade_section(part: ToolPart, level: int) -> Html:
    """Return magnitudes recording by recording, and the means that count."""
    rows = [_grade_row(recording.grade) for recording in part.recordings]
    headings = ("recording", "trigger on", "x", "y", "z", join(["total ", A_HV]), DOUBT, "largest second", "peak")
    caption = "Weighted magnitudes (Wh, ISO 5349-1) over the trigger-on time, in m/s²; peak unweighted"
    parts = [heading(level)("How harsh"), table(caption, headings, rows)]
    means = [row for summary in part.summaries for row in _means(summary)]
    if len(part.recordings) > 1 and means:
        caption = "Means over runs, in m/s²: the position that shakes most decides"
        parts.append(
            table(
                caption,
                ("condition", "position", "runs", join(["mean ", A_HV]), DOUBT, "scatter of runs"),
                means,
                numbers=range(2, 6),
            )
        )
    return join(parts)


def _grade_row(row: Document) -> list[object]:
    facts_known = named((row["condition"], row["position"], f"run {row['run']}" if row["run"] is not None else None))
    name = join([row["file"], el("br"), el("span", facts_known, class_="small")] if facts_known else [row["file"]])
    values = [number(row["a_hw_mps2"][axis]) for axis in AXES]
    peaks = [value for value in row["peak_mps2"].values() if value is not None]
    total = number(row["a_hv_mps2"]) if row["gradeable"] else "cannot be graded"
    doubt = number(row["expanded_uncertainty_mps2"], 2)
    largest = number(row["running_max_mps2"])
    return [name, f"{row['trigger_on_s']:.1f} s", *values, total, doubt, largest, number(max(peaks, default=None))]


def _means(summary: Document) -> list[list[object]]:
    return [
        [
            summary["condition"] or "not named",
            position["position"] or "not named",
            position["runs"],
            number(position["a_hv_mps2"]),
            number(position["expanded_uncertainty_mps2"], 2),
            "-"
            if position["coefficient_of_variation"] is None
            else f"{100 * position['coefficient_of_variation']:.0f} %",
        ]
        for position in summary["positions"]
    ]


def time_section(part: ToolPart, level: int, name: str) -> Html:
    """Return the allowed trigger times with their doubt, and how a day fills up."""
    graded = [summary for summary in part.summaries if summary["a_hv_mps2"] is not None]
    if not graded:
        return join([heading(level)("How long"), el("p", "Without a grade no trigger time can be given.")])
    rows = [
        [
            summary["condition"] or "not named",
            format_allowed(summary["allowed_trigger_time"]["to_action_value"]),
            format_allowed(summary["allowed_trigger_time"]["to_limit_value"]),
        ]
        for summary in graded
    ]
    headings = ("condition", "to the action value 2.5 m/s²", "to the limit value 5 m/s²")
    times = table("Trigger time per day with this tool alone", headings, rows, numbers=())
    decided = deciding(part)
    day = day_figure(f"{name}-day", decided) if decided and decided["a_hv_mps2"] > 0 else None
    return join([heading(level)("How long"), times, day])


def doubt_section(part: ToolPart, level: int) -> Html | None:
    """Return the uncertainty budget of the magnitude that decides."""
    summary = deciding(part)
    if summary is None:
        return None
    rows = [[e["name"], f"{e['standard_pct']:.1f} %", e["origin"]] for e in summary["uncertainty_budget"]]
    caption = "Where the doubt comes from: standard uncertainties, combined in squares and doubled (k = 2)"
    return join([heading(level)("How sure"), table(caption, ("part", "size", "why this size"), rows, numbers=(1,))])


def measured_section(part: ToolPart, level: int) -> Html:
    """Return how a tool's recordings were measured: what they share, then what is each one's own."""
    shared = [row for row in part.recordings[0].measured if all(row in r.measured for r in part.recordings)]
    parts: list[object] = [heading(level)("How it was measured"), facts(shared)]
    for recording in part.recordings:
        own = [row for row in recording.measured if row not in shared]
        if own:
            parts += [heading(level + 1)(recording.grade["file"]), facts(own)]
    return join(parts)


def unmeasured_section(part: ToolPart, level: int) -> Html | None:
    """Return what a tool's recordings say nothing about, or None where they say it all."""
    lines = unmeasured(part)
    return join([heading(level)("What was not measured"), _list(lines)]) if lines else None


def method_section(level: int) -> Html:
    """Return what holds for every recording: how it is weighted, and what none of them can tell."""
    head = heading(level)
    return join([head("How it was weighted"), el("p", _WEIGHTING), head("What no such recording tells"), _list(_NEVER)])


def _list(lines: Sequence[str]) -> Html:
    return el("ul", *(el("li", line) for line in lines))


def unmeasured(part: ToolPart) -> list[str]:
    """Return, line by line, what is missing here."""
    rows = [recording.grade for recording in part.recordings]
    conditions = {row["condition"] for row in rows}
    lines = []
    axes = sorted({axis for row in rows for axis in AXES if row["third_octave"][f"{axis}_mps2"] is None})
    if axes:
        lines.append(f"Axis {', '.join(axes)} in at least one recording.")
    top = min(float(row["band_covered_hz"][1]) for row in rows)
    if top < 1250:
        lines.append(
            f"Vibration above {top:.0f} Hz, where at least one recording ends (the weighting goes to 1250 Hz)."
        )
    if len({row["position"] for row in rows}) < 2:
        lines.append("A second grip: the law counts the hand that is shaken more.")
    for condition, words in (("loaded", "The tool under load."), ("no load", "The tool running free, without load.")):
        if condition not in conditions:
            lines.append(words)
    if "off" not in conditions:
        lines.append("The background with the tool off.")
    lines += [
        f"The {what} of {recording.grade['file']}: {why}."
        for recording in part.recordings
        for what, why in recording.reasons.items()
    ]
    return lines


_WEIGHTING = (
    "The weighting is the analogue curve Wh of ISO 5349-1, band limiting included, applied exactly at each recording's "
    "own rate. The first 0.3 s, in which the filter settles, do not count. The total value is the root of the sum of "
    "squares of the three axes."
)
_NEVER = (
    "How hard the tool was gripped and pushed, and how another person would hold it.",
    "Other accessories, other materials, another state of wear.",
    "Single shocks, and vibration above 1250 Hz, which the weighting leaves out; their effect is not settled.",
    "Noise, dust, sparks, guards, electrical safety, and whether the tool is fit for use.",
)


def remarks_section(notices: Sequence[Document], level: int) -> Html | None:
    """Return all notices, refusals first, each with what would help."""
    if not notices:
        return None
    order = {"refusal": 0, "caution": 1, "info": 2}
    words = {"refusal": "Refused", "caution": "Caution", "info": "Note"}
    items = []
    for notice in sorted(notices, key=lambda n: order[n["severity"]]):
        remedy = f" What would help: {notice['remedy']}." if notice["remedy"] else ""
        items.append(el("li", el("b", f"{words[notice['severity']]}:"), f" {notice['message']}.{remedy}"))
    return join([heading(level)("Remarks"), el("ul", *items, class_="remarks")])


def sheet_facts(part: ToolPart) -> Html | None:
    """Return what the tool sheet says."""
    sheet = part.sheet
    if sheet is None:
        return None
    trains = [f"{m.driver} {m.driver_teeth or '?'} : {m.driven_teeth or '?'} {m.driven}" for m in sheet.meshes]
    declared = None
    if sheet.declared_vibration_mps2 is not None:
        doubt = sheet.declared_uncertainty_mps2
        declared = f"{sheet.declared_vibration_mps2:g} m/s²" + (f", K = {doubt:g} m/s²" if doubt is not None else "")
    accessory = sheet.accessory
    return facts(
        [
            ("kind", sheet.kind),
            ("mass", f"{sheet.mass_kg:g} kg" if sheet.mass_kg is not None else None),
            ("supply", sheet.supply),
            ("hours used", f"{sheet.hours_used:g}" if sheet.hours_used is not None else None),
            ("declared by the maker", declared),
            ("shafts", ", ".join(s.name for s in sheet.shafts) or None),
            ("rated speed", named(f"{n} {60 * hz:.0f} per minute" for n, hz in sheet.rated_hz.items()) or None),
            ("gears", ", ".join(trains) or None),
            ("accessory", accessory.kind if accessory else None),
        ]
    )
