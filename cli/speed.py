"""`vibekit speed`: how fast it turns, over time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from .options import Json, OneRecording, PlotOption, RecordingOptions, recording_command
from .output import Document, emit, note, notice_lines, number, printable

if TYPE_CHECKING:
    from vibekit.machine.speed import SpeedEstimate
    from vibekit.recording.recording import Recording


MapOption = Annotated[
    Path | None,
    typer.Option(
        "--map",
        metavar="FILE",
        help="Draw level over frequency and speed (run-up, coast-down, load) to this PNG or SVG file.",
        dir_okay=False,
    ),
]
LinearOption = Annotated[bool, typer.Option("--linear", help="Draw the map's frequencies on a linear scale.")]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(speed))


def speed(
    recording: OneRecording,
    options: RecordingOptions,
    plot: PlotOption = None,
    map_to: MapOption = None,
    linear: LinearOption = False,
    as_json: Json = False,
) -> None:
    """Find shaft speeds over time, from tachometer, vibration or sound."""
    import vibekit as vk

    read = options.read(recording)
    result = vk.estimate_speed(read)
    if plot is not None:
        from vibekit.bench.plots_machine import plot_speed

        plot_speed(result, read, plot)
        note(f"plot written to {plot}")
    if map_to is not None:
        _draw_map(result, read, map_to, linear)
        note(f"map written to {map_to}")
    emit(_with_magnitudes(result.to_dict(), read), as_json, render)


def _draw_map(result: SpeedEstimate, recording: Recording, path: Path, linear: bool) -> None:
    from vibekit.bench.plots_map import plot_map
    from vibekit.machine.maps import map_orders, speed_map
    from vibekit.machine.resonances import order_map, resonances, swept_orders

    mapped = speed_map(recording, result)
    names = map_orders(recording.tool, result.of)
    swept = order_map(recording, result, swept_orders(recording.tool, result.of))
    plot_map(mapped, resonances(swept), names, recording.origin.file, path, linear)


def _with_magnitudes(document: Document, recording: Recording) -> Document:
    """Return the document with a_hv in each segment (null where it cannot be graded: axes missing, or refused)."""
    import vibekit as vk

    track = None
    if len(recording.axes) == 3 and not recording.weighted and document["segments"]:
        graded = vk.grade(recording)
        track = graded.track if graded.gradeable else None
    for segment in document["segments"]:
        segment["a_hv_mps2"] = None
        if track is not None and segment["state"] in ("steady", "loaded"):
            frames = slice(round(segment["start_s"] / track.frame_s), round(segment["end_s"] / track.frame_s))
            count = track.counts[frames].sum()
            if count > 0:
                segment["a_hv_mps2"] = float((track.weighted[:, frames].sum() / count) ** 0.5)
    return document


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
    of = printable(document["track"]["of"])
    lines += ["", f"  {'from':>8} {'to':>8}   state       {of:>10}   slower    a_hv [m/s²]"]
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
    droop = "-" if segment["droop_pct"] is None else f"{segment['droop_pct']:.1f} %"
    a_hv = "-" if segment["a_hv_mps2"] is None else number(segment["a_hv_mps2"])
    times = f"  {segment['start_s']:>6.1f} s {segment['end_s']:>6.1f} s"
    return f"{times}   {segment['state']:<10}  {rpm:>10}  {droop:>7}  {a_hv:>9}"


_SOURCES = {"tach": "the tachometer", "vibration": "the lines in the vibration", "sound": "the lines in the sound"}
