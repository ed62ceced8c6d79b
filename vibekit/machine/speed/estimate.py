"""How fast it turns: speed of every shaft over time, from a tachometer, from vibration or from sound."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from vibekit.errors import Notice, document, refused
from vibekit.machine.speed import notices as said, tach_doubt
from vibekit.machine.speed.from_lines import line_speed
from vibekit.machine.speed.states import MOST_DROOP, Segment, states
from vibekit.machine.speed.tach import tach_track
from vibekit.machine.speed.told import LineSpeed, Rival
from vibekit.machine.train.drivetrain import shaft_speeds
from vibekit.recording.gaps import in_one_piece, piece_notice
from vibekit.recording.quality import verdict_on
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.segments import FRAME_S
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import hz_to_rpm

Source = Literal["tach", "vibration", "sound"]

UNNAMED = "shaft"  # name of the shaft followed where there is no tool sheet
MIN_DURATION_S = 2.0
MIN_RATE_HZ = 20.0  # carries lines up to 9 Hz: no tool turns so slowly
_SURE = 0.5  # below this confidence another source is tried
_FASTER = 0.05  # under load than the rated speed: what its tolerance leaves open (no source)
_SUREST, _OVER_RATED = 0.99, 0.3  # confidence of a tachometer, and of one that no tool can follow


@dataclass(frozen=True)
class ShaftSpeed:
    """Speed of one shaft while the tool runs, starts and stops left out where there is more [Hz]."""

    name: str
    median_hz: float
    min_hz: float
    max_hz: float


@dataclass(frozen=True)
class SpeedEstimate:
    """Speed of the shafts of a recording.

    `time_s`, `hz` shape (n,): track of shaft `of`, NaN where the tool does not turn or nothing can be followed;
    `ratios` turns of each shaft that is tied to it per turn of `of`; `source` is None where no speed was found
    (then a refusal among `notices` says why). `droop_pct`: how much slower it turns loaded than unloaded, None without
    both; `droop_from` what it is counted from; `shaft_power_w` what the sidecar says a brake measured.
    """

    file: str
    source: Source | None
    of: str
    time_s: FloatArray
    hz: FloatArray
    ratios: Mapping[str, float]
    shafts: tuple[ShaftSpeed, ...]
    confidence: float
    rivals: tuple[Rival, ...]
    segments: tuple[Segment, ...]
    droop_pct: float | None
    notices: tuple[Notice, ...]
    droop_from: str | None = None
    shaft_power_w: float | None = None

    @property
    def known(self) -> bool:
        """Whether a speed was found."""
        return bool(self.shafts)

    @property
    def shaft_hz(self) -> dict[str, float]:
        """Median speed of each shaft [Hz]; empty where no speed was found."""
        return {shaft.name: shaft.median_hz for shaft in self.shafts}

    def at(self, time_s: FloatArray, shaft: str | None = None) -> FloatArray:
        """Return the speed of a shaft (default: `of`) at times [s], in Hz, NaN where unknown; ends are held.

        Raises:
            KeyError: the shaft is not tied to the one followed.
        """
        known = np.isfinite(self.hz)
        ratio = 1.0 if shaft is None else self.ratios[shaft]
        if not known.any():
            return np.full(np.shape(time_s), np.nan)
        inside = np.interp(time_s, self.time_s, known.astype(float)) > 0.49
        return np.where(inside, ratio * np.interp(time_s, self.time_s[known], self.hz[known]), np.nan)

    def to_dict(self) -> dict[str, Any]:
        """Return the `speed` document."""
        return document(
            "speed",
            {
                "file": self.file,
                "source": self.source,
                "shafts": {
                    s.name: {
                        "median_rpm": hz_to_rpm(s.median_hz),
                        "min_rpm": hz_to_rpm(s.min_hz),
                        "max_rpm": hz_to_rpm(s.max_hz),
                    }
                    for s in self.shafts
                },
                "track": {
                    "of": self.of,
                    "time_s": [float(t) for t in self.time_s],
                    "rpm": [hz_to_rpm(float(hz)) if np.isfinite(hz) else None for hz in self.hz],
                },
                "confidence": self.confidence,
                "rivals": [{"rpm": hz_to_rpm(r.hz), "reason": r.reason} for r in self.rivals],
                "segments": [s.to_dict() for s in self.segments],
                "droop_pct": self.droop_pct,
                "droop_from": self.droop_from,
                "shaft_power_w": self.shaft_power_w,
            },
            self.notices,
        )


def estimate_speed(recording: Recording, tool: ToolSheet | None = None) -> SpeedEstimate:
    """Return the speed of every shaft over time.

    From the tachometer channel where it pulses, else from the lines in the vibration, else from those in the sound. A
    tachometer that is in doubt is held against the lines; where it is silent while the tool runs they stand in.
    `tool` (default: the sheet named beside the recording) resolves which shaft a line belongs to; without it the
    result is one shaft, with rivals. Where nothing can be told, `known` is False and a refusal says why.
    """
    if (whole := in_one_piece(recording)) is not recording:
        found = estimate_speed(whole, tool)
        return replace(found, notices=(*found.notices, *piece_notice(whole)))
    tool = tool or recording.tool
    if recording.duration_s < MIN_DURATION_S:
        return _unknown(recording, said.too_short(recording.duration_s, MIN_DURATION_S))
    if recording.sample_rate < MIN_RATE_HZ:
        return _unknown(recording, said.too_slow(recording.sample_rate, MIN_RATE_HZ))
    by_tach = _from_tach(recording, tool)
    if by_tach is not None:
        settled = _held_against_lines(by_tach, recording, tool)
        return _filled(settled, recording, tool) if settled.source == "tach" else settled
    doubts = verdict_on(recording, "speed", tool)
    if refused(doubts) and recording.sound is None:
        return _unknown(recording, *doubts)
    best = _from_any_lines(recording, tool)
    if best.known:
        best = replace(best, notices=(*best.notices, *(n for n in doubts if n.severity != "refusal")))
    if recording.tach is not None:
        best = replace(best, notices=(tach_doubt.no_pulses(), *best.notices))
    return best


def _from_any_lines(recording: Recording, tool: ToolSheet | None) -> SpeedEstimate:
    """Return the speed from vibration or, where that tells none or is not sure, sound."""
    tried = [_from_lines(recording, tool, "vibration", recording.samples)] if recording.axes else []
    if recording.sound is not None and (not tried or tried[0].confidence < _SURE):
        tried.append(_from_lines(recording, tool, "sound", recording.sound[None, :]))
    if not tried:
        return _unknown(recording, Notice("no_signal", "refusal", "the recording has no channel that shows a speed"))
    return max(tried, key=lambda estimate: (estimate.known, estimate.confidence))


def _held_against_lines(by_tach: SpeedEstimate, recording: Recording, tool: ToolSheet | None) -> SpeedEstimate:
    """Return the tachometer's speed, or that of the lines where it is in doubt and they are as sure."""
    hum = tach_doubt.like_mains(by_tach.hz)
    if by_tach.confidence >= _SURE and not hum and not tach_doubt.far_below_rated(by_tach.of, by_tach.hz, tool):
        return by_tach
    lines = _from_any_lines(recording, tool)
    times = tach_doubt.quotient(by_tach, lines)
    if times is not None and abs(times - 1.0) <= tach_doubt.SAME and by_tach.confidence >= _SURE:
        return by_tach
    if times is not None and lines.confidence > max(_SURE, by_tach.confidence - 0.1):
        not_used = tach_doubt.not_used(by_tach, lines, times)
        return replace(lines, notices=(not_used, *by_tach.notices, *lines.notices))
    if not hum:
        return by_tach
    notices = (tach_doubt.maybe_hum(by_tach.hz), *by_tach.notices)
    return replace(by_tach, confidence=min(by_tach.confidence, _SURE), notices=notices)


def _filled(by_tach: SpeedEstimate, recording: Recording, tool: ToolSheet | None) -> SpeedEstimate:
    """Return a tachometer's speed with that of the lines where it is silent while the tool runs."""
    silent = tach_doubt.silent_while_running(by_tach, recording)
    if silent is None:
        return by_tach
    lines = _from_any_lines(recording, tool)
    times = tach_doubt.quotient(by_tach, lines)
    if times is None or abs(times - 1.0) > tach_doubt.SAME:
        return replace(by_tach, notices=(*by_tach.notices, tach_doubt.gap(silent, None)))
    step = float(np.median(np.diff(by_tach.time_s)))
    time_s = np.arange(step, recording.duration_s, step)
    pulsing = (time_s >= by_tach.time_s[0]) & (time_s <= by_tach.time_s[-1])
    hz = np.where(pulsing, by_tach.at(time_s), np.nan)
    near = np.convolve(silent, np.ones(3), mode="same") > 0  # the frames beside are known in part
    there = near[np.minimum((time_s / FRAME_S).astype(int), silent.size - 1)]
    hz = np.where(np.isnan(hz) & there, lines.at(time_s, by_tach.of), hz)
    notices = (*by_tach.notices, tach_doubt.gap(silent, lines.source))
    return _estimate(recording, tool, "tach", by_tach.of, LineSpeed(time_s, hz, by_tach.confidence, (), notices))


def _from_tach(recording: Recording, tool: ToolSheet | None) -> SpeedEstimate | None:
    if recording.tach is None:
        return None
    facts = recording.origin.facts
    pulses = tach_track(recording.tach, recording.sample_rate, facts.tach_pulses_per_rev)
    if pulses is None or not np.isfinite(pulses.hz).any():
        return None
    of = facts.tach_shaft or (tool.output_shaft if tool else None) or UNNAMED
    most = _OVER_RATED if tach_doubt.over_rated(of, pulses.hz, tool) else _SUREST
    confidence = float(np.clip(1.0 - 2.0 * tach_doubt.repaired(pulses), 0.05, most))
    notices = tuple(tach_doubt.pulse_notices(of, pulses, tool))
    return _estimate(recording, tool, "tach", of, LineSpeed(pulses.time_s, pulses.hz, confidence, (), notices))


def _from_lines(recording: Recording, tool: ToolSheet | None, source: Source, samples: FloatArray) -> SpeedEstimate:
    found, of = line_speed(
        samples,
        recording.sample_rate,
        tool,
        read_hz=_read_by_hand(recording),
        stamped=recording.origin.timing is not None,
        calibrated=source == "vibration",
    )
    if found.hz.size == 0 or not np.isfinite(found.hz).any():
        return _unknown(recording, *found.notices, rivals=found.rivals)
    return _estimate(recording, tool, source, of or UNNAMED, found)


def _read_by_hand(recording: Recording) -> float | None:
    rpm = recording.origin.facts.spindle_rpm
    return rpm / 60.0 if rpm else None


def _estimate(recording: Recording, tool: ToolSheet | None, source: Source, of: str, found: LineSpeed) -> SpeedEstimate:
    ratios = shaft_speeds(tool, of, 1.0) if tool else {}
    ratios = ratios if of in ratios else {of: 1.0}
    certain = source == "tach" or found.confidence >= _SURE
    condition = recording.origin.facts.condition
    segments, droop = states(found.time_s, found.hz, recording.duration_s, condition, certain)
    droop_from = "unloaded stretch of this recording" if droop is not None else None
    notices = list(found.notices)
    loaded = [s.hz for s in segments if s.state == "loaded" and s.hz is not None]
    rated = tool.rated_hz.get(of) if tool else None
    if droop is None and rated is not None and loaded and certain:
        slower = 1.0 - float(np.median(loaded)) / rated
        if -_FASTER < slower < MOST_DROOP:
            droop, droop_from = 100.0 * slower, "rated no-load speed of the tool sheet"
            segments = tuple(_drooped(segment, rated) for segment in segments)
        else:
            notices.append(said.droop_not_told(of, 1.0 - slower, rated))
    running = [s for s in segments if s.state in ("steady", "loaded")]
    inside = np.zeros(found.hz.size, dtype=bool)
    for segment in running:
        inside |= (found.time_s >= segment.start_s) & (found.time_s <= segment.stop_s)
    known = found.hz[inside & np.isfinite(found.hz)] if (inside & np.isfinite(found.hz)).any() else found.hz
    middle, low, high = float(np.nanmedian(known)), float(np.nanmin(known)), float(np.nanmax(known))
    notices += said.not_tied(tool, of, ratios) + said.not_as_read(_read_by_hand(recording), tool, of, ratios, middle)
    return SpeedEstimate(
        recording.origin.file,
        source,
        of,
        found.time_s,
        found.hz,
        ratios,
        tuple(ShaftSpeed(name, r * middle, r * low, r * high) for name, r in ratios.items()),
        found.confidence,
        found.rivals,
        segments,
        droop,
        tuple(notices),
        droop_from,
        recording.origin.facts.shaft_power_w,
    )


def _drooped(segment: Segment, unloaded_hz: float) -> Segment:
    """Return a loaded segment with its droop from a speed without load."""
    if segment.state != "loaded" or segment.hz is None:
        return segment
    return replace(segment, droop_pct=100.0 * (1.0 - segment.hz / unloaded_hz))


def _unknown(recording: Recording, *notices: Notice, rivals: Sequence[Rival] = ()) -> SpeedEstimate:
    nothing = np.empty(0)
    return SpeedEstimate(
        recording.origin.file, None, UNNAMED, nothing, nothing, {}, (), 0.0, tuple(rivals), (), None, notices
    )
