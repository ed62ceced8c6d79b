"""`vibekit rank`: tools side by side, fair, with the doubt shown."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated, Any

import typer

from vibekit.errors import InputError
from vibekit.units import format_allowed, number

from .options import Engine, Jobs, Json, PlotOption
from .output import Document, Progress, counted, emit, note, notice_lines, printable

Benches = Annotated[
    list[str], typer.Argument(metavar="BENCH...", help="Bench sheets (TOML); or recordings, folders, globs.")
]
Condition = Annotated[
    str | None,
    typer.Option("--condition", metavar="TEXT", help='Condition to compare in; else "loaded" where it was recorded.'),
]
CsvFile = Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Also write the tools as a table.")]
LogFile = Annotated[
    Path | None, typer.Option("--log", metavar="FILE", help="Keep results in this log: a stopped run goes on from it.")
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
    plot: PlotOption = None,
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
    if plot is not None:
        from vibekit.bench.plots_bench import plot_ranking

        plot_ranking(document, plot)
        note(f"plot written to {plot}")
    emit(document, as_json, render, InputError.exit_code if session.failures else 0)


def render(document: Document) -> str:
    """Return the ranking as text: what is compared first, tool by tool, then the pairs."""
    from vibekit.bench.comparison import told_pairs

    condition = document["condition"] or "condition not named"
    lines = [
        printable(f"{document['title'] or 'Bench'}: {counted(len(document['tools']), 'tool')}, compared {condition}"),
        "",
    ]
    compared = [tool for tool in document["tools"] if tool["a_hv_mps2"] is not None]
    lines += [line for tool in compared for line in _tool(tool)]
    told = told_pairs(document["pairs"])
    lines += [_pair(pair) for pair in told]
    if len(told) < len(document["pairs"]):
        lines.append(f"  (each tool and the next; --json has all {len(document['pairs'])} pairs)")
    apart = [f"not compared: {', '.join(a['tools'])}: {a['reason']}" for a in document["not_comparable"]]
    return "\n".join([*lines, *("" for _ in apart[:1]), *map(printable, apart), "", *notice_lines(document)])


def _tool(tool: dict[str, Any]) -> list[str]:
    place = f"place {_place(tool)}" if tool["rank"] is not None else "not ranked"
    tie = f", tied with {', '.join(tool['tied_with'])}" if tool["tied_with"] else ""
    terms = ", ".join(text for text in (tool["accessory"], tool["position"], counted(tool["runs"], "run")) if text)
    doubt = number(tool["expanded_uncertainty_mps2"], 2)
    time = {key: tool[f"allowed_trigger_time{part}_s"] for key, part in _ENDS.items()}
    lines = [
        f"  {tool['tag']}: {place}{tie}: a_hv {number(tool['a_hv_mps2'])} ± {doubt} m/s² ({terms})",
        f"    trigger time per day to the action value: {format_allowed(time)}",
    ]
    if tool["work_to_action_value_wh"] is not None:
        low, high = (number(tool[f"work_to_action_value_{end}_wh"], 2) for end in ("low", "high"))
        power = number(tool["shaft_power_w"], 3, "W")
        lines.append(
            f"    work in that time: {number(tool['work_to_action_value_wh'])} Wh ({low} to {high}) at {power}"
        )
    speeds = [f"{words} {number(tool[key], 4)}" for key, words in _SPEEDS.items() if tool[key] is not None]
    droop = f" (droop {number(tool['droop_pct'], 2)} %)" if tool["droop_pct"] is not None else ""
    lines += [f"    spindle {', '.join(speeds)} 1/min{droop}"] if speeds else []
    return [*map(printable, lines), ""]


_ENDS = {"value_s": "", "low_s": "_low", "high_s": "_high"}
_SPEEDS = {"spindle_rpm_no_load": "no load", "spindle_rpm_loaded": "loaded"}


def _place(tool: dict[str, Any]) -> str:
    if tool["rank_low"] == tool["rank_high"]:
        return str(tool["rank"])
    return f"{tool['rank']} (between {tool['rank_low']} and {tool['rank_high']})"


def _pair(pair: Mapping[str, Any]) -> str:
    share = 100 * pair["probability_a_shakes_less"]
    said = "cannot be told apart from" if pair["tie"] else "shakes less than" if share >= 50 else "shakes more than"
    return printable(f"  {pair['a']} {said} {pair['b']} (probability that it shakes less: {_percent(share)})")


def _percent(share: float) -> str:
    return "over 99 %" if share > 99 else "under 1 %" if share < 1 else f"{share:.0f} %"
