"""`vibekit log`: the tools' history."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import InputError, Notice, document
from vibekit.units import number

from .options import Engine, Jobs, Json, RecordingOptions, recording_command
from .output import Document, Progress, emit, note, notice_lines, printable
from .overview import Overview

if TYPE_CHECKING:
    import sqlite3

    from vibekit.bench.analysis import RunResult
    from vibekit.bench.diagnoses import Run
    from vibekit.bench.session import Job
    from vibekit.recording.recording import RecordingStream

LogFile = Annotated[
    Path | None, typer.Option("--log", metavar="FILE", help="The log; else the one in the user's data folder.")
]
Recordings = Annotated[
    list[str], typer.Argument(metavar="REC...", help="Recordings, folders, globs, or bench sheets (TOML).")
]
Tag = Annotated[str, typer.Argument(metavar="TAG", help="The tool's tag, as on its sheet.")]
Kind = Annotated[str | None, typer.Option("--kind", metavar="KIND", help="Only these: grade, speed or diagnosis.")]
Table = Annotated[Path, typer.Argument(metavar="FILE", help="Table: CSV, or Parquet by its suffix.")]
GradeOnly = Annotated[bool, typer.Option("--no-diagnosis", help="Leave the diagnosis out.")]

_log = typer.Typer(name="log", cls=Overview, help="Keep and show the tools' history.", no_args_is_help=True)


def register(commands: typer.Typer) -> None:
    """Add the command with its subcommands."""
    commands.add_typer(_log)


def log_path(given: Path | None) -> Path:
    """Return the log that was named, or the user's."""
    from vibekit.bench.logbook import default_log

    return given or default_log()


@_log.command()
@recording_command
def add(
    recordings: Recordings,
    options: RecordingOptions,
    log_file: LogFile = None,
    jobs: Jobs = None,
    engine: Engine = None,
    no_diagnosis: GradeOnly = False,
    as_json: Json = False,
) -> None:
    """Grade recordings, take their speed, diagnose each tool, and keep the results; each recording counts once."""
    from vibekit.bench.diagnoses import by_tool, joint_hash
    from vibekit.bench.logbook import entries, open_log
    from vibekit.bench.session import jobs_of, run_session

    work, _ = jobs_of(recordings)
    progress = Progress(f"{len(work)} recordings")
    given = {name: value for name, value in asdict(options).items() if value is not None}
    with open_log(log_path(log_file)) as log:
        before = {(e.recording_sha256, e.kind, e.inputs_sha256) for e in entries(log, documents=False)}
        session = run_session(work, log, jobs, progress, note, partial(_analyse, options, given), given, engine)
        progress.done()
        groups = [] if no_diagnosis else by_tool(list(zip(session.runs, session.paths, strict=True)))
        defaults = {job.path: job.defaults for job in work}
        remarks = _diagnose(log, groups, partial(_open, options, defaults), jobs, engine)
        own = {joint_hash([run.sha256 for run, _ in group]) for group in groups} | {r.sha256 for r in session.runs}
        shown = [e for e in entries(log, documents=False) if e.recording_sha256 in own]
    known = [e for e in shown if (e.recording_sha256, e.kind, e.inputs_sha256) in before]
    body = {"entries": [e.to_dict() for e in shown], "added": len(shown) - len(known), "known_before": len(known)}
    notices = [*session.failures, *(n for run in session.runs for n in run.against), *remarks]
    emit(document("log", body, notices), as_json, render, InputError.exit_code if session.failures else 0)


def _diagnose(
    log: sqlite3.Connection,
    groups: list[list[Run]],
    open_stream: Callable[[Path], RecordingStream],
    jobs: int | None,
    engine: str | None,
) -> list[Notice]:
    """Log the diagnosis of each tool that the log does not hold from the same inputs; return what stood in the way."""
    from vibekit.bench.diagnoses import diagnoses, inputs_of
    from vibekit.bench.logbook import Entry, add_entries, known_result

    def is_new(group: list[Run]) -> bool:
        return known_result(log, inputs_of(group), "diagnosis") is None

    remarks = []
    for outcome in diagnoses([group for group in groups if is_new(group)], open_stream, jobs, engine):
        if isinstance(outcome, Entry):
            add_entries(log, [outcome])
        else:
            remarks.append(outcome)
    return remarks


def _analyse(options: RecordingOptions, given: dict[str, Any], job: Job) -> RunResult:
    """Return the result of one recording with the options of the command line; it must name its tool."""
    from vibekit.bench.analysis import analyse_stream, fingerprint

    stream = options.open(job.path, job.defaults)
    if stream.tool is None:
        raise InputError(f"{job.path}: no tool sheet names the tool: give --tool, or tool in the sidecar")
    return analyse_stream(stream, fingerprint(job.path, job.defaults, given))


def _open(options: RecordingOptions, defaults: dict[Path, Any], path: Path) -> RecordingStream:
    return options.open(path, defaults[path])


@_log.command("list")
def list_entries(log_file: LogFile = None, kind: Kind = None, as_json: Json = False) -> None:
    """List everything in the log."""
    _show(log_file, None, kind, as_json)


@_log.command()
def show(tag: Tag, log_file: LogFile = None, kind: Kind = None, as_json: Json = False) -> None:
    """Show the history of one tool."""
    _show(log_file, tag, kind, as_json)


def _show(log_file: Path | None, tag: str | None, kind: str | None, as_json: bool) -> None:
    from vibekit.bench.logbook import entries, open_log, require_tag, teardowns

    with open_log(log_path(log_file), create=False) as log:
        if tag is not None:
            require_tag(log, tag)
        found, opened = entries(log, tag, kind, documents=False), teardowns(log, tag)
    body = {
        "entries": [entry.to_dict() for entry in found],
        "teardowns": [
            {"when": t.opened_at.isoformat(), "tag": t.tag, "found": list(t.found), "note": t.note} for t in opened
        ],
    }
    emit(document("log", body, ()), as_json, render)


@_log.command("export")
def export_entries(table: Table, log_file: LogFile = None) -> None:
    """Write the whole log to a table."""
    from vibekit.bench.exchange import export_log
    from vibekit.bench.logbook import open_log

    with open_log(log_path(log_file), create=False) as log:
        count = export_log(log, table)
    note(f"{count} rows written to {table}")


@_log.command("import")
def import_table(table: Table, log_file: LogFile = None) -> None:
    """Add what an exported table holds and the log does not."""
    from vibekit.bench.exchange import import_log
    from vibekit.bench.logbook import open_log

    with open_log(log_path(log_file)) as log:
        counts: Counter[str] = import_log(log, table)
    note(", ".join(f"{counts[name]} {name}" for name in ("added", "replaced", "known")))


def render(log: Document) -> str:
    """Return log entries as text."""
    lines = ["when (UTC)          tool           kind       condition     hours   values"] if log["entries"] else []
    lines += [_line(entry) for entry in log["entries"]] or ["the log is empty"]
    for teardown in log.get("teardowns", []):
        text = f"{teardown['when'][:16]}    {teardown['tag']:<14} opened     found: {', '.join(teardown['found'])}"
        lines.append(printable(f"{text}{'; ' + teardown['note'] if teardown['note'] else ''}"))
    if any(entry["when_from"] != "stated" for entry in log["entries"]):
        lines += ["", "~ the file's own time: give started in the sidecar"]
    if "added" in log:
        lines += ["", f"{log['added']} added, {log['known_before']} known before"]
    return "\n".join([*lines, *notice_lines(log)])


def _line(entry: dict[str, Any]) -> str:
    values = entry["quantities"]
    if entry["kind"] == "grade" and values.get("a_hv_mps2") is None:
        said = f"cannot be graded  ({entry['file']})"
    elif entry["kind"] == "grade":
        doubt = number(values.get("expanded_uncertainty_mps2"), 2)
        said = f"a_hv {number(values['a_hv_mps2'])} ± {doubt} m/s²  ({entry['file']})"
    elif entry["kind"] == "speed":
        said = f"spindle {number(values.get('spindle_rpm'), 4)} 1/min ({values.get('source')})"
    else:
        said = str(values.get("verdict", ""))
    what = f"{entry['tag']:<14} {entry['kind']:<10} {entry['condition'] or '-':<13} {number(entry['hours_used']):<7}"
    guessed = "~" if entry["when_from"] != "stated" else " "
    return printable(f"{entry['when'][:16]}{guessed}   {what} {said}")
