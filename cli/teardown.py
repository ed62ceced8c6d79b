"""`vibekit teardown`: what was found inside, against what was predicted."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from vibekit.errors import UsageError
from vibekit.units import number

from .log import LogFile, Tag, log_path
from .options import Json
from .output import Document, counted, emit, note as say, notice_lines, printable

Found = Annotated[
    list[str],
    typer.Option("--found", metavar="FAULT", help="What was found, by the name that diagnose gives it; repeatable."),
]
Note = Annotated[str, typer.Option("--note", metavar="TEXT", help="What else was seen.")]
When = Annotated[
    str | None, typer.Option("--when", metavar="TIME", help="When it was opened, such as 2026-03-07T10:15; else now.")
]
Priors = Annotated[
    Path | None,
    typer.Option("--write-priors", metavar="FILE", help="Write the proposed priors (TOML), to be read first."),
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(teardown)


def teardown(
    tag: Tag,
    found: Found,
    log_file: LogFile = None,
    note: Note = "",
    when: When = None,
    write_priors: Priors = None,
    as_json: Json = False,
) -> None:
    """Store what was found in a tool and score the diagnosis made before; only earlier predictions count.

    Unplug the tool or take its battery out before opening it, and never run it opened.
    """
    from vibekit.bench.logbook import open_log
    from vibekit.bench.teardown import checked, record_teardown

    faults = checked([fault.strip() for text in found for fault in text.split(",")])  # before a log is made
    with open_log(log_path(log_file)) as log:
        document = record_teardown(log, tag, faults, note, _moment(when)).to_dict()
    if write_priors is not None:
        _write(write_priors, document)
    emit(document, as_json, render)


def _moment(text: str | None) -> datetime | None:
    try:
        return datetime.fromisoformat(text) if text else None
    except ValueError:
        raise UsageError(f"--when {text!r} is not a time such as 2026-03-07T10:15") from None


def _write(path: Path, document: Document) -> None:
    from vibekit.recording.atomic import atomic

    lines = ["# Proposed from teardowns: shift of each fault's log-odds, and the share it rests on."]
    for row in document["proposed_priors"]:
        lines += ["", f'[prior."{row["fault"]}"]', f"proposed = {row['proposed_prior']:.4f}"]
        lines += [f"log_odds_shift = {row['log_odds_shift']:.3f}", f"teardowns = {row['teardowns']}"]
    with atomic(path) as temporary:
        temporary.write_text("\n".join(lines) + "\n", encoding="utf-8")
    say(f"proposed priors written to {path}")


_SCORED = {
    "hits": "said and found",
    "misses": "found, not said",
    "false_alarms": "said, not found",
    "found_but_not_testable": "found, but that recording could not test it",
}


def render(document: Document) -> str:
    """Return the score as text."""
    lines = [printable(f"{document['tag']}: found {', '.join(document['found'])}")]
    score = document["score"]
    if score is not None:
        best = ", ".join(f"{row['fault']} {100 * row['probability']:.0f} %" for row in document["predicted"][:4])
        lines += [f"  predicted before: {best}"]
        lines += [f"  {words}: {', '.join(score[key])}" for key, words in _SCORED.items() if score[key]]
        lines.append(f"  Brier score {number(score['brier'], 2)} (0 is perfect)")
    if document["teardowns_scored"]:
        lines += ["", *_overall(document)]
    return "\n".join([*lines, "", *notice_lines(document)])


def _overall(document: Document) -> list[str]:
    n = document["teardowns_scored"]
    lines = [
        f"Over {counted(n, 'scored teardown')}: first finding right in {document['top_1_hits']}, first or second in "
        f"{document['top_2_hits']}; Brier score {number(document['brier'], 2)}",
        "  fault                     found  hits  misses  false alarms  hit rate (95 %)",
    ]
    lines += [_fault(row) for row in document["faults"]]
    lines += ["  said            cases  true (95 %)"]
    lines += [_bin(row) for row in document["calibration"]]
    return lines


def _fault(row: dict[str, Any]) -> str:
    rate = _share(row["hit_rate"], row["hit_rate_low"], row["hit_rate_high"])
    counts = f"{row['found']:>5}  {row['hits']:>4}  {row['misses']:>6}  {row['false_alarms']:>12}"
    return f"  {row['fault']:<24}  {counts}  {rate}"


def _bin(row: dict[str, Any]) -> str:
    span = f"{100 * row['from']:.0f} to {100 * row['to']:.0f} %"
    return f"  {span:<14}  {row['cases']:>5}  {_share(row['true'], row['true_low'], row['true_high'])}"


def _share(value: float | None, low: float | None, high: float | None) -> str:
    if value is None or low is None or high is None:
        return "-"
    return f"{100 * value:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"
