"""`vibekit grade`: hand-arm vibration magnitude and allowed trigger time."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from vibekit.errors import UsageError
from vibekit.units import format_allowed

from .exposure import FailOver, daily_value, end_over
from .options import Json, PlotOption, RecordingOptions, Recordings, over_recordings, recording_command
from .output import Document, Progress, emit, note, notice_lines, number, printable

BudgetOption = Annotated[
    bool, typer.Option("--budget", help="Show the parts of the uncertainty, each with where it comes from.")
]

AxesFactorOption = Annotated[
    float | None,
    typer.Option(
        "--missing-axes-factor",
        metavar="1.0..1.7",
        min=1.0,
        max=1.7,
        help="Total value over the largest axis, where axes are missing and the dominant one was measured.",
    ),
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(grade))


def grade(
    recordings: Recordings,
    options: RecordingOptions,
    plot: PlotOption = None,
    budget: BudgetOption = False,
    missing_axes_factor: AxesFactorOption = None,
    as_json: Json = False,
    fail_over: FailOver = None,
) -> None:
    """Grade recordings: weighted vibration magnitude (ISO 5349-1) and allowed trigger time.

    --fail-over compares a_hv with its doubt, of all tools in use, with the daily value: what 8 h of it would come to.
    """
    import vibekit as vk
    from vibekit.handarm.summary import grade_document

    over = daily_value(fail_over)
    if plot is not None and len(recordings) != 1:
        raise UsageError("--plot draws one recording: name just one")

    def work(path: Path) -> Any:
        progress = Progress(f"grading {path.name}")
        magnitude = vk.grade(options.open(path), progress=progress, missing_axes_factor=missing_axes_factor)
        progress.done()
        return magnitude

    magnitudes, failures = over_recordings(recordings, work)
    if plot is not None:
        from vibekit.bench.plots_hand import plot_grade

        plot_grade(magnitudes[0], plot)
        note(f"plot written to {plot}")
    document = grade_document(magnitudes, failures.notices)
    emit(document, as_json, partial(render, budget=budget), failures.exit_code or end_over(over, _ends(document)))


def _ends(document: Document) -> list[tuple[float, float]]:
    """Return the ends of each magnitude in the document [m/s²], without backgrounds: there no tool is in use."""
    from vibekit.handarm.uncertainty import ends
    from vibekit.recording.conditions import is_off

    in_use = [summary for summary in document["summaries"] if not is_off(summary["condition"])]
    graded = [summary for summary in in_use if summary["a_hv_mps2"] is not None]
    return [ends(summary["a_hv_mps2"], summary["expanded_uncertainty_mps2"] or 0.0) for summary in graded]


def render(document: Document, budget: bool = False) -> str:
    """Return the grade as text, with the uncertainty budgets if wanted."""
    lines: list[str] = []
    for recording in document["recordings"]:
        lines += [*_recording(recording), ""]
    for summary in document["summaries"]:
        if summary["a_hv_mps2"] is not None:
            lines += [*_summary(summary), *(_budget(summary) if budget else ()), ""]
    return "\n".join(lines + notice_lines(document))


def _recording(row: dict[str, Any]) -> list[str]:
    facts = [row["tool"], row["condition"], row["position"]]
    heading = f"{row['file']}  ({', '.join(f for f in facts if f)})" if any(facts) else row["file"]
    lines = [
        printable(heading),
        f"  trigger on for {row['trigger_on_s']:.1f} s of {row['duration_s']:.1f} s; "
        f"band covered {row['band_covered_hz'][0]:.3g} to {row['band_covered_hz'][1]:.4g} Hz",
    ]
    lines += _states(row)
    if not row["gradeable"]:
        return [*lines, "  cannot be graded (see the refusal below)"]
    lines.append("  axis   a_hw    band-limited    peak  [m/s²]")
    for axis in ("x", "y", "z"):
        if row["a_hw_mps2"][axis] is not None:
            values = (row[key][axis] for key in ("a_hw_mps2", "a_band_limited_mps2", "peak_mps2"))
            lines.append("  {}   {:>8} {:>10} {:>10}".format(axis, *(number(value) for value in values)))
    lines.append(
        f"  total a_hv {number(row['a_hv_mps2'])} ± {number(row['expanded_uncertainty_mps2'], 2)} m/s²  "
        f"(k = {row['coverage_factor']:.3g});  "
        f"largest 1 s {number(row['running_max_mps2'])} m/s²"
    )
    return lines


def _states(row: dict[str, Any]) -> list[str]:
    """Return what the tool did meanwhile, each state with its time and a_hv, where it did more than one thing."""
    if len(row["states"]) < 2:
        return []
    parts = [
        f"{state['state']} {state['time_s']:.1f} s"
        + ("" if state["a_hv_mps2"] is None else f" at {number(state['a_hv_mps2'])}")
        for state in row["states"]
    ]
    outside = f"{number(row['energy_outside_pct'], 2)} % of the weighted energy with the trigger off"
    return [f"  {', '.join(parts)} m/s²; {outside}"]


def _summary(summary: dict[str, Any]) -> list[str]:
    from vibekit.handarm.uncertainty import ends
    from vibekit.handarm.verdict import eight_hours
    from vibekit.recording.conditions import is_off

    name = ", ".join(f for f in (summary["tool"], summary["condition"], summary["position"]) if f) or "this recording"
    runs = f"{summary['runs']} run{'s' if summary['runs'] != 1 else ''}"
    lines = [
        f"{printable(name)}: a_hv {number(summary['a_hv_mps2'])} ± "
        f"{number(summary['expanded_uncertainty_mps2'], 2)} m/s² over {runs}"
    ]
    if is_off(summary["condition"]):  # the background: no tool is in use
        return lines
    lines.append(f"  {eight_hours(ends(summary['a_hv_mps2'], summary['expanded_uncertainty_mps2'] or 0.0))}")
    for value, words in (("to_action_value", "action value 2.5 m/s²"), ("to_limit_value", "limit value 5 m/s²")):
        lines.append(f"  trigger time per day to the {words}: {format_allowed(summary['allowed_trigger_time'][value])}")
    declared = summary["declared"]
    if declared:
        stated = f"{declared['declared_vibration_mps2']:g} m/s² declared"
        lines.append(f"  maker's {stated}: {declared['verdict']}; {declared['reason']}")
    series = summary["emission"]
    if series and series["operators"] > 1:
        lines.append(
            f"  as a test code would state it: a {number(series['a_mps2'])}, K {number(series['k_mps2'])} m/s² "
            f"(σ_R {number(series['sigma_r_mps2'])}; {series['operators']} operators"
            f"{'' if series['complete'] else '; asked for are 3 with 5 runs each'}"
            f"{'' if series['valid'] else '; not valid, runs of an operator scatter'})"
        )
    return lines


def _budget(summary: dict[str, Any]) -> list[str]:
    """Return the parts of the uncertainty, the largest first; squares add up (JCGM 100:2008, 5.1.2)."""
    parts = sorted(summary["uncertainty_budget"], key=lambda part: -part["standard_pct"])
    combined = math.hypot(*(part["standard_pct"] for part in parts))
    lines = [
        f"    {part['standard_pct']:5.2f} %  {part['name']:<26} {printable(part['origin'])}; {_cause(part)}"
        for part in parts
    ]
    degrees = summary["effective_degrees_of_freedom"]
    known = "infinite" if degrees is None else f"{degrees:.3g}"
    return [
        "  uncertainty, standard (k = 1), by part:",
        *lines,
        f"    {combined:5.2f} %  combined; effective degrees of freedom {known}: k = {summary['coverage_factor']:.3g}",
    ]


def _cause(part: dict[str, Any]) -> str:
    """Return what errs, and which one where that is known."""
    return printable(f"cause {part['cause']}, {part['key']}" if part["key"] else f"cause {part['cause']}")
