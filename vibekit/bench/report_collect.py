"""From opened recordings to the parts of a page: every recording graded, looked at, and grouped by tool."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.analysis import Fingerprint, RunResult, SpindleSpeed, output_speed, run_result
from vibekit.bench.ranking import rank
from vibekit.bench.report_parts import Document, LevelCurve, RecordingPart, Report, SpectrumCurve, ToolPart
from vibekit.errors import Notice, VibekitError
from vibekit.handarm.grading import grade
from vibekit.handarm.magnitude import BoolArray, VibrationMagnitude
from vibekit.handarm.onepass import LevelTrack
from vibekit.handarm.summary import grade_document
from vibekit.recording.recording import FloatArray, Origin, Recording, RecordingStream
from vibekit.recording.stretch import stretch
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import number

if TYPE_CHECKING:
    from vibekit.machine.faults.look import Look
    from vibekit.machine.lines.table import LineSpectrum

LOOKED_AT_S = 120.0  # speed, lines and sources are taken from at most this much of a recording: it is read into memory
_LEAD_S = 5.0  # of what precedes the first trigger-on, so that a run-up is seen


@dataclass(frozen=True)
class Looked:
    """One recording as the page needs it; `seen` is what it shows of the tool's parts, None where nothing could be."""

    sheet: ToolSheet | None
    seen: Look | None
    magnitude: VibrationMagnitude
    part: RecordingPart
    result: RunResult


def look(stream: RecordingStream, prints: Fingerprint, progress: Callable[[float], None] | None = None) -> Looked:
    """Return a recording graded, with speed, lines and what speaks for a cause where they can be told.

    Raises:
        InputError: the recording is corrupt.
    """
    magnitude = grade(stream, progress=progress)
    whole = magnitude.duration_s <= LOOKED_AT_S
    first_on = float(np.argmax(magnitude.on)) * magnitude.track.frame_s
    start = 0.0 if whole else max(0.0, first_on - _LEAD_S)
    seen, lines, reasons = _machine(stretch(stream, start, LOOKED_AT_S))
    part = RecordingPart(
        grade=magnitude.row(),
        level=_level(magnitude.track, magnitude.on),
        measured=measured(stream, magnitude, None if whole else start),
        speed=_moved(seen.speed.to_dict(), start) if seen else None,
        spectrum=lines.to_dict() if lines else None,
        curve=_curve(lines) if lines else None,
        reasons=reasons,
    )
    result = run_result(stream, prints, magnitude, _spindle(stream, part.speed))
    return Looked(stream.tool, seen, magnitude, part, result)


def _spindle(stream: RecordingStream, speed: Document | None) -> SpindleSpeed:
    if stream.origin.facts.spindle_rpm is not None:
        return stream.origin.facts.spindle_rpm, "stated", ()
    return (None, None, ()) if speed is None else output_speed(speed, stream.tool)


def _machine(recording: Recording) -> tuple[Look | None, LineSpectrum | None, dict[str, str]]:
    """Return what a recording shows of the parts, and its lines; the reason where one of them cannot be told."""
    from vibekit.machine.faults.look import look as look_at
    from vibekit.machine.lines.table import spectrum

    seen = lines = None
    reasons = {}
    try:
        seen = look_at(recording, recording.tool)
    except VibekitError as error:
        reasons["speed"] = str(error)
    turning = seen.speed if seen else None
    try:
        lines = spectrum(recording, speed=turning)
        if any(notice.code == "lines_smeared" for notice in lines.notices):
            lines = spectrum(recording, kind="order", speed=turning)
    except VibekitError as error:
        reasons.setdefault("spectrum", str(error))
    return seen, lines, reasons


def _level(track: LevelTrack, on: BoolArray) -> LevelCurve:
    """Return the running second against the time at which it ends."""
    running = np.asarray(np.sqrt(np.maximum(track.running, 0.0)), dtype=np.float64)
    time = np.arange(track.window, track.window + running.size, dtype=np.float64) * (track.step / track.sample_rate)
    return LevelCurve(time, running, on, track.frame_s)


def _moved(document: dict[str, Any], offset_s: float) -> Document:
    """Return a `speed` document of a stretch with the times of the whole recording."""
    track = document["track"]
    track["time_s"] = [time + offset_s for time in track["time_s"]]
    for segment in document["segments"]:
        segment["start_s"] += offset_s
        segment["end_s"] += offset_s
    return document


def _curve(lines: LineSpectrum) -> SpectrumCurve:
    spectrum = lines.floored.spectrum
    total, floor = (_over_axes(values) for values in (spectrum.values, lines.floored.floor))
    of = spectrum.of or (lines.speed.of if lines.speed and lines.speed.known else None)
    if lines.kind == "order":
        return SpectrumCurve(spectrum.frequency, "order", total, floor, of, lines.hz_per_unit)
    turn = lines.speed.shaft_hz.get(of) if lines.speed and of else None
    return SpectrumCurve(spectrum.frequency, "Hz", total, floor, of, turn)


def _over_axes(values: FloatArray) -> FloatArray:
    """Return the root sum of squares over the axes, shape (n_axes, n) to (n,)."""
    return np.asarray(np.sqrt(np.square(values).sum(axis=0)), dtype=np.float64)


def collect(looked: Sequence[Looked], title: str | None = None, notices: Sequence[Notice] = ()) -> Report:
    """Return the whole page's contents: recordings grouped by tool, with every remark once.

    What a diagnosis refuses stands with it: the page as a whole is refused only by what cannot be graded.
    """
    groups: dict[str | None, list[Looked]] = {}
    for one in looked:
        groups.setdefault(one.sheet.tag if one.sheet else None, []).append(one)
    tools = tuple(_tool_part(tag, members) for tag, members in groups.items())
    remarks = list(grade_document([one.magnitude for one in looked], notices)["notices"])
    for part in tools:
        diagnosed = part.diagnosis["notices"] if part.diagnosis else []
        remarks += [n for n in diagnosed if n["severity"] != "refusal" and n not in remarks]
    ranking = rank([one.result for one in looked], title or "").to_dict() if len(tools) > 1 else None
    return Report(title, tools, ranking, tuple(Notice(**remark) for remark in remarks))


def _tool_part(tag: str | None, members: Sequence[Looked]) -> ToolPart:
    document = grade_document([one.magnitude for one in members])
    parts = tuple(one.part for one in members)
    diagnosis, reason = _diagnosis(members)
    return ToolPart(tag, members[-1].sheet, tuple(document["summaries"]), parts, diagnosis, reason)


def _diagnosis(members: Sequence[Looked]) -> tuple[Document | None, str | None]:
    """Return the diagnosis of one tool from all that its recordings show, or the reason why there is none."""
    from vibekit.machine.faults.diagnosis import judge

    seen = [one.seen for one in members if one.seen]
    if len(members) > 1 and members[0].sheet is None:
        return None, "no tool sheet says that these recordings are of one tool"
    if not seen:
        return None, members[0].part.reasons["speed"]
    return judge(seen, members[0].sheet).to_dict(), None


def measured(
    stream: RecordingStream, magnitude: VibrationMagnitude, looked_from_s: float | None
) -> tuple[tuple[str, str], ...]:
    """Return how a recording was measured, term by term; what is not known is left out."""
    origin, sensor, facts = stream.origin, stream.origin.sensor, stream.origin.facts
    band = magnitude.band_covered_hz
    rows = [
        ("sample rate", f"{magnitude.sample_rate:g} per second"),
        ("axes", ", ".join(magnitude.axes)),
        ("band covered", f"{band[0]:.3g} to {band[1]:.4g} Hz"),
        ("calibration", origin.calibration.origin),
        ("its uncertainty", _with(facts.calibration_uncertainty_pct, "% (k = 2), as stated")),
        ("sensor range", sensor.range),
        ("sensor mass", _with(sensor.mass_g, "g")),
        ("mounting", sensor.mounting),
        ("position", facts.position),
        ("operator", facts.operator),
        ("shaft power", _with(facts.shaft_power_w, "W, from a brake")),
        ("recorded", facts.started.isoformat(sep=" ") if facts.started else None),
        ("timestamps", _timing(origin)),
        ("speed and lines from", _looked_at(looked_from_s)),
        ("steps", "; ".join(origin.log) or None),
    ]
    return tuple((term, value) for term, value in rows if value is not None)


def _with(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{value:g} {unit}"


def _timing(origin: Origin) -> str | None:
    timing = origin.timing
    if timing is None:
        return None
    evened = ", set on an even grid" if timing.resampled else ""
    return f"{number(timing.mean_rate_hz, 4)} per second on average, {len(timing.gaps)} gaps{evened}"


def _looked_at(start_s: float | None) -> str | None:
    return None if start_s is None else f"{start_s:.0f} to {start_s + LOOKED_AT_S:.0f} s of the recording"
