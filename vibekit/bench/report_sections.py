"""The page's sections on one tool: grade, time, source of the shaking, each recording, how it was measured."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from vibekit.bench.markup import Html, el, facts, join, table
from vibekit.bench.report_figures import (
    day_figure,
    level_figure,
    line_name,
    line_total,
    named_lines,
    octave_figure,
    spectrum_figure,
    speed_figure,
)
from vibekit.bench.report_parts import Document, RecordingPart, ToolPart
from vibekit.bench.report_words import (
    NOT_LOOKED_FOR,
    UNLIKELY,
    deciding,
    fault_words,
    likelihood,
    named,
    percent,
    sentence,
)
from vibekit.units import format_allowed, number

_AXES = ("x", "y", "z")
_DOUBT = "±\u00a0(k\u00a0=\u00a02)"
Heading = Callable[[str], Html]


def heading(level: int) -> Heading:
    """Return a function that makes headings of a level (1 to 6)."""
    return lambda text: el(f"h{min(level, 6)}", text)


def grade_section(part: ToolPart, level: int) -> Html:
    """Return magnitudes recording by recording, and the means that count."""
    rows = [_grade_row(recording.grade) for recording in part.recordings]
    headings = ("recording", "trigger on", "x", "y", "z", "total a_hv", _DOUBT, "largest second", "peak")
    caption = "Weighted magnitudes (Wh, ISO 5349-1) over the trigger-on time, in m/s²; peak unweighted"
    parts = [heading(level)("How harsh"), table(caption, headings, rows)]
    means = [row for summary in part.summaries for row in _means(summary)]
    if len(part.recordings) > 1 and means:
        caption = "Means over runs, in m/s²: the position that shakes most decides"
        parts.append(
            table(
                caption,
                ("condition", "position", "runs", "mean a_hv", _DOUBT, "scatter of runs"),
                means,
                numbers=range(2, 6),
            )
        )
    return join(parts)


def _grade_row(row: Document) -> list[object]:
    facts_known = named((row["condition"], row["position"], f"run {row['run']}" if row["run"] is not None else None))
    name = join([row["file"], el("br"), el("span", facts_known, class_="small")] if facts_known else [row["file"]])
    values = [number(row["a_hw_mps2"][axis]) for axis in _AXES]
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


def source_section(part: ToolPart, level: int) -> Html:
    """Return the findings with their evidence, and what could not be tested."""
    title = heading(level)("Why it shakes")
    if part.diagnosis is None:
        return join([title, el("p", f"Not determined: {part.why_no_diagnosis or NOT_LOOKED_FOR}.")])
    found = part.diagnosis["findings"]
    open_still = [one for one in found if one["probability"] >= UNLIKELY]
    return join(
        [
            title,
            el("p", sentence(str(part.diagnosis["verdict"])), "."),
            *(_finding(one, level + 1) for one in open_still),
            _unlikely([one for one in found if one["probability"] < UNLIKELY]),
            _untested(part.diagnosis["not_testable"]),
        ]
    )


def _finding(found: Document, level: int) -> Html:
    """Return one finding: how probable, where, what to look for, what fits as well, and its evidence."""
    name = fault_words(found["fault"])
    size = named((found["severity"], f"at {found['where']}" if found["where"] else None))
    told = f"{percent(found['probability'])}, {likelihood(found['probability'])}."
    told += f" If so: {size}." if size and found["fault"] != "healthy" else ""
    return join(
        [
            heading(level)(sentence(name)),
            el("p", told),
            facts(
                [
                    ("look for", found["look_for"] or None),
                    ("check first", found.get("check_first")),
                    *(("fits about as well", _rival(rival)) for rival in found["rivals"]),
                ]
            ),
            _evidence(name, found["evidence"]),
        ]
    )


def _rival(rival: Document) -> str:
    apart = f" (to tell them apart: {rival['separated_by']})" if rival.get("separated_by") else ""
    return f"{fault_words(rival['fault'])}{apart}"


def _evidence(name: str, evidence: Sequence[Document]) -> Html | None:
    if not evidence:
        return None
    rows = [
        [
            item["line"],
            "for" if item["supports"] else "against",
            number(item["order"]),
            number(item["frequency_hz"], 4),
            number(item["amplitude_mps2"]),
            number(item["over_floor_db"]),
            item["axis"] or "-",
        ]
        for item in evidence
    ]
    headings = ("line", "speaks", "order", "Hz", "m/s² r.m.s.", "dB over floor", "axis")
    shown = table(f"Evidence: {name}", headings, rows, numbers=range(2, 6))
    return el("details", el("summary", f"Evidence for and against: {name}"), shown)


def _unlikely(faults: Sequence[Document]) -> Html | None:
    if not faults:
        return None
    rows = [[sentence(fault_words(one["fault"])), percent(one["probability"]), one["where"] or "-"] for one in faults]
    caption = f"Looked for and unlikely, under {100 * UNLIKELY:.0f} % each"
    return el(
        "details",
        el("summary", f"{caption} ({len(faults)})"),
        table(caption, ("fault", "probability", "where"), rows, (1,)),
    )


def _untested(faults: Sequence[Document]) -> Html | None:
    if not faults:
        return None
    rows = [[sentence(fault_words(one["fault"])), one["reason"]] for one in faults]
    inside = table("What these recordings cannot tell", ("fault", "why not"), rows, numbers=())
    return el("details", el("summary", f"What these recordings cannot tell ({len(faults)})"), inside)


def recordings_section(part: ToolPart, level: int, name: str) -> Html:
    """Return every recording with its plots.

    Where there are several, each is folded away under its name; on a page of one tool (level 2) one stands open.
    """
    several = len(part.recordings) > 1
    shown = _shown(part) if level == 2 else None
    recordings = []
    for i, recording in enumerate(part.recordings, 1):
        title = el(f"h{level + 1}", recording.grade["file"])
        inside = _recording(f"{name}r{i}", recording, level + 2)
        opened = True if recording is shown else None
        recordings.append(
            el("details", el("summary", title), inside, open=opened) if several else join([title, inside])
        )
    return join([heading(level)("The recordings" if several else "The recording"), *recordings])


def _shown(part: ToolPart) -> RecordingPart | None:
    """Return the first graded recording in the condition that decides."""
    summary = deciding(part)
    if summary is None:
        return None
    there = (r for r in part.recordings if r.grade["gradeable"] and r.grade["condition"] == summary["condition"])
    return next(there, None)


def _recording(name: str, part: RecordingPart, level: int) -> Html:
    below = heading(level)
    return join(
        [
            el("p", _NOT_A_GRADE) if not part.grade["gradeable"] else None,
            below("Level"),
            level_figure(f"{name}-level", part),
            below("Bands"),
            octave_figure(f"{name}-bands", part),
            below("Speed"),
            _speed(f"{name}-speed", part),
            below("Lines"),
            _lines(f"{name}-lines", part),
        ]
    )


_NOT_A_GRADE = (
    "This recording cannot be graded. Its plots show what the file holds, which is not what the hand got; they "
    "are here to help find out why."
)


def _speed(name: str, part: RecordingPart) -> Html:
    speed = part.speed
    if speed is None or not speed["shafts"]:
        return _absent("The speed", part.reasons.get("speed"), speed)
    rows = [
        [shaft, *(f"{value[key]:.0f}" for key in ("median_rpm", "min_rpm", "max_rpm"))]
        for shaft, value in speed["shafts"].items()
    ]
    sure = el("p", f"Confidence {percent(speed['confidence'])}.", _rivals(speed))
    shafts = table("Speed while running, revolutions per minute", ("shaft", "median", "lowest", "highest"), rows)
    return join([shafts, sure, speed_figure(name, speed, float(part.grade["duration_s"]))])


def _rivals(speed: Document) -> str:
    told = "; ".join(f"{rival['rpm']:.0f} per minute ({rival['reason']})" for rival in speed["rivals"])
    return f" It might also be {told}." if told else ""


def _lines(name: str, part: RecordingPart) -> Html:
    if part.curve is None or part.spectrum is None:
        return _absent("The spectrum", part.reasons.get("spectrum"), part.spectrum)
    lines = part.spectrum["lines"]
    drawn = spectrum_figure(name, lines, part.curve)
    return join([drawn, _named_table(lines), _unnamed_table(lines)])


def _named_table(lines: Sequence[Document]) -> Html:
    numbered = named_lines(lines)
    if not numbered:
        return el("p", "No line has a name: nothing that turns at a known speed fits one.")
    headings = ("name", "Hz", "order", "x", "y", "z", "all", "dB over floor")
    rows = [[join([el("b", i), " ", name]), *rest] for i, (name, *rest) in enumerate(map(_line_row, numbered), 1)]
    return table("Named lines, m/s² r.m.s.", headings, rows)


def _unnamed_table(lines: Sequence[Document]) -> Html | None:
    strangers = sorted((line for line in lines if not line["names"]), key=line_total, reverse=True)[:8]
    if not strangers:
        return None
    rows = [_line_row(line)[1:] for line in strangers]
    headings = ("Hz", "order", "x", "y", "z", "all", "dB over floor")
    caption = "Strongest lines that have no name, m/s² r.m.s."
    return el("details", el("summary", "Lines without a name"), table(caption, headings, rows))


def _line_row(line: Document) -> list[object]:
    amplitudes = [number(line["amplitude_mps2"].get(axis)) for axis in _AXES]
    order = "-" if line["order"] is None else f"{line['order']:.3g} × {line['of']}"
    return [
        line_name(line),
        number(line["frequency_hz"], 4),
        order,
        *amplitudes,
        number(line_total(line)),
        number(line["over_floor_db"]),
    ]


def _absent(what: str, reason: str | None, document: Document | None) -> Html:
    """Return why a part of the page is missing: the reason given, or the refusal in its document."""
    refused = [n["message"] for n in document["notices"] if n["severity"] == "refusal"] if document else []
    return el("p", f"{what} is not known: {reason or '; '.join(refused) or 'it was not determined'}.")


def doubt_section(part: ToolPart, level: int) -> Html | None:
    """Return the uncertainty budget of the magnitude that decides."""
    summary = deciding(part)
    if summary is None:
        return None
    rows = [[e["name"], f"{e['standard_pct']:.1f} %", e["origin"]] for e in summary["uncertainty_budget"]]
    caption = "Where the doubt comes from: standard uncertainties, combined in squares and doubled (k = 2)"
    return join([heading(level)("How sure"), table(caption, ("part", "size", "why this size"), rows, numbers=(1,))])


def measured_section(part: ToolPart, level: int) -> Html:
    """Return how the recordings were measured: what they share, then what is each one's own."""
    shared = [row for row in part.recordings[0].measured if all(row in r.measured for r in part.recordings)]
    parts: list[object] = [heading(level)("How it was measured"), facts(shared)]
    for recording in part.recordings:
        own = [row for row in recording.measured if row not in shared]
        if own:
            parts += [heading(level + 1)(recording.grade["file"]), facts(own)]
    parts.append(
        el(
            "p",
            "The weighting is the analogue curve Wh of ISO 5349-1, band limiting included, applied exactly at the "
            "recording's own rate. The first 0.3 s, in which the filter settles, do not count. The total value is the "
            "root of the sum of squares of the three axes.",
        )
    )
    return join(parts)


def unmeasured_section(part: ToolPart, level: int) -> Html:
    """Return what these recordings say nothing about."""
    return join([heading(level)("What was not measured"), el("ul", *(el("li", line) for line in unmeasured(part)))])


def unmeasured(part: ToolPart) -> list[str]:
    """Return, line by line, what is missing here and what no such recording can tell."""
    rows = [recording.grade for recording in part.recordings]
    conditions = {row["condition"] for row in rows}
    lines = []
    axes = sorted({axis for row in rows for axis in _AXES if row["third_octave"][f"{axis}_mps2"] is None})
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
    return [*lines, *_NEVER]


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
