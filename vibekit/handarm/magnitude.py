"""The grade: hand-arm vibration magnitude of recordings, with uncertainty and allowed trigger time."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import InputError, Notice, UsageError, refused
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.bands import nominal_centres
from vibekit.handarm.onepass import LevelTrack, measure
from vibekit.handarm.summary import grade_document
from vibekit.handarm.weighting import SETTLING_S, STEPS_PER_FRAME
from vibekit.recording.background import floor_notice
from vibekit.recording.limits import band_notice, covers_all, length_notice
from vibekit.recording.quality import CheckReport, Looked
from vibekit.recording.recording import FloatArray, SignalSource
from vibekit.recording.segments import middle, trigger_on
from vibekit.recording.toolsheet import ToolSheet

BoolArray = NDArray[np.bool_]
ByAxis = dict[str, float | None]

_MISSING_AXES_MULTIPLIER = 1.7  # on the dominant axis, ISO 5349-1:2001 clause 4.5 and Annex (1.0 to 1.7)
_OF_SENSOR = ("axes", "resolution", "aliasing", "hum")  # checks of what stays the same from recording to recording
_LEAST_OFF_S = 2.0  # of trigger-off time that tell the floor: more than a tool takes to come to rest
_MULTIPLIER_DOUBT = (1.7 - 1.0) / math.sqrt(3.0) / 1.7  # r.m.s. distance from the 1.7 used, relative; JCGM 100 F.2.4.5


@dataclass(frozen=True)
class ThirdOctaves:
    """Unweighted one-third-octave r.m.s. values over the trigger-on time; `values` [m/s²], shape (n_axes, n_bands)."""

    centre_hz: tuple[float, ...]
    values: FloatArray


@dataclass(frozen=True)
class VibrationMagnitude:
    """The grade of one recording. Values [m/s²]; None where the recording cannot support them (see `notices`)."""

    file: str
    sheet: ToolSheet | None
    condition: str | None
    position: str | None
    operator: str | None
    run: int | None
    duration_s: float
    trigger_on_s: float
    sample_rate: float
    axes: tuple[str, ...]
    band_covered_hz: tuple[float, float]
    checked: CheckReport
    gradeable: bool
    a_hw_mps2: ByAxis
    a_hv_mps2: float | None
    a_band_limited_mps2: ByAxis
    peak_mps2: ByAxis
    running_max_mps2: float | None
    third_octave: ThirdOctaves
    budget: tuple[unc.UncertaintyPart, ...]
    track: LevelTrack
    on: BoolArray
    notices: tuple[Notice, ...]

    @property
    def tool(self) -> str | None:
        """Tag of the tool, where a sheet names it."""
        return self.sheet.tag if self.sheet else None

    @property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty (k = 2) of a_hv, with the repeatability of a single run."""
        return None if self.a_hv_mps2 is None else unc.expanded(self.a_hv_mps2, unc.with_repeatability(self.budget))

    @property
    def crest_factor(self) -> ByAxis:
        """Peak over r.m.s., both band-limited, per axis."""
        return {
            axis: peak / rms if peak is not None and (rms := self.a_band_limited_mps2[axis]) else None
            for axis, peak in self.peak_mps2.items()
        }

    @property
    def energy_outside(self) -> float:
        """Weighted energy with the trigger off over that with it on [-]: handling, other tools, a tool not noticed."""
        energy = self.track.weighted.sum(axis=0)
        settled = np.arange(energy.size) * self.track.frame_s >= SETTLING_S
        inside = float(energy[settled & self.on].sum())
        return float(energy[settled & ~self.on].sum()) / inside if inside > 0 else 0.0

    def to_dict(self) -> dict[str, Any]:
        """Return the whole `grade` document of this recording alone."""
        return grade_document([self])

    def row(self) -> dict[str, Any]:
        """Return the recording's row of the `grade` document."""
        return {
            "file": self.file,
            "tool": self.tool,
            "condition": self.condition,
            "position": self.position,
            "operator": self.operator,
            "run": self.run,
            "duration_s": self.duration_s,
            "trigger_on_s": self.trigger_on_s,
            "sample_rate_hz": self.sample_rate,
            "band_covered_hz": list(self.band_covered_hz),
            "gradeable": self.gradeable,
            "checks": self.checked.verdict(),
            "weighting": "Wh",
            "a_hw_mps2": self.a_hw_mps2,
            "a_hv_mps2": self.a_hv_mps2,
            "a_band_limited_mps2": self.a_band_limited_mps2,
            "peak_mps2": self.peak_mps2,
            "crest_factor": self.crest_factor,
            "running_max_mps2": self.running_max_mps2,
            "third_octave": self._third_octave_dict(),
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            "uncertainty_budget": [part.to_dict() for part in unc.with_repeatability(self.budget)],
            "notices": [notice.to_dict() for notice in self.notices],
        }

    def _third_octave_dict(self) -> dict[str, Any]:
        bands: dict[str, Any] = {"centre_hz": list(self.third_octave.centre_hz)}
        for axis in ("x", "y", "z"):
            known = axis in self.axes
            bands[f"{axis}_mps2"] = self.third_octave.values[self.axes.index(axis)].tolist() if known else None
        return bands


def grade(
    source: SignalSource, tool: ToolSheet | None = None, progress: Callable[[float], None] | None = None
) -> VibrationMagnitude:
    """Return the hand-arm vibration magnitude of a recording or a stream, over the trigger-on time.

    The first 0.3 s, where the weighting filter settles, do not enter. With one or two axes the dominant axis is
    multiplied by 1.7 as ISO 5349-1 allows, and a caution says so.

    Raises:
        UsageError: the recording is weighted already.
        InputError: no acceleration axis, or the stream is corrupt (its first bad sample is named).

    Source: ISO 5349-1:2001 clauses 4.4 and 4.5, eq. 1.
    """
    if source.weighted:
        raise UsageError(
            f"{source.origin.file or 'recording'}: is weighted already; grade takes the unweighted recording"
        )
    if not source.axes:
        raise InputError(f"{source.origin.file or 'recording'}: holds no acceleration axis (x, y, z) to be graded")
    tool = tool or source.origin.tool
    looked = Looked(source)
    track = measure(looked, progress)
    checked = looked.report(tool)
    triggered = trigger_on(_level(track), track.frame_s)
    on = np.asarray(triggered.on)
    on_s = float(track.counts[on].sum()) / track.sample_rate
    limits = _reasons_against(checked, tool, on_s)
    notices = (*source.origin.notices, *_trigger_notice(triggered.single_state, on_s), *limits, *checked.remarks)
    return _evaluate(source, tool, track, on, checked, not refused(limits), notices)


def _reasons_against(checked: CheckReport, tool: ToolSheet | None, on_s: float) -> list[Notice]:
    """Return what limits the grade: refusals, where no value may be given, and cautions."""
    limits = (length_notice(on_s), band_notice(tool, checked.band_covered_hz), *checked.against("grade"))
    return [notice for notice in limits if notice is not None]


def _doubts(checked: CheckReport) -> tuple[unc.UncertaintyPart, ...]:
    """Return what the checks doubt as parts of the uncertainty: r.m.s. distance of the true value from the one told.

    Rectangular between the least and the most that the true value lies above it: JCGM 100:2008 4.3.7, F.2.4.5.
    """
    parts = []
    for check in checked.doubts():
        low, high = (pct / 100.0 for pct in check.true_above_pct or (0.0, 0.0))
        relative = math.sqrt((low * low + low * high + high * high) / 3.0)
        cause: unc.Cause = "sensor" if check.name in _OF_SENSOR else "recording"
        name, origin = check.name.replace("_", " "), f"check: rectangular, true value {low:+.0%} to {high:+.0%}"
        parts.append(unc.UncertaintyPart(name, relative, origin, cause))
    return tuple(parts)


def _trigger_notice(single_state: bool, on_s: float) -> tuple[Notice, ...]:
    """Say over what time the magnitude holds where that is not the whole recording."""
    if single_state:
        return ()
    return (Notice("trigger_on_part", "info", f"graded over the {on_s:.1f} s with the trigger on", on_s),)


def _level(track: LevelTrack) -> FloatArray:
    """Return the short-time band-limited total level that trigger detection works on [m/s²], shape (n_frames,)."""
    return np.asarray(np.sqrt(track.band_limited.sum(axis=0) / track.counts))


def _evaluate(
    source: SignalSource,
    tool: ToolSheet | None,
    track: LevelTrack,
    on: BoolArray,
    checked: CheckReport,
    gradeable: bool,
    notices: tuple[Notice, ...],
) -> VibrationMagnitude:
    start = np.arange(on.size) * track.frame_s
    used = on & (start >= SETTLING_S)
    used = used if used.any() else on
    samples = track.counts[used].sum()
    weighted = np.sqrt(track.weighted[:, used].sum(axis=1) / samples)
    limited = np.sqrt(track.band_limited[:, used].sum(axis=1) / samples)
    running = _running_while_on(track, used)
    total, axis_notices, axis_parts = _total_value(source.axes, weighted)
    facts = source.origin.facts
    return VibrationMagnitude(
        file=source.origin.file,
        sheet=tool,
        condition=facts.condition,
        position=facts.position,
        operator=facts.operator,
        run=facts.run,
        duration_s=track.n_samples / track.sample_rate,
        trigger_on_s=float(track.counts[on].sum()) / track.sample_rate,
        sample_rate=track.sample_rate,
        axes=source.axes,
        band_covered_hz=checked.band_covered_hz,
        checked=checked,
        gradeable=gradeable,
        a_hw_mps2=_by_axis(source.axes, weighted, gradeable),
        a_hv_mps2=total if gradeable else None,
        a_band_limited_mps2=_by_axis(source.axes, limited, gradeable),
        peak_mps2=_by_axis(source.axes, track.peak[:, used].max(axis=1), True),
        running_max_mps2=math.sqrt(running.max()) if gradeable and running.size else None,
        third_octave=_third_octaves(track, on),
        budget=(*axis_parts, *_doubts(checked), *unc.known_parts(facts, covers_all(checked.band_covered_hz), tool)),
        track=track,
        on=on,
        notices=(*notices, *axis_notices, *_floor_notice(source, track, on, math.sqrt(np.square(weighted).sum()))),
    )


def _floor_notice(source: SignalSource, track: LevelTrack, on: BoolArray, level: float) -> tuple[Notice, ...]:
    """Return a caution where the weighted level lies near that of the recording's own part with the trigger off.

    The trigger stands out by the unweighted level; what shakes nearby is slow, and the weighting takes less from it.
    """
    off = ~on & (np.arange(on.size) * track.frame_s >= SETTLING_S)
    if off.sum() * track.frame_s < _LEAST_OFF_S:
        return ()
    second = round(1.0 / track.frame_s)
    energy = track.weighted[:, off].sum(axis=0)[: off.sum() // second * second].reshape(-1, second).sum(axis=1)
    floor = math.sqrt(middle(energy) / (second * track.counts[0]))
    notice = floor_notice(source.origin.file or "recording", level, floor)
    return (notice,) if notice else ()


def _running_while_on(track: LevelTrack, used: BoolArray) -> FloatArray:
    """Return the running mean squares whose first and last step lie in used frames [m²/s⁴]."""
    running = track.running
    inside = np.repeat(used, STEPS_PER_FRAME)
    last = track.window - 1
    return running[inside[: running.size] & inside[last : last + running.size]]


def _by_axis(axes: tuple[str, ...], values: FloatArray, known: bool) -> ByAxis:
    given = dict(zip(axes, values.tolist(), strict=True))
    return {axis: given.get(axis) if known else None for axis in ("x", "y", "z")}


def _total_value(
    axes: tuple[str, ...], weighted: FloatArray
) -> tuple[float, tuple[Notice, ...], tuple[unc.UncertaintyPart, ...]]:
    """Return a_hv, with a caution and an uncertainty part where axes are missing. ISO 5349-1:2001 eq. 1."""
    if len(axes) == 3:
        return float(np.sqrt(np.square(weighted).sum())), (), ()
    caution = Notice(
        "axes_missing",
        "caution",
        f"only axis {', '.join(axes)} measured: the dominant axis is multiplied by {_MISSING_AXES_MULTIPLIER}, "
        "the upper end of what ISO 5349-1 allows (1.0 to 1.7)",
        value=len(axes),
        limit=3,
        remedy="measure x, y and z, at once or one after the other",
    )
    part = unc.UncertaintyPart(
        "missing axes", _MULTIPLIER_DOUBT, "rectangular over the multiplier's range 1.0 to 1.7, about the 1.7 used"
    )
    return _MISSING_AXES_MULTIPLIER * float(weighted.max()), (caution,), (part,)


def _third_octaves(track: LevelTrack, on: BoolArray) -> ThirdOctaves:
    """Return band values referred to the trigger-on time, from every block whose window touches it.

    Blocks are 6 s long: what the tool-off part of a touched block holds is counted in (near the floor, as a rule).
    """
    n_blocks, span = track.bands.shape[0], track.block_frames
    padded = np.zeros(track.fade_frames + n_blocks * span, dtype=bool)
    padded[track.fade_frames : track.fade_frames + on.size] = on
    touched = [bool(padded[i * span : (i + 1) * span + track.fade_frames].any()) for i in range(n_blocks)]
    energy = track.bands[touched].sum(axis=0)
    return ThirdOctaves(
        nominal_centres(track.sample_rate), np.sqrt(energy / max(float(track.band_counts[on].sum()), 1e-9))
    )
