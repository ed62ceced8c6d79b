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
from vibekit.handarm.axes import total_value
from vibekit.handarm.bands import nominal_centres
from vibekit.handarm.gradeability import FULL_BAND_HZ, ClippingCount, reasons_against
from vibekit.handarm.known_time import KnownTime, known_time
from vibekit.handarm.onepass import LevelTrack, measure
from vibekit.handarm.summary import grade_document
from vibekit.handarm.weighting import SETTLING_S, STEPS_PER_FRAME
from vibekit.recording.background import floor_notice
from vibekit.recording.limits import band_covered
from vibekit.recording.recording import FloatArray, SignalSource
from vibekit.recording.segments import middle, trigger_on
from vibekit.recording.sidecar import AXES_FACTOR
from vibekit.recording.toolsheet import ToolSheet

BoolArray = NDArray[np.bool_]
ByAxis = dict[str, float | None]

_LEAST_OFF_S = 2.0  # of trigger-off time that tell the floor: more than a tool takes to come to rest


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
    hand: str | None
    operator: str | None
    run: int | None
    duration_s: float
    trigger_on_s: float
    sample_rate: float
    axes: tuple[str, ...]
    band_covered_hz: tuple[float, float]
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
    settled: BoolArray
    notices: tuple[Notice, ...]
    missing_axes_factor: float | None = None
    test_code: str | bool | None = None

    @property
    def tool(self) -> str | None:
        """Tag of the tool, where a sheet names it."""
        return self.sheet.tag if self.sheet else None

    @property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty of a_hv, with the repeatability of a single run."""
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
        inside = float(energy[self.settled & self.on].sum())
        return float(energy[self.settled & ~self.on].sum()) / inside if inside > 0 else 0.0

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
            "hand": self.hand,
            "operator": self.operator,
            "run": self.run,
            "duration_s": self.duration_s,
            "trigger_on_s": self.trigger_on_s,
            "sample_rate_hz": self.sample_rate,
            "band_covered_hz": list(self.band_covered_hz),
            "gradeable": self.gradeable,
            "weighting": "Wh",
            "a_hw_mps2": self.a_hw_mps2,
            "a_hv_mps2": self.a_hv_mps2,
            "a_band_limited_mps2": self.a_band_limited_mps2,
            "peak_mps2": self.peak_mps2,
            "crest_factor": self.crest_factor,
            "running_max_mps2": self.running_max_mps2,
            "third_octave": self._third_octave_dict(),
            "missing_axes_factor": self.missing_axes_factor,
            "test_code": self.test_code,
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            **unc.coverage_dict(unc.with_repeatability(self.budget)),
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
    source: SignalSource,
    tool: ToolSheet | None = None,
    progress: Callable[[float], None] | None = None,
    missing_axes_factor: float | None = None,
) -> VibrationMagnitude:
    """Return the hand-arm vibration magnitude of a recording or a stream, over the trigger-on time.

    The first 0.3 s, where the weighting filter settles, do not enter. With one or two axes the largest axis is
    multiplied by 1.7, or by `missing_axes_factor` (here, else in the sidecar, else in the tool sheet), 1.0 to 1.7 as
    ISO 5349-1 allows, and a caution says so.

    Raises:
        UsageError: the recording is weighted already.
        InputError: no acceleration axis, or the stream is corrupt (its first bad sample is named).

    Source: ISO 5349-1:2001 clauses 4.4 and 4.5, eq. 1.
    """
    if source.weighted:
        raise UsageError(
            f"{source.origin.file or 'recording'}: is weighted already; grade takes the unweighted recording"
        )
    if missing_axes_factor is not None and not AXES_FACTOR[0] <= missing_axes_factor <= AXES_FACTOR[1]:
        raise UsageError(f"missing_axes_factor {missing_axes_factor:g} must be 1.0 to 1.7 (ISO 5349-1)")
    if not source.axes:
        raise InputError(f"{source.origin.file or 'recording'}: holds no acceleration axis (x, y, z) to be graded")
    tool = tool or source.origin.tool
    clipping = ClippingCount(source)
    track = measure(clipping, progress)
    known = known_time(track, source.origin.timing, SETTLING_S)
    triggered = trigger_on(_level(track)[known.whole], track.frame_s)
    band = band_covered(source.sample_rate, source.origin.sensor.band_hz, source.origin.timing)
    on = known.spread(np.asarray(triggered.on))
    on_s = float(known.seconds[on].sum())
    enough_s = on_s if known.whole.all() else float(known.seconds[on & known.settled].sum())
    limits = reasons_against(tool, band, enough_s, clipping.share)
    notices = (*source.origin.notices, *_trigger_notice(triggered.single_state, on_s), *limits)
    return _evaluate(source, tool, track, on, known, band, not refused(limits), notices, missing_axes_factor)


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
    known: KnownTime,
    band: tuple[float, float],
    gradeable: bool,
    notices: tuple[Notice, ...],
    missing_axes_factor: float | None,
) -> VibrationMagnitude:
    used = on & known.settled
    used = used if used.any() or not on.any() else on
    used = used if used.any() else np.ones_like(on)  # gaps throughout: refused, and no value is shown
    samples = track.counts[used].sum()
    weighted = np.sqrt(track.weighted[:, used].sum(axis=1) / samples)
    limited = np.sqrt(track.band_limited[:, used].sum(axis=1) / samples)
    running = _running_while_on(track, used)
    facts = source.origin.facts
    factors = (missing_axes_factor, facts.missing_axes_factor, tool.missing_axes_factor if tool else None)
    factor = next((value for value in factors if value is not None), None)
    keys = unc.cause_keys(facts, tool, source.origin.sensor)
    total = total_value(_by_axis(source.axes, weighted, True), factor, keys["position"])
    return VibrationMagnitude(
        file=source.origin.file,
        sheet=tool,
        condition=facts.condition,
        position=facts.position,
        hand=facts.hand,
        operator=facts.operator,
        run=facts.run,
        duration_s=track.n_samples / track.sample_rate,
        trigger_on_s=float(known.seconds[on].sum()),
        sample_rate=track.sample_rate,
        axes=source.axes,
        band_covered_hz=band,
        gradeable=gradeable,
        a_hw_mps2=_by_axis(source.axes, weighted, gradeable),
        a_hv_mps2=total.a_hv_mps2 if gradeable else None,
        a_band_limited_mps2=_by_axis(source.axes, limited, gradeable),
        peak_mps2=_by_axis(source.axes, track.peak[:, used].max(axis=1), True),
        running_max_mps2=math.sqrt(running.max()) if gradeable and running.size else None,
        third_octave=_third_octaves(track, on, float(known.seconds[on].sum())),
        budget=(*total.parts, *unc.known_parts(facts, band[1] >= FULL_BAND_HZ, tool, source.origin.sensor)),
        track=track,
        on=on,
        settled=known.settled,
        notices=(
            *notices,
            *total.notices,
            *_floor_notice(source, track, known.settled & ~on, math.sqrt(np.square(weighted).sum())),
        ),
        missing_axes_factor=factor,
        test_code=facts.test_code,
    )


def _floor_notice(source: SignalSource, track: LevelTrack, off: BoolArray, level: float) -> tuple[Notice, ...]:
    """Return a caution where the weighted level lies near that of the recording's own part with the trigger off.

    The trigger stands out by the unweighted level; what shakes nearby is slow, and the weighting takes less from it.
    """
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


def _third_octaves(track: LevelTrack, on: BoolArray, on_s: float) -> ThirdOctaves:
    """Return band values referred to the trigger-on time, from every block whose window touches it.

    Blocks are 6 s long: what the tool-off part of a touched block holds is counted in (near the floor, as a rule).
    """
    n_blocks, span = track.bands.shape[0], track.block_frames
    padded = np.zeros(track.fade_frames + n_blocks * span, dtype=bool)
    padded[track.fade_frames : track.fade_frames + on.size] = on
    touched = [bool(padded[i * span : (i + 1) * span + track.fade_frames].any()) for i in range(n_blocks)]
    energy = track.bands[touched].sum(axis=0)
    return ThirdOctaves(nominal_centres(track.sample_rate), np.sqrt(energy / max(on_s * track.sample_rate, 1.0)))
