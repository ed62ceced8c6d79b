"""`vibekit simulate`: recordings of a tool with known faults, and the truth about them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import Notice, UsageError, document

from .options import Json
from .output import Document, Progress, emit, notice_lines, number, printable

if TYPE_CHECKING:
    from vibekit.recording.toolsheet import ToolSheet


_USUAL_RATE = {"board": 3200.0, "phone": 200.0}


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(simulate)


def simulate(
    out: Annotated[Path, typer.Option("--out", help="Folder to write into; made if it is not there.")] = Path(
        "simulated"
    ),
    seed: Annotated[int, typer.Option("--seed", min=0, help="The specimen: same seed, same tool, same recording.")] = 0,
    tool: Annotated[
        str,
        typer.Option(
            "--tool", help="Tool sheet, or small-grinder, battery-grinder, die-grinder, drill, sander or router."
        ),
    ] = "small-grinder",
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            help="NAME, NAME=SIZE or NAME@PART=SIZE; may be repeated. Sizes in g·mm for imbalance, N for "
            "electrical.mains, amplification for resonance, mm for all others.",
        ),
    ] = None,
    condition: Annotated[str, typer.Option("--condition", help="no load, loaded or off.")] = "no load",
    duration: Annotated[float, typer.Option("--duration", help="Seconds per recording, off time included.")] = 20.0,
    rate: Annotated[
        float | None, typer.Option("--rate", help="Samples per second; 25600, board 3200, phone 200 if absent.")
    ] = None,
    power: Annotated[
        float | None, typer.Option("--power", help="Shaft power in W when loaded; usual if absent.")
    ] = None,
    off_before: Annotated[float, typer.Option("--off-before", help="Seconds before the trigger is pulled.")] = 0.0,
    off_after: Annotated[float, typer.Option("--off-after", help="Seconds after the trigger is let go.")] = 0.0,
    sensor: Annotated[str, typer.Option("--sensor", help="instrument, board, phone or ideal.")] = "instrument",
    tach: Annotated[bool, typer.Option("--tach/--no-tach", help="With a tachometer channel, or without.")] = True,
    tach_shaft: Annotated[
        str | None, typer.Option("--tach-shaft", help="Shaft that carries the mark; the spindle if absent.")
    ] = None,
    sound: Annotated[bool, typer.Option("--sound/--no-sound", help="With a microphone channel, or without.")] = False,
    file_format: Annotated[str, typer.Option("--format", help="wav, flac or csv; csv for a phone if absent.")] = "",
    bits: Annotated[int, typer.Option("--bits", help="Bits per sample: 16, 24, or 32 (float, wav only).")] = 16,
    name: Annotated[str, typer.Option("--name", help="File name without suffix.")] = "recording",
    runs: Annotated[int, typer.Option("--runs", min=1, max=100, help="How many recordings of this specimen.")] = 1,
    operator: Annotated[str | None, typer.Option("--operator", help="Noted in the sidecar.")] = None,
    position: Annotated[str | None, typer.Option("--position", help="Noted in the sidecar.")] = None,
    as_json: Json = False,
) -> None:
    """Write recordings of a tool with known faults, seeded, with sidecar, tool sheet and the truth."""
    from vibekit.simulate import simulate as make
    from vibekit.simulate.faults import parse_fault
    from vibekit.simulate.files import tool_path_in, truth_path

    sheet = _sheet(tool)
    faults = dict(parse_fault(text) for text in fault or [])
    suffix = file_format or ("csv" if sensor == "phone" else "wav")
    progress, rows = Progress(f"simulating {name}"), []
    for run in range(1, runs + 1):
        session = make(
            sheet,
            seed=seed,
            run=run,
            faults=faults,
            condition=condition,
            duration_s=duration,
            sample_rate=rate or _USUAL_RATE.get(sensor, 25600.0),
            shaft_power_w=power,
            off_before_s=off_before,
            off_after_s=off_after,
            sensor=sensor,
            tach=tach,
            tach_shaft=tach_shaft,
            sound=sound,
            operator=operator,
            position=position,
        )
        own = name if runs == 1 else f"{name}-{run}"
        path = session.write(out, own, file_format=suffix, bits=bits)
        rows.append(_row(session.truth, path, tool_path_in(out, sheet), truth_path(out, own)))
        progress(run / runs)
    progress.done()
    emit(document("simulate", {"recordings": rows}, _clipped(rows)), as_json, render)


def _sheet(tool: str) -> ToolSheet:
    from vibekit.recording.toolsheet import load_tool
    from vibekit.simulate.presets import PRESETS, preset

    if tool in PRESETS:
        return preset(tool)
    if not tool.endswith(".toml") and not Path(tool).exists():
        raise UsageError(f"tool {tool!r} is neither a tool sheet nor one of {', '.join(PRESETS)}")
    return load_tool(tool)


def _row(truth: dict[str, Any], path: Path, sheet: Path, truth_file: Path) -> dict[str, Any]:
    kept = (
        "tool",
        "condition",
        "run",
        "seed",
        "faults",
        "a_hw_mps2",
        "a_hv_mps2",
        "trigger_on_s",
        "shafts",
        "clipped_pct",
    )
    return {
        "file": str(path),
        "sidecar": str(path.with_suffix(".toml")),
        "tool_sheet": str(sheet),
        "truth": str(truth_file),
        **{key: truth[key] for key in kept},
    }


def _clipped(rows: list[dict[str, Any]]) -> list[Notice]:
    """Return a remark for every recording whose sensor was driven to the end of its range."""
    return [
        Notice(
            "clipped",
            "info",
            f"{row['file']}: the sensor is at the end of its range for {row['clipped_pct']:.2g} % of an axis",
            row["clipped_pct"],
            remedy="as it would be in life; choose --sensor ideal to keep it out",
        )
        for row in rows
        if row["clipped_pct"] > 0
    ]


def render(document: Document) -> str:
    """Return what was written as text."""
    return "\n".join([line for row in document["recordings"] for line in _lines(row)] + notice_lines(document))


def _lines(row: dict[str, Any]) -> list[str]:
    built = [f"{f['fault']} {f['size']:g} {f['unit']} ({f['part']})" for f in row["faults"]]
    speeds = [f"{name} {shaft['mean_rpm']:.0f} rpm" for name, shaft in row["shafts"].items()]
    return [
        printable(f"{row['file']}  ({row['tool']}, {row['condition']}, run {row['run']})"),
        f"  built in: {'; '.join(built) or 'healthy'}",
        f"  true a_hv {number(row['a_hv_mps2'])} m/s²;  {', '.join(speeds)}",
        printable(f"  truth in {row['truth']}"),
    ]
