"""One look at one recording: its speed and the features of every part, or the reason why it shows none."""

from __future__ import annotations

from dataclasses import dataclass

from vibekit.errors import Notice
from vibekit.machine.faults.parts import RecordingFeatures, features_of
from vibekit.machine.lines.views import views_of
from vibekit.machine.speed.estimate import SpeedEstimate, estimate_speed
from vibekit.recording.gaps import in_one_piece
from vibekit.recording.limits import band_covered
from vibekit.recording.quality import verdict_on
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import ToolSheet

_LEAST_HARMONICS = 2.5  # times the fastest shaft: what a recording must carry to tell one cause from another


@dataclass(frozen=True)
class Look:
    """What a recording shows: `features`, or `refusal` with the reason; small, the samples are not kept."""

    file: str
    condition: str | None
    speed: SpeedEstimate
    features: RecordingFeatures | None
    refusal: Notice | None
    notices: tuple[Notice, ...]


def look(recording: Recording, tool: ToolSheet | None) -> Look:
    """Return what a recording shows of the parts that the tool sheet names."""
    recording = in_one_piece(recording)
    speed = estimate_speed(recording, tool)
    doubts = verdict_on(recording, "speed", tool)
    found = next((n for n in doubts if n.severity == "refusal"), None) or _features(recording, tool, speed)
    features, refusal = (None, found) if isinstance(found, Notice) else (found, None)
    origin = recording.origin
    notices = (*origin.notices, *(n for n in doubts if n.severity != "refusal"))
    return Look(origin.file, origin.facts.condition, speed, features, refusal, notices)


def _features(recording: Recording, tool: ToolSheet | None, speed: SpeedEstimate) -> RecordingFeatures | Notice:
    name = recording.origin.file or "recording"
    if not speed.known:
        reason = next((n.message for n in speed.notices if n.severity == "refusal"), "no speed was found")
        return Notice("speed_unknown", "refusal", f"{name}: {reason}", remedy="record with a tachometer, or longer")
    reference = tool.output_shaft if tool and tool.output_shaft in speed.ratios else speed.of
    fastest = max(speed.shaft_hz.values())
    _, top = band_covered(recording.sample_rate, recording.origin.sensor.band_hz, recording.origin.timing)
    if top < _LEAST_HARMONICS * fastest:
        message = (
            f"{name}: covers up to {top:.0f} Hz, and the fastest shaft turns at {fastest:.0f} Hz: harmonics do not show"
        )
        return Notice("band_too_narrow", "refusal", message, top, _LEAST_HARMONICS * fastest, "sample faster")
    views = views_of(recording, speed, reference or speed.of, tool)
    if views is None:
        return Notice("too_short", "refusal", f"{name}: too few turns at a known speed", remedy="record at least 10 s")
    return features_of(views, tool)
