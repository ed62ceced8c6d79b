"""`vibekit diagnose`: what makes a tool shake, before the teardown."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from .options import Json, PlotOption, RecordingOptions, Recordings, over_recordings, recording_command
from .output import Document, emit, note, notice_lines, number, printable

Priors = Annotated[
    Path | None, typer.Option("--priors", metavar="FILE", help="Shifts from own teardowns (teardown --write-priors).")
]
_SHOWN = 0.05  # findings below this share are only listed by --json


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(diagnose))


def diagnose(
    recordings: Recordings,
    options: RecordingOptions,
    priors: Priors = None,
    plot: PlotOption = None,
    as_json: Json = False,
) -> None:
    """Say what inside makes a tool shake, with evidence and probability, from recordings of that one tool."""
    import vibekit as vk
    from vibekit.machine.faults.judgement import read_priors

    shifts = read_priors(priors) if priors else None

    read, failures = over_recordings(recordings, options.read)
    document = vk.diagnose(read, priors=shifts).to_dict()
    document["notices"] += [notice.to_dict() for notice in failures.notices]
    if plot is not None:
        from vibekit.bench.plots_diagnosis import plot_diagnosis

        plot_diagnosis(document, plot)
        note(f"plot written to {plot}")
    emit(document, as_json, render, failures.exit_code)


def render(document: Document) -> str:
    """Return the diagnosis as a mechanic reads it."""
    lines = [f"{printable(document['tool'] or 'tool without a sheet')}: {printable(document['verdict'])}", ""]
    speeds = [f"{name} {shaft['median_rpm']:.0f} rpm" for name, shaft in document["speed"]["shafts"].items()]
    if speeds:
        lines += [f"speed, from {document['speed']['source']}: {printable(', '.join(speeds))}", ""]
    for finding in document["findings"]:
        if finding["probability"] >= _SHOWN:
            lines += [*_finding(finding, several=len(document["recordings"]) > 1), ""]
    if document["not_testable"]:
        lines.append("not testable with these recordings:")
        lines += [f"  {entry['fault']}: {printable(entry['reason'])}" for entry in document["not_testable"]]
        lines.append("")
    return "\n".join(lines + notice_lines(document))


def _finding(finding: dict[str, Any], several: bool) -> list[str]:
    where = f" at {printable(finding['where'])}" if finding["where"] else ""
    severity = f", {finding['severity']}" if finding["severity"] else ""
    lines = [f"{100 * finding['probability']:3.0f} %  {finding['name']}{where}{severity}  [{finding['fault']}]"]
    size = finding["size"] or {}
    if size.get("residual_unbalance_g_mm") is not None:
        grade = size["balance_grade_mm_s"]
        lines.append(
            f"       about {number(size['residual_unbalance_g_mm'], 2)} g·mm"
            + (f", balance grade G {number(grade, 2)}" if grade is not None else "")
            + f" (if {size['assumes']} moves)"
        )
    if finding["fault"] != "healthy":
        lines += [_evidence(item, several) for item in finding["evidence"][:4]]
        lines.append(f"       check first: {finding['check_first']}")
        lines.append(f"       look for: {finding['look_for']}")
    for rival in finding["rivals"]:
        if rival["separated_by"]:
            lines.append(f"       or {rival['fault']}: told apart by {rival['separated_by']}")
    return lines


def _evidence(item: dict[str, Any], several: bool) -> str:
    side = "for    " if item["supports"] else "against"
    feature = f"{item['feature_words']}: {item['feature_value']:.1f}"
    condition = f", {printable(item['condition'])}" if several and item["condition"] else ""
    if item["frequency_hz"] is None:
        return f"       {side} {feature}{condition}"
    return (
        f"       {side} {printable(item['line'])}: {number(item['frequency_hz'], 4)} Hz, "
        f"{number(item['amplitude_mps2'])} m/s² on {item['axis']}{condition} ({feature})"
    )
