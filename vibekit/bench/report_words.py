"""The headline in plain words: what it is, how harsh, how long, why, how sure. Unsure stays unsure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from vibekit.bench.report_parts import Document, RecordingPart, ToolPart
from vibekit.handarm.uncertainty import ends
from vibekit.handarm.verdict import eight_hours
from vibekit.machine.faults.fault_words import FAULT_WORDS
from vibekit.units import format_allowed, format_duration, number

# Words for a probability: IPCC guidance note on uncertainties (Mastrandrea et al. 2010), Table 1 (from memory)
_LIKELIHOOD = (
    (0.99, "virtually certain"),
    (0.90, "very likely"),
    (0.66, "likely"),
    (0.50, "more likely than not"),
    (0.33, "about as likely as not"),
    (0.10, "unlikely"),
    (0.01, "very unlikely"),
    (0.0, "exceptionally unlikely"),
)
NOT_LOOKED_FOR = "the source of the shaking was not looked for"
HEALTHY = "healthy"
LIKELY = 0.5  # from here on the headline names a cause
UNLIKELY = 0.1  # below, a cause is named in a list only


def fault_words(fault: str) -> str:
    """Return a fault's name in plain words."""
    return FAULT_WORDS[fault].name if fault in FAULT_WORDS else fault


def likelihood(probability: float) -> str:
    """Return a probability in words."""
    return next(word for least, word in _LIKELIHOOD if probability >= least)


def deciding(part: ToolPart) -> Document | None:
    """Return the summary with the largest magnitude, or None where nothing could be graded."""
    graded = [summary for summary in part.summaries if summary["a_hv_mps2"] is not None]
    return max(graded, key=lambda summary: float(summary["a_hv_mps2"]), default=None)


def tool_name(part: ToolPart) -> str:
    """Return tag and kind of the tool, or the file where no sheet names one."""
    if part.sheet is not None:
        return f"{part.tag}, {part.sheet.kind}" if part.sheet.kind else str(part.tag)
    files = [recording.grade["file"] for recording in part.recordings]
    return files[0] if len(files) == 1 else f"{len(files)} recordings of a tool not named"


def what_it_is(part: ToolPart) -> str:
    """Return what was recorded."""
    count = len(part.recordings)
    conditions = named(r.grade["condition"] for r in part.recordings)
    places = named(r.grade["position"] for r in part.recordings)
    seconds = sum(float(r.grade["trigger_on_s"]) for r in part.recordings)
    subject = tool_name(part) if part.sheet else "A tool that no sheet names"
    recorded = f"{count} recording{'s' if count > 1 else ''}, {length(seconds)} with the trigger on"
    told = [f"{subject}.", f"{recorded}{': ' + conditions if conditions else ''}{', at ' + places if places else ''}."]
    return " ".join(told)


def length(seconds: float) -> str:
    """Return how long something was recorded."""
    return f"{seconds:.0f} s" if seconds < 120 else format_duration(seconds)


def named(values: Iterable[Any]) -> str:
    """Return the different values that are known, joined, in the order they come."""
    return ", ".join(dict.fromkeys(str(value) for value in values if value))


def how_harsh(part: ToolPart) -> str:
    """Return the magnitude in words, or that it cannot be given and why."""
    summary = deciding(part)
    if summary is None:
        return f"Cannot be graded. {refusals(part.recordings)}"
    a_hv, doubt = float(summary["a_hv_mps2"]), float(summary["expanded_uncertainty_mps2"])
    where = named((summary["condition"], summary["position"]))
    return (
        f"It shakes the hand with {number(a_hv)} m/s², give or take {number(doubt, 2)} m/s²"
        f"{' (' + where + ')' if where else ''}: {eight_hours(ends(a_hv, doubt))}.{_not_cleared(part)}"
    )


def _not_cleared(part: ToolPart) -> str:
    """Return that a severe fault is likely, which no magnitude makes up for; nothing where there is none."""
    findings = part.diagnosis["findings"] if part.diagnosis else []
    severe = [f for f in findings if f["probability"] >= LIKELY and f["severity"] == "severe" and f["fault"] != HEALTHY]
    if not severe:
        return ""
    names = ", ".join(fault_words(f["fault"]) for f in severe)
    return f" That says nothing for the tool's state: a severe fault is likely ({names})."


def refusals(recordings: Sequence[RecordingPart]) -> str:
    """Return why recordings could not be graded, each reason once, with what would help."""
    said: dict[str, None] = {}
    for recording in recordings:
        for notice in recording.grade["notices"]:
            if notice["severity"] == "refusal":
                remedy = f" What would help: {notice['remedy']}." if notice["remedy"] else ""
                message = str(notice["message"]).removeprefix(f"{recording.grade['file']}: ")
                subject = "The recording " if message.startswith("covers") else ""
                said[f"{subject}{message if subject else sentence(message)}.{remedy}"] = None
    return " ".join(said)


def sentence(text: str) -> str:
    """Return text with a capital first letter."""
    return text[:1].upper() + text[1:]


def how_long(part: ToolPart) -> str:
    """Return the allowed trigger time, always with its doubt."""
    summary = deciding(part)
    if summary is None:
        return "No trigger time can be given, because there is no grade."
    times = summary["allowed_trigger_time"]
    if times["to_action_value"]["value_s"] is None:
        return "It does not shake: this scheme sets no limit."
    return (
        f"Trigger time per day to the action value (2.5 m/s²): {format_allowed(times['to_action_value'])}; "
        f"to the limit value (5 m/s²): {format_allowed(times['to_limit_value'])}. "
        "This counts one tool alone; other vibrating work on the same day takes from it."
    )


def why(part: ToolPart) -> str:
    """Return what makes it shake, as far as that is settled."""
    if part.diagnosis is None:
        return f"Not determined here: {part.why_no_diagnosis or NOT_LOOKED_FOR}."
    findings = part.diagnosis["findings"]
    if not findings:
        return f"{sentence(str(part.diagnosis['verdict']))}."
    first = findings[0]
    if first["probability"] < LIKELY:
        likeliest = [f for f in findings[:3] if f["probability"] >= UNLIKELY] or findings[:1]
        said = ", ".join(f"{fault_words(f['fault'])} ({percent(f['probability'])})" for f in likeliest)
        return f"Not settled. In order of probability: {said}."
    where = f", at {first['where']}" if first.get("where") else ""
    size = f", {first['severity']}" if first.get("severity") and first["fault"] != "healthy" else ""
    others = [f for f in findings[1:] if f["probability"] >= 0.33]
    beside = f" Beside it: {', '.join(fault_words(f['fault']) for f in others)}." if others else ""
    lead = f"{likelihood(first['probability'])} ({percent(first['probability'])})"
    blind = _untested(part.diagnosis) if first["fault"] == "healthy" else ""
    return f"{sentence(fault_words(first['fault']))}{where}{size}: {lead}.{beside}{blind}"


def _untested(diagnosis: Document) -> str:
    """Return how much a clean bill leaves out."""
    count = len({one["fault"] for one in diagnosis["not_testable"]})
    if not count:
        return ""
    return f" {count} kind{'s' if count > 1 else ''} of fault cannot be told from these recordings."


def percent(share: float) -> str:
    """Return a probability in per cent; near certainty is never written as certainty."""
    if share > 0.99:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def how_sure(part: ToolPart) -> str:
    """Return the doubt of the magnitude, its largest cause, and what stays open."""
    summary = deciding(part)
    if summary is None:
        return "Not a question of doubt: what was recorded cannot carry a grade."
    a_hv, doubt = float(summary["a_hv_mps2"]), float(summary["expanded_uncertainty_mps2"])
    told = []
    if a_hv > 0:
        told.append(f"The magnitude is known to about ± {100 * doubt / a_hv:.0f} % (about 95 % coverage, k = 2).")
    budget = summary["uncertainty_budget"]
    if budget:
        largest = max(budget, key=lambda entry: float(entry["standard_pct"]))
        told.append(f"Most of that doubt: {largest['name']} ({largest['origin']}).")
    runs = int(summary["runs"])
    if runs < 3:
        told.append(f"{'One run' if runs == 1 else 'Two runs'}; three are asked for before a figure is trusted.")
    ungraded = sum(not r.grade["gradeable"] for r in part.recordings)
    if ungraded:
        told.append(f"{ungraded} of {len(part.recordings)} recordings could not be graded.")
    return " ".join(told)


def headline(part: ToolPart) -> tuple[tuple[str, str], ...]:
    """Return the five questions with their answers."""
    return (
        ("What it is", what_it_is(part)),
        ("How harsh", how_harsh(part)),
        ("How long", how_long(part)),
        ("Why it shakes", why(part)),
        ("How sure", how_sure(part)),
    )
