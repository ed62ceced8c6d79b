"""`vibekit speed`: how fast it turns, over time."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from .options import Json, OneRecording, RecordingOptions, recording_command
from .output import Document, emit, note, notice_lines, printable

PlotOption = Annotated[
    Path | None, typer.Option("--plot", metavar="FILE", help="Draw it to this PNG or SVG file.", dir_okay=False)
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(speed))


def speed(recording: OneRecording, options: RecordingOptions, plot: PlotOption = None, as_json: Json = False) -> None:
    """Find shaft speeds over time, from tachometer, vibration or sound."""
    import vibekit as vk

    read = options.read(recording)
    result = vk.estimate_speed(read)
    if plot is not None:
        from vibekit.bench.plots_machine import plot_speed

        plot_speed(result, read, plot)
        note(f"plot written to {plot}")
    emit(result.to_dict(), as_json, render)


def render(document: Document) -> str:
    """Return the speed as text."""
    lines = [printable(document["file"])]
    if document["source"] is None:
        lines.append("  no speed can be told (see the refusal below)")
    else:
        lines += _found(document)
    if document["rivals"]:
        lines.append("  it might also be:")
        lines += [f"    {rival['rpm']:>8.0f} rpm: {printable(rival['reason'])}" for rival in document["rivals"]]
    return "\n".join([*lines, *([""] if document["notices"] else []), *notice_lines(document)])


def _found(document: Document) -> list[str]:
    lines = [f"  from {_SOURCES[document['source']]}, confidence {document['confidence']:.2f}", ""]
    width = max(len(printable(name)) for name in document["shafts"])
    for name, shaft in document["shafts"].items():
        lines.append(
            f"  {printable(name):<{width}}  {shaft['median_rpm']:>8.0f} rpm  ({shaft['median_rpm'] / 60:.2f} Hz; "
            f"{shaft['min_rpm']:.0f} to {shaft['max_rpm']:.0f} rpm while running)"
        )
    lines += ["", f"  {'from':>8} {'to':>8}   state       {printable(document['track']['of'])}"]
    lines += [_segment(segment) for segment in document["segments"]]
    if document["droop_pct"] is not None:
        power = document["shaft_power_w"]
        at = f" at {power:g} W of shaft power" if power is not None else ""
        lines.append(
            f"  under load it turns {document['droop_pct']:.1f} % slower{at} (from the {document['droop_from']})"
        )
    return lines


def _segment(segment: dict[str, Any]) -> str:
    rpm = "-" if segment["rpm"] is None else f"{segment['rpm']:.0f} rpm"
    return f"  {segment['start_s']:>6.1f} s {segment['end_s']:>6.1f} s   {segment['state']:<10}  {rpm}"


_SOURCES = {"tach": "the tachometer", "vibration": "the lines in the vibration", "sound": "the lines in the sound"}
