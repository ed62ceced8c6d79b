"""`vibekit check`: can this recording be trusted, and for what; with `--plan`, what a sensor will see of a tool."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from vibekit.errors import UsageError, document as framed

from .options import Json, RecordingOptions, over_recordings, recording_command
from .output import Document, Progress, emit, notice_lines, number, printable

_Recordings = Annotated[
    list[Path] | None, typer.Argument(metavar="REC...", help="Recordings, each with its sidecar if any.")
]
_Plan = Annotated[
    bool,
    typer.Option(
        "--plan", help="No recording: what a sensor (--sample-rate, --full-scale as its range) will see of --tool."
    ),
]
_Band = Annotated[
    str | None, typer.Option("--sensor-band", help="With --plan: flat band of the sensor, such as 2,400.")
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(check))


def check(
    options: RecordingOptions,
    recordings: _Recordings = None,
    as_json: Json = False,
    plan: _Plan = False,
    sensor_band: _Band = None,
) -> None:
    """Check whether recordings can be trusted, and for what."""
    if plan == bool(recordings):
        raise UsageError("give recordings to check, or --plan with --tool and --sample-rate and no recording")
    if plan:
        emit(_plan(options, sensor_band), as_json, render_plan)
        return
    import vibekit as vk
    from vibekit.recording.quality import background_notices

    def work(path: Path) -> Any:
        progress = Progress(f"checking {path.name}")
        report = vk.check(options.open(path), progress=progress)
        progress.done()
        return report

    reports, failures = over_recordings(recordings or [], work)
    document = framed(
        "check",
        {"recordings": [report.entry() for report in reports]},
        [*(n for report in reports for n in report.notices), *background_notices(reports), *failures.notices],
    )
    emit(document, as_json, render, failures.exit_code)


def _plan(options: RecordingOptions, sensor_band: str | None) -> Document:
    import vibekit as vk
    from vibekit.recording.plan import plan_sensor
    from vibekit.units import parse_acceleration

    if options.tool is None or options.sample_rate is None or not 0 < options.sample_rate < float("inf"):
        raise UsageError(
            "--plan needs --tool SHEET and the sensor's --sample-rate HZ, and better also --full-scale RANGE"
        )
    reach = parse_acceleration(options.full_scale) if options.full_scale else None

    def weighting(hz: float) -> float:
        return float(vk.weighting_factor(hz))

    tool = vk.load_tool(options.tool)
    return plan_sensor(tool, options.sample_rate, reach, _two(sensor_band), weighting).to_dict()


def _two(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        low, high = (float(part) for part in text.split(","))
    except ValueError:
        low = high = 0.0
    if not 0 <= low < high:
        raise UsageError(f"--sensor-band {text!r} must be two rising frequencies such as 2,400")
    return low, high


def render(document: Document) -> str:
    """Return the checks as text."""
    lines: list[str] = []
    for row in document["recordings"]:
        lines.append(
            f"{printable(row['file'])}: {row['duration_s']:.2f} s, {row['sample_rate_hz']:.6g} Hz, "
            f"axes {', '.join(row['axes'])}, band {row['band_covered_hz'][0]:.3g} to {row['band_covered_hz'][1]:.4g} Hz"
        )
        lines += [f"  {printable(line)}" for line in row["log"]]
        for item in row["checks"]:
            remedy = f" ({item['remedy']})" if item["remedy"] else ""
            lines.append(f"  {item['status']:<8}  {item['name']:<13}  {printable(item['message'] + remedy)}")
        good = [name.replace("_", " ") for name, fit in row["usable_for"].items() if fit]
        bad = [name.replace("_", " ") for name, fit in row["usable_for"].items() if not fit]
        lines.append(f"  usable for: {', '.join(good) or 'nothing'}" + (f"; not for: {', '.join(bad)}" if bad else ""))
        lines.append("")
    rest = [notice for notice in document["notices"] if not notice["code"].startswith("check_")]
    return "\n".join(lines + notice_lines({"notices": rest}))


def render_plan(document: Document) -> str:
    """Return the plan as text."""
    plan = document["plan"]
    reach = f", range {number(plan['range_mps2'])} m/s²" if plan["range_mps2"] is not None else ""
    lines = [
        f"{printable(plan['tool'])} with a sensor at {plan['sample_rate_hz']:g} Hz{reach}: "
        f"carries {plan['band_covered_hz'][0]:.3g} to {plan['band_covered_hz'][1]:.4g} Hz",
        "  line              Hz      carried  folds to   clips from (r.m.s.)  weighted  [m/s²]",
    ]
    for line in plan["lines"]:
        folds = number(line["folds_to_hz"], 3, "Hz")
        lines.append(
            f"  {printable(line['name']):<16} {line['frequency_hz']:>7.1f}  {'yes' if line['carried'] else 'no':<7}  "
            f"{folds:<9}  {number(line['max_rms_mps2']):>19}  {number(line['max_weighted_mps2']):>8}"
        )
    lines.append(
        f"  to see all that counts for the hand: {plan['least_sample_rate_hz']:.0f} samples per second or more"
    )
    return "\n".join([*lines, "", *notice_lines(document)])
