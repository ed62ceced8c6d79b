"""`vibekit balance`: residual unbalance and correction from trial weights."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import UsageError
from vibekit.units import number

from .options import Json
from .output import Document, emit, notice_lines

if TYPE_CHECKING:
    from vibekit.machine.balance.correction import Reading, TrialRun

Readings = Annotated[
    list[str],
    typer.Option("--initial", metavar="READING", help="As found: AMPLITUDE@PHASE, or AMPLITUDE; one per plane."),
]
Trials = Annotated[
    list[str],
    typer.Option("--trial", metavar="GRAMS@DEGREES", help="A trial weight; with two planes the first sits in plane 1."),
]
Responses = Annotated[
    list[str],
    typer.Option("--response", metavar="READING", help="The reading with each trial weight in turn; one per plane."),
]
Radius = Annotated[
    list[float] | None, typer.Option("--radius-mm", metavar="MM", help="Radius of the weights; twice for two planes.")
]
Mass = Annotated[float | None, typer.Option("--rotor-mass-kg", metavar="KG", help="Mass of all that turns.")]
Speed = Annotated[float | None, typer.Option("--rpm", metavar="RPM", help="Speed of the rotor.")]
AmplitudeDoubt = Annotated[
    float, typer.Option("--amplitude-uncertainty-pct", metavar="PCT", min=0, help="Doubt of every amplitude, k = 2.")
]
PhaseDoubt = Annotated[
    float, typer.Option("--phase-uncertainty-deg", metavar="DEG", min=0, help="Doubt of every phase, k = 2.")
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(balance)


def balance(
    initial: Readings,
    trial: Trials,
    response: Responses,
    radius_mm: Radius = None,
    rotor_mass_kg: Mass = None,
    rpm: Speed = None,
    amplitude_uncertainty_pct: AmplitudeDoubt = 5.0,
    phase_uncertainty_deg: PhaseDoubt = 5.0,
    as_json: Json = False,
) -> None:
    """Compute residual unbalance and correction weight from trial weights.

    With phases: --initial 7@160 --trial 100@0 --response 5@70. Two planes: two --initial readings, a --trial per
    plane, then the two readings of trial 1 and the two of trial 2. Without phases, four runs: --initial 10
    --trial 50@0 --response 7 --trial 50@120 --response 12 --trial 50@240 --response 18.
    Angles and phases are in degrees, all counted in the same sense.
    """
    from vibekit.machine.balance.correction import ReadingDoubt, Rotor, balance as solve

    for name, value in (
        ("--rotor-mass-kg", rotor_mass_kg),
        ("--rpm", rpm),
        *(("--radius-mm", r) for r in radius_mm or []),
    ):
        if value is not None and not (math.isfinite(value) and value > 0):
            raise UsageError(f"{name} {value:g} must be greater than zero")
    before = [_reading(text) for text in _split(initial)]
    rotor = Rotor(tuple(radius_mm or ()), rotor_mass_kg, rpm)
    doubt = ReadingDoubt(amplitude_uncertainty_pct, phase_uncertainty_deg)
    result = solve(before, _trials(trial, _split(response), len(before)), rotor, doubt)
    emit(result.to_dict(), as_json, render)


def _split(texts: list[str]) -> list[str]:
    """Return readings given one per option or several in one, separated by commas."""
    return [part.strip() for text in texts for part in text.split(",")]


def _numbers(text: str, what: str, example: str) -> list[float]:
    try:
        return [float(part) for part in text.split("@")]
    except ValueError:
        raise UsageError(f"{what} {text!r} cannot be read: write {example}") from None


def _reading(text: str) -> Reading:
    from vibekit.machine.balance.correction import Reading

    values = _numbers(text, "reading", "AMPLITUDE@PHASE such as 7@160, or AMPLITUDE")
    if len(values) > 2:
        raise UsageError(f"reading {text!r} has more than one @: write AMPLITUDE@PHASE such as 7@160")
    return Reading(*values)


def _trials(weights: list[str], responses: list[str], planes: int) -> list[TrialRun]:
    from vibekit.machine.balance.correction import TrialRun

    if len(responses) != len(weights) * planes:
        raise UsageError(
            f"{len(weights)} --trial and {len(responses)} --response: each trial needs {planes} (one per plane)"
        )
    trials = []
    for i, text in enumerate(weights):
        values = _numbers(text, "trial weight", "GRAMS@DEGREES such as 100@0")
        if len(values) != 2:
            raise UsageError(f"trial weight {text!r} needs its angle: write GRAMS@DEGREES such as 100@0")
        readings = tuple(_reading(r) for r in responses[i * planes : (i + 1) * planes])
        trials.append(TrialRun(values[0], values[1], readings))
    return trials


def render(document: Document) -> str:
    """Return the correction as text."""
    lines = [f"Balance by {document['method']}"]
    for plane in document["planes"]:
        lines += _plane(plane, len(document["planes"]) > 1)
    if document["grade_mm_s"] is not None:
        lines.append(f"  balance grade as found: G {number(document['grade_mm_s'])} mm/s (ISO 21940-11: e·ω)")
    for i, force in enumerate(document["trial_force_n"]):
        if force is not None:
            lines.append(f"  trial weight {i + 1} pulls with {number(force, 2)} N at this speed")
    return "\n".join([*lines, "", *notice_lines(document)])


def _plane(plane: dict[str, Any], named: bool) -> list[str]:
    where = f"plane {plane['plane']}: " if named else ""
    if plane["correction_g"] is None:
        return [f"  {where}no correction can be given (see the refusal below)"]
    angle = plane["angle_deg"]
    lines = [
        f"  {where}add {number(plane['correction_g'])} ± {number(plane['expanded_uncertainty_g'], 2)} g at "
        f"{angle:.1f} ± {number(plane['expanded_uncertainty_deg'], 2)} degrees from the trial weight's zero, "
        "in the sense in which the phases are counted",
        f"    (the same place is {360 - angle:.1f} degrees the other way; or take as much off opposite, at "
        f"{(angle + 180) % 360:.1f} degrees)",
    ]
    if plane["residual_g_mm"] is not None:
        lines.append(
            f"    unbalance as found {number(plane['residual_g_mm'])} g·mm; up to "
            f"{number(plane['may_stay_g_mm'], 2)} g·mm may stay after the correction (k = 2)"
        )
    return lines
