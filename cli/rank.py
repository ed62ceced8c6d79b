"""`vibekit rank`: tools side by side, fair, with the doubt shown."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import Annotated, Any

import typer

from vibekit.errors import InputError
from vibekit.units import format_duration

from .options import Json
from .output import Document, Progress, emit, note, notice_lines, number, printable

Benches = Annotated[
    list[str], typer.Argument(metavar="BENCH...", help="Bench sheets (TOML); or recordings, folders, globs.")
]
Condition = Annotated[
    str | None, typer.Option("--condition", help='Condition to compare in; else "loaded" where it was recorded.')
]
CsvFile = Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Also write the tools as a table.")]
LogFile = Annotated[
    Path | None, typer.Option("--log", metavar="FILE", help="Keep results in this log: a stopped run goes on from it.")
]
Jobs = Annotated[int | None, typer.Option("--jobs", min=1, help="Processes at work at once; else one per core.")]

Engine = Annotated[
    str | None, typer.Option("--engine", metavar="dask://HOST:PORT", help="Do the work on an existing Dask engine.")
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(rank)


def rank(
    benches: Benches,
    condition: Condition = None,
    csv_file: CsvFile = None,
    log_file: LogFile = None,
    jobs: Jobs = None,
    engine: Engine = None,
    as_json: Json = False,
) -> None:
    """Rank tools by how much they shake, on equal terms, with the work each can do in a day."""
    from vibekit.bench.logbook import open_log
    from vibekit.bench.ranking import rank as ranking_of
    from vibekit.bench.session import jobs_of, run_session
    from vibekit.bench.tables import write_table

    work, sheets = jobs_of(benches)
    progress = Progress(f"{len(work)} recordings")
    with open_log(log_file) if log_file else nullcontext() as log:
        session = run_session(work, log, jobs, progress, note, engine=engine)
    progress.done()
    title = ", ".join(sheet.title for sheet in sheets)
    document = ranking_of(session.runs, title, condition).to_dict()
    document["notices"] = [notice.to_dict() for notice in session.failures] + document["notices"]
    if csv_file is not None:
        write_table(csv_file, document["tools"], list(document["tools"][0]) if document["tools"] else ["tag"])
    emit(document, as_json, render, InputError.exit_code if session.failures else 0)


def render(document: Document) -> str:
    """Return the ranking as text."""
    condition = document["condition"] or "condition not named"
    lines = [printable(f"{document['title'] or 'Bench'}: {len(document['tools'])} tools, compared {condition}"), ""]
    lines.append(
        "  place  tool          a_hv [m/s²]    time to 2.5 m/s²   work/day     spindle loaded (droop)  accessory"
    )
    lines += [_row(tool) for tool in document["tools"]]
    lines += ["", *(_pair(pair) for pair in document["pairs"])]
    apart = [f"not compared: {', '.join(a['tools'])}: {a['reason']}" for a in document["not_comparable"]]
    return "\n".join([*lines, *("" for _ in apart[:1]), *map(printable, apart), "", *notice_lines(document)])


def _row(tool: dict[str, Any]) -> str:
    place = _place(tool)
    doubt = f" ± {number(tool['expanded_uncertainty_mps2'], 2)}" if tool["a_hv_mps2"] is not None else ""
    time = tool["allowed_trigger_time_s"]
    left = "-" if time is None else format_duration(min(time, 86_400.0))
    speed = number(tool["spindle_rpm_loaded"], 4, "1/min")
    droop = f" ({number(tool['droop_pct'], 2)} %)" if tool["droop_pct"] is not None else ""
    return printable(
        f"  {place:<6} {tool['tag']:<13} {number(tool['a_hv_mps2']) + doubt:<15} {left:<18} "
        f"{number(tool['work_to_action_value_wh'], 3, 'Wh'):<12} {speed + droop:<23} {tool['accessory'] or '-'}"
    )


def _place(tool: dict[str, Any]) -> str:
    if tool["rank"] is None:
        return "-"
    if tool["rank_low"] == tool["rank_high"]:
        return str(tool["rank"])
    return f"{tool['rank']} ({tool['rank_low']}-{tool['rank_high']})"


def _pair(pair: dict[str, Any]) -> str:
    share = 100 * pair["probability_a_shakes_less"]
    said = "cannot be told apart from" if pair["tie"] else "shakes less than" if share >= 50 else "shakes more than"
    return printable(f"  {pair['a']} {said} {pair['b']} (probability that it shakes less: {_percent(share)})")


def _percent(share: float) -> str:
    return "over 99 %" if share > 99 else "under 1 %" if share < 1 else f"{share:.0f} %"
