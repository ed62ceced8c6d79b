"""The page: one self-contained HTML file on recordings of one tool or of a whole bench, from contract documents."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from pathlib import Path

from vibekit.bench.comparison import told_pairs
from vibekit.bench.markup import Html, el, facts, join, table
from vibekit.bench.page_script import SCRIPT
from vibekit.bench.page_style import STYLE
from vibekit.bench.report_parts import Document, Report, ToolPart
from vibekit.bench.report_recording import recordings_section
from vibekit.bench.report_sections import (
    A_HV,
    DOUBT,
    doubt_section,
    grade_section,
    measured_section,
    method_section,
    remarks_section,
    sheet_facts,
    time_section,
    unmeasured_section,
)
from vibekit.bench.report_source import source_section
from vibekit.bench.report_words import deciding, headline, percent, tool_name, why
from vibekit.errors import UsageError
from vibekit.recording.atomic import atomic
from vibekit.units import format_allowed, number

_CAUTIONS = (
    "A screening aid, not a certified instrument: it does not replace a measurement by someone qualified to make one.",
    "Local law, the tool maker's instructions and licensed practice come first.",
    "Never open, balance or run a tool unguarded or plugged in on the word of this page.",
    "A cause named here is a probability, found without opening the tool. Only looking inside settles it.",
    "Numb, tingling or whitening fingers are a reason to stop and to see a doctor, whatever the figures say.",
)


def report_page(report: Report) -> str:
    """Return the page as text; the same report always gives the same text."""
    title = page_title(report)
    body = [
        el("a", "Skip to the remarks and cautions", href="#cautions", class_="skip"),
        el("main", *_contents(report, title), class_="sheet", id="top"),
        el("script", Html(SCRIPT)),
    ]
    head = [
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=_policy()),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        el("title", f"{title}: hand-arm vibration"),
        el("link", rel="icon", href="data:,"),
        el("style", Html(STYLE)),
    ]
    return f"<!DOCTYPE html>\n{el('html', el('head', *head), el('body', *body), lang='en')}\n"


def _policy() -> str:
    """Return the policy that lets the page's own style and script run, and nothing be fetched."""
    style, script = (base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in (STYLE, SCRIPT))
    return f"default-src 'none'; img-src data:; style-src 'sha256-{style}'; script-src 'sha256-{script}'"


def page_title(report: Report) -> str:
    """Return the page's title: as given, else the tool's name."""
    if report.title:
        return report.title
    return tool_name(report.tools[0]) if len(report.tools) == 1 else f"{len(report.tools)} tools"


def _contents(report: Report, title: str) -> list[Html | None]:
    kind = el("p", "Hand-arm vibration and what causes it, from recordings", class_="kind")
    start = [kind, el("h1", title)]
    remarks = remarks_section([notice.to_dict() for notice in report.notices], 2)
    if len(report.tools) == 1:
        part = report.tools[0]
        return [*start, _headline(part), *_details(part, 2, "t1"), method_section(2), remarks, _cautions()]
    tools = [
        el("section", el("h2", tool_name(part), id=f"t{i}"), _headline(part), *_details(part, 3, f"t{i}"))
        for i, part in enumerate(report.tools, 1)
    ]
    return [*start, _overview(report), _comparison(report.ranking), *tools, method_section(2), remarks, _cautions()]


def _headline(part: ToolPart) -> Html:
    answers = headline(part)
    rows = [
        join([el("dt", question), el("dd", answer, class_="first" if question == "How harsh" else None)])
        for question, answer in answers
    ]
    return el("dl", *rows, class_="short")


def _details(part: ToolPart, level: int, name: str) -> list[Html | None]:
    return [
        grade_section(part, level),
        time_section(part, level, name),
        source_section(part, level),
        doubt_section(part, level),
        recordings_section(part, level, name),
        _sheet(part, level),
        measured_section(part, level),
        unmeasured_section(part, level),
    ]


def _sheet(part: ToolPart, level: int) -> Html | None:
    known = sheet_facts(part)
    return join([el(f"h{level}", "The tool, by its sheet"), known]) if known else None


def _overview(report: Report) -> Html:
    """Return all tools in one table, in their own order (conditions differ: it is no ranking), each a link."""
    rows = []
    for i, part in enumerate(report.tools, 1):
        summary = deciding(part)
        link = el("a", tool_name(part), href=f"#t{i}")
        if summary is None:
            rows.append([link, "-", "cannot be graded", "-", why(part)])
            continue
        doubt = number(summary["expanded_uncertainty_mps2"], 2)
        time = format_allowed(summary["allowed_trigger_time"]["to_action_value"])
        rows.append(
            [link, summary["condition"] or "not named", f"{number(summary['a_hv_mps2'])} ± {doubt}", time, why(part)]
        )
    headings = (
        "tool",
        "condition",
        join([A_HV, ", m/s² (k\u00a0=\u00a02)"]),
        "trigger time per day to the action value",
        "why it shakes",
    )
    return join([el("h2", "In short"), table("Tools of this page", headings, rows, numbers=())])


def _comparison(ranking: Document | None) -> Html | None:
    """Return the ranking on equal terms, with its doubt; None where there is none."""
    if ranking is None:
        return None
    rows = [_ranked(tool) for tool in ranking["tools"] if tool["rank"] is not None]
    headings = (
        "tool",
        "place",
        join([A_HV, ", m/s²"]),
        DOUBT,
        "speed loaded, 1/min",
        "shaft power, W",
        "work per day, Wh",
    )
    caption = (
        f"Condition: {ranking['condition'] or 'not named'}. Place 1 shakes least; in brackets the places that "
        "its doubt leaves open. Work is what it does until the action value is reached"
    )
    parts: list[object | None] = [el("h2", "Side by side, on equal terms")]
    parts.append(table(caption, headings, rows) if rows else el("p", "No two tools can be compared."))
    told = told_pairs(ranking["pairs"])
    if told:
        caption = "How sure the order is"
        caption += ": each tool and the next" if len(told) < len(ranking["pairs"]) else ""
        columns = ("tool", "shakes less than", "probability", "so they")
        parts.append(table(caption, columns, map(_pair, told), numbers=(2,)))
    apart = ranking["not_comparable"]
    if apart:
        parts.append(el("p", "Not compared:"))
        parts.append(facts((", ".join(map(str, one["tools"])), one["reason"]) for one in apart))
    return join(parts)


def _ranked(tool: Document) -> list[object]:
    place = str(tool["rank"])
    if tool["rank_low"] != tool["rank_high"]:
        place = f"{place} ({tool['rank_low']} to {tool['rank_high']})"
    return [
        tool["tag"],
        place,
        number(tool["a_hv_mps2"]),
        number(tool["expanded_uncertainty_mps2"], 2),
        number(tool["spindle_rpm_loaded"], 4),
        number(tool["shaft_power_w"]),
        _work(tool),
    ]


def _work(tool: Document) -> str:
    """Return the useful work per day with its ends, never bare."""
    if tool["work_to_action_value_wh"] is None:
        return number(None)
    low, high = (number(tool[f"work_to_action_value_{end}_wh"], 2) for end in ("low", "high"))
    return f"{number(tool['work_to_action_value_wh'])} ({low} to {high})"


def _pair(pair: Document) -> list[object]:
    share = float(pair["probability_a_shakes_less"])
    first, second = (pair["a"], pair["b"]) if share >= 0.5 else (pair["b"], pair["a"])
    sure = max(share, 1 - share)
    return [first, second, percent(sure), "cannot be told apart" if pair.get("tie") else "told apart"]


def _cautions() -> Html:
    items = [el("li", line) for line in _CAUTIONS]
    return el("footer", el("h2", "Cautions", id="cautions"), el("ul", *items))


def require_writable(path: Path, inputs: Sequence[Path] = ()) -> None:
    """Make sure, before the work starts, that a page can be written there without covering what it is made from.

    Raises:
        UsageError: the folder does not exist, the path is a folder, one of `inputs`, or a sheet (TOML).
    """
    if path.is_dir() or not path.parent.is_dir():
        raise UsageError(f"{path}: {'is a folder' if path.is_dir() else 'no such folder'}: name a file to write")
    if path.suffix.lower() == ".toml" or any(path.resolve() == given.resolve() for given in inputs):
        raise UsageError(f"{path}: is one of the inputs or a sheet: name another file for the page")


def write_page(page: str, path: Path) -> None:
    """Write a page: whole or not at all (beside it first, then renamed).

    Raises:
        UsageError: it cannot be written there.
    """
    with atomic(path, UsageError) as temporary:
        temporary.write_text(page, encoding="utf-8", newline="\n")
