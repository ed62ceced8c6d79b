"""`vibekit calibrate`: full scale from a calibrator's tone, or offset and scale from rests against gravity."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import RecordingLimitError, UsageError

from .options import Json, RecordingOptions, Recordings, recording_command
from .output import Document, emit, note, notice_lines, number, printable

if TYPE_CHECKING:
    from vibekit.recording.calibrate import CalibrationResult
    from vibekit.recording.recording import Recording

_Level = Annotated[str | None, typer.Option("--level", help='R.m.s. level of the calibrator, such as "10 m/s2".')]
_Frequency = Annotated[
    float | None, typer.Option("--frequency", help="Frequency of the tone [Hz]; found if not given.")
]
_LevelUncertainty = Annotated[
    float, typer.Option("--level-uncertainty-pct", help="Expanded uncertainty of the calibrator.")
]
_Rests = Annotated[bool, typer.Option("--rests", help="Rests in six attitudes or more: one file each, or with pauses.")]
_Before = Annotated[
    Path | None, typer.Option("--before", help="The tone as recorded before the work: the drift is stated.")
]
_Write = Annotated[
    list[Path] | None,
    typer.Option("--write-sidecar", help="Enter the result in the sidecar of this recording (may be repeated)."),
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(calibrate))


def calibrate(
    recordings: Recordings,
    options: RecordingOptions,
    level: _Level = None,
    frequency: _Frequency = None,
    level_uncertainty_pct: _LevelUncertainty = 3.0,
    rests: _Rests = False,
    before: _Before = None,
    write_sidecar: _Write = None,
    as_json: Json = False,
) -> None:
    """Calibrate a chain from a calibrator's tone (--level) or from rests against gravity (--rests)."""
    if rests == (level is not None):
        raise UsageError('give --level "10 m/s2" for a tone, or --rests for rests against gravity')
    try:
        if rests:
            result = _from_rests(recordings, options)
        else:
            result = _from_tone(recordings, options, level or "", frequency, level_uncertainty_pct, before)
    except RecordingLimitError as error:
        from vibekit.recording.calibrate import refused_document

        emit(refused_document([path.name for path in recordings], str(error)), as_json, render)
        return
    for target in write_sidecar or []:
        _write(target, result)
    emit(result.to_dict(), as_json, render)


def _read(path: Path, options: RecordingOptions) -> Recording:
    """Return a recording in the unit of its file: full scale 1.0, or the text's own numbers."""
    import vibekit as vk
    from vibekit.recording.calibration import Calibration

    return vk.read(
        path,
        calibration=Calibration(1.0, "uncalibrated, in the unit of the file"),
        includes_gravity=False,
        sample_rate=options.sample_rate,
        axes=[axis.strip() for axis in options.axes.split(",")] if options.axes else None,
        start_s=options.from_s,
        stop_s=options.to_s,
    )


def _from_tone(
    recordings: list[Path],
    options: RecordingOptions,
    level: str,
    frequency: float | None,
    uncertainty_pct: float,
    before: Path | None,
) -> CalibrationResult:
    from vibekit.recording.calibrate import drift_notice, tone_calibration
    from vibekit.units import parse_acceleration

    if len(recordings) != 1:
        raise UsageError("one recording of the tone at a time; the one before the work goes with --before")
    mps2 = parse_acceleration(level)
    result = tone_calibration(_read(recordings[0], options), mps2, frequency, uncertainty_pct)
    if before is None:
        return result
    drift, notices = drift_notice(tone_calibration(_read(before, options), mps2, frequency, uncertainty_pct), result)
    details = {**result.details, "drift_pct": drift}
    return replace(result, details=details, notices=(*result.notices, *notices))


def _from_rests(recordings: list[Path], options: RecordingOptions) -> CalibrationResult:
    import numpy as np

    from vibekit.errors import InputError
    from vibekit.recording.calibrate import rest_calibration, rest_vectors

    vectors = []
    for path in recordings:
        recording = _read(path, options)
        if recording.axes != ("x", "y", "z"):
            raise InputError(f"{path}: rests need the axes x, y, z; it has {', '.join(recording.axes)}")
        vectors.append(rest_vectors(recording))
    return rest_calibration(np.concatenate(vectors), [path.name for path in recordings])


def _write(recording: Path, result: CalibrationResult) -> None:
    """Enter the result in a sidecar; where file or sidecar state a unit, it stays and only the doubt is entered."""
    from vibekit.recording.sidecar import enter_in_sidecar

    facts: dict[str, Any] = {"calibration_uncertainty_pct": round(result.expanded_uncertainty_pct, 3)}
    unit = _stated_unit(recording)
    if unit is None:
        facts["full_scale"] = result.full_scale
    note(f"wrote {enter_in_sidecar(recording, facts)}")
    if unit is not None:
        note(f"{recording} is in {unit} by its own word, so that {result.full_scale} per unit was not entered")


def _stated_unit(recording: Path) -> str | None:
    from vibekit.recording.readers import open_raw
    from vibekit.recording.sidecar import load_sidecar

    facts = load_sidecar(recording)[0]
    if not recording.exists():
        return facts.unit
    source = open_raw(recording, facts)
    return None if source.needs_full_scale else source.unit or facts.unit


def render(document: Document) -> str:
    """Return the calibration as text."""
    if document["full_scale"] is None:
        return "\n".join([f"{printable(', '.join(document['files']))}: no calibration", "", *notice_lines(document)])
    lines = [
        f"{printable(', '.join(document['files']))}: full scale {document['full_scale']} "
        f"± {number(document['expanded_uncertainty_pct'], 2)} % (k = 2)"
    ]
    if document["method"] == "tone":
        purity = f"impurity {number(document['impurity_pct'], 2)} %, scatter {number(document['stability_pct'], 2)} %"
        tone = f"{document['frequency_hz']:.2f} Hz on axis {document['axis']}, {document['level_mps2']:g} m/s² r.m.s."
        lines.append(f"  tone of {tone}; {purity}")
        if "drift_pct" in document:
            lines.append(f"  drift since before {document['drift_pct']:+.2f} %")
    else:
        lines.append(f"  {document['rests']} rests, residual {number(document['residual_mps2'], 2, 'm/s²')}")
    lines.append("  axis   m/s² per unit    offset [m/s²]")
    for axis, value in document["sensitivity"].items():
        lines.append(f"  {axis}      {number(value, 5):>13}    {document['offset'][axis]:>+13.3g}")
    shares = [f"{name} {number(share, 2)} %" for name, share in document["cross_axis"].items() if share is not None]
    if shares:
        lines.append(f"  cross-axis: {', '.join(shares)}")
    return "\n".join([*lines, "", *notice_lines(document)])
