"""The page's section on what makes a tool shake: findings with evidence, the unlikely, what cannot be told."""

from __future__ import annotations

from collections.abc import Sequence

from vibekit.bench.markup import Html, el, facts, heading, join, table
from vibekit.bench.report_parts import Document, ToolPart
from vibekit.bench.report_words import NOT_LOOKED_FOR, UNLIKELY, fault_words, likelihood, named, percent, sentence
from vibekit.units import number


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
        (
            item["line"],
            "for" if item["supports"] else "against",
            number(item["order"]),
            number(item["frequency_hz"], 4),
            number(item["amplitude_mps2"]),
            number(item["over_floor_db"]),
            item["axis"] or "-",
        )
        for item in evidence
    ]
    rows = list(dict.fromkeys(rows))  # one line may speak for two features
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
