"""`vibekit speed`: how fast it turns, over time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import RecordingLimitError

from .options import AxisOption, Json, OneRecording, PlotOption, RecordingOptions, Scale, UpToOption, recording_command
from .output import Document, Progress, emit, note, notice_lines, number, printable

if TYPE_CHECKING:
    from vibekit.errors import Notice
    from vibekit.machine.speed.estimate import SpeedEstimate
    from vibekit.recording.recording import Recording, RecordingStream


MapOption = Annotated[
    Path | None,
    typer.Option(
        "--map",
        metavar="FILE",
        help="Draw level over frequency and speed (run-up, coast-down, load) to this PNG or SVG file.",
        dir_okay=False,
    ),
]
FrequenciesOption = Annotated[
    Scale | None, typer.Option("--frequencies", help="Scale of the frequencies drawn; else linear, of the map log.")
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(speed))


def speed(
    recording: OneRecording,
    options: RecordingOptions,
    plot: PlotOption = None,
    map_to: MapOption = None,
    axis: AxisOption = None,
    frequencies: FrequenciesOption = None,
    up_to: UpToOption = None,
    as_json: Json = False,
) -> None:
    """Find shaft speeds over time, from tachometer, vibration or sound."""
    import vibekit as vk
    from vibekit.bench.speed_segments import segments_with_doubt

    read, notices = _read(options.open(recording, sound_alone=True))
    result = vk.estimate_speed(read)
    notices += _counted_from(options.from_s)
    result = replace(result, notices=(*result.notices, *notices, *read.origin.notices))
    document = result.to_dict() | segments_with_doubt(result, read)
    axes = tuple(axis or ())
    if plot is not None:
        from vibekit.bench.plots_speed import SpeedView, plot_speed

        plot_speed(result, read, plot, SpeedView(axes, (frequencies or Scale.linear).value, up_to))
        note(f"plot written to {plot}")
    if map_to is not None:
        document |= _map(result, read, map_to, MapAsked(axes, frequencies or Scale.log, up_to))
    emit(document, as_json, render)


def _read(stream: RecordingStream) -> tuple[Recording, tuple[Notice, ...]]:
    """Return a recording in memory, of a long one the stretch that stands for it, and what is to be said of that."""
    from vibekit.machine.lines.averaged import LOOKED_AT_S
    from vibekit.recording import gaps, stretch

    stream = gaps.stream_in_one_piece(stream)
    whole = stretch.read_unless_long(stream)
    if whole is not None:
        return whole, ()
    progress = Progress(f"reading {stream.origin.file}")
    part = stretch.representative_part(stream, LOOKED_AT_S, progress)
    progress.done()
    return part.recording, (part.notice,)


def _counted_from(from_s: float | None) -> tuple[Notice, ...]:
    """Return that times do not count from the beginning of the file, where they do not."""
    from vibekit.errors import Notice

    if not from_s:
        return ()
    return (Notice("times_from", "info", f"times count from second {from_s:g} of the file (--from)", value=from_s),)


@dataclass(frozen=True)
class MapAsked:
    """What of the map is asked for: axes (all if empty), scale of frequencies, highest frequency [Hz]."""

    axes: tuple[str, ...]
    scale: Scale
    up_to_hz: float | None


def _map(result: SpeedEstimate, recording: Recording, path: Path, asked: MapAsked) -> Document:
    """Draw the map; return the resonances found (None: the recording cannot show any) with what is to be said of it."""
    from vibekit.bench.plots_map import MapView, plot_map
    from vibekit.errors import Notice
    from vibekit.machine.lines.maps import map_orders, speed_map
    from vibekit.machine.lines.resonances import crossed_resonances

    try:
        mapped = speed_map(recording, result)
    except RecordingLimitError as error:
        refusal = Notice("no_map", "refusal", str(error), remedy="switch on and let it run down while it records")
        return {"resonances": None, "notices": [n.to_dict() for n in (*result.notices, refusal)]}
    names = map_orders(recording.tool, result.of)
    told, why_not = crossed_resonances(recording, result, recording.tool)
    plot_map(mapped, told, names, recording.origin.file, path, MapView(asked.axes, asked.scale.value, asked.up_to_hz))
    note(f"map written to {path}")
    return {
        "resonances": None if told is None else [resonance.to_dict() for resonance in told],
        "notices": [notice.to_dict() for notice in (*result.notices, *why_not)],
    }


def render(document: Document) -> str:
    """Return the speed as text."""
    lines = [printable(document["file"])]
    if document["source"] is None:
        lines.append("  no speed can be told (see the refusal below)")
    else:
        lines += _found(document)
        lines += _resonances(document)
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
    lines += ["", f"  {'from':>8} {'to':>8}   {'state':<10}  {of + ' [1/min]':>24}  {'slower':>16}   a_hv [m/s²]"]
    lines += [_segment(segment) for segment in document["segments"]]
    if document["droop_pct"] is not None:
        power = document["shaft_power_w"]
        at = f" at {power:g} W of shaft power" if power is not None else ""
        low, high = document["droop_low_pct"], document["droop_high_pct"]
        between = f" ({low:.1f} to {high:.1f} %)" if low is not None else ""
        droop = document["droop_pct"]
        slower = f"{droop:.1f} % slower{between}" if droop >= 0 else f"{-droop:.1f} % faster"
        lines.append(f"  under load it turns {slower}{at} (from the {document['droop_from']})")
    if any(segment["rpm"] is not None for segment in document["segments"]):
        lines.append("  in brackets: nine tenths of the time in a segment; ±: expanded uncertainty (k = 2)")
    return lines


def _resonances(document: Document) -> list[str]:
    """Return the resonances of the map as text; nothing without a map, or where none can be told."""
    found = document.get("resonances")
    if found is None:
        return []
    if not found:
        return ["", "  no frequency at which two orders are louder than on either side: no resonance"]
    return [
        "",
        *(
            f"  resonance near {number(row['frequency_hz'])} Hz: "
            + ", ".join(
                f"order {order:.4g} at {rpm:.0f}" for order, rpm in zip(row["orders"], row["at_rpm"], strict=True)
            )
            + f" rpm; {row['rise_db']:.0f} dB over its surroundings"
            for row in found
        ),
    ]


def _segment(segment: dict[str, Any]) -> str:
    rpm = _between(segment["rpm"], segment["rpm_low"], segment["rpm_high"], 0)
    droop = _between(segment["droop_pct"], segment["droop_low_pct"], segment["droop_high_pct"], 1, " %")
    a_hv, doubt = segment["a_hv_mps2"], segment["expanded_uncertainty_mps2"]
    level = "-" if a_hv is None else number(a_hv) + (f" ± {number(doubt, 2)}" if doubt is not None else "")
    times = f"  {segment['start_s']:>6.1f} s {segment['end_s']:>6.1f} s"
    return f"{times}   {segment['state']:<10}  {rpm:>24}  {droop:>16}   {level}"


def _between(value: float | None, low: float | None, high: float | None, digits: int, unit: str = "") -> str:
    """Return a value with its range, a dash where there is none."""
    if value is None:
        return "-"
    between = f" ({low:.{digits}f} to {high:.{digits}f})" if low is not None and high is not None else ""
    return f"{value:.{digits}f}{unit}{between}"


_SOURCES = {"tach": "the tachometer", "vibration": "the lines in the vibration", "sound": "the lines in the sound"}
