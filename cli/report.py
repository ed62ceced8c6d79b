"""`vibekit report`: one self-contained HTML page on a recording, a tool or a bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import document as framed

from .options import Engine, Jobs, Json, RecordingOptions, over_recordings, recording_command
from .output import Document, Progress, emit, notice_lines, printable

if TYPE_CHECKING:
    from vibekit.bench.report_parts import Report

Given = Annotated[
    list[str], typer.Argument(metavar="REC...", help="Recordings, folders, globs, or a bench sheet (TOML).")
]
Out = Annotated[Path, typer.Option("--out", metavar="FILE", help="The page to write.")]
Title = Annotated[
    str | None, typer.Option("--title", metavar="TEXT", help="Title of the page; else the bench's or the tool's name.")
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(report))


def report(
    given: Given,
    out: Out,
    options: RecordingOptions,
    title: Title = None,
    jobs: Jobs = None,
    engine: Engine = None,
    as_json: Json = False,
) -> None:
    """Make one self-contained HTML page: how harsh, how long, why, how sure, with plots."""
    from vibekit.bench.analysis import fingerprint
    from vibekit.bench.report import report_page, require_writable, write_page
    from vibekit.bench.report_collect import collect, look
    from vibekit.bench.session import jobs_of

    work, sheets = jobs_of(given)
    require_writable(out, [job.path for job in work] + [sheet.path for sheet in sheets])
    defaults = {job.path: job.defaults for job in work}

    def one(path: Path) -> Any:
        progress = Progress(f"looking at {path.name}")
        looked = look(options.open(path, defaults[path]), fingerprint(path, defaults[path]), progress)
        progress.done()
        return looked

    looked, failures = over_recordings([job.path for job in work], one, jobs, engine)
    named = title or ", ".join(sheet.title for sheet in sheets) or None
    page = collect(looked, named, failures.notices)
    write_page(report_page(page), out)
    emit(_document(page, out), as_json, render, failures.exit_code)


def _document(page: Report, out: Path) -> Document:
    """Return what was made: the file, and the headline for each tool."""
    from vibekit.bench.report_words import headline

    tools = [
        {
            "tool": part.tag,
            "recordings": [recording.grade["file"] for recording in part.recordings],
            "headline": dict(headline(part)),
        }
        for part in page.tools
    ]
    return framed("report", {"file": str(out), "tools": tools}, page.notices)


def render(document: Document) -> str:
    """Return the headlines, and where the page is."""
    lines: list[str] = []
    for tool in document["tools"]:
        lines += [printable(f"{question}: {answer}") for question, answer in tool["headline"].items()]
        lines.append("")
    return "\n".join([*lines, printable(f"page written to {document['file']}"), *notice_lines(document)])
