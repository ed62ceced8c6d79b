"""Grading: one pass over a recording, what the checks say of it, when the tool ran, and how it shook the hand then."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from vibekit.errors import InputError, Notice, UsageError, refused
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.axes import total_value
from vibekit.handarm.bands import nominal_centres
from vibekit.handarm.gate import (
    Gate,
    frames_in,
    settled_frames,
    settled_on_s,
    slow_share,
    structure_of,
    time_in,
    trigger_on_s,
)
from vibekit.handarm.magnitude import BoolArray, ByAxis, StateValue, ThirdOctaves, VibrationMagnitude
from vibekit.handarm.onepass import LevelTrack, measure
from vibekit.handarm.time_notices import time_notices
from vibekit.handarm.weighting import STEPS_PER_FRAME
from vibekit.recording.background import floor_notice
from vibekit.recording.conditions import is_off
from vibekit.recording.limits import band_notice, covers_all, length_notice
from vibekit.recording.quality import CheckReport, Looked
from vibekit.recording.recording import FloatArray, SignalSource
from vibekit.recording.segments import middle
from vibekit.recording.sidecar import AXES_FACTOR
from vibekit.recording.states import OFF, ON, STATE_NAMES, UNKNOWN, TimeStructure, one_state
from vibekit.recording.toolsheet import ToolSheet

_OF_SENSOR = ("axes", "resolution", "aliasing", "hum")  # checks of what stays the same from recording to recording
_LEAST_OFF_S = 2.0  # of trigger-off time that tell the floor: more than a tool takes to come to rest


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
    looked = Looked(source)
    track = measure(looked, progress)
    checked = looked.report(tool)
    times = _structure(source, track)
    if not times.single_state:
        checked = checked.while_on(slow_share(track, times))
    limits = _reasons_against(checked, tool, settled_on_s(track, times, source.origin.timing))
    notices = (*source.origin.notices, *limits, *checked.remarks)
    return _evaluate(source, tool, track, times, checked, not refused(limits), notices, missing_axes_factor)


def _reasons_against(checked: CheckReport, tool: ToolSheet | None, on_s: float) -> list[Notice]:
    """Return what limits the grade: refusals, where no value may be given, and cautions."""
    limits = (length_notice(on_s), band_notice(tool, checked.band_covered_hz), *checked.against("grade"))
    return [notice for notice in limits if notice is not None]


def _doubts(checked: CheckReport, sensor: str | None) -> tuple[unc.UncertaintyPart, ...]:
    """Return what the checks doubt as parts of the uncertainty: r.m.s. distance of the true value from the one told.

    Rectangular between the least and the most that the true value lies above it: JCGM 100:2008 4.3.7, F.2.4.5.
    """
    parts = []
    for check in checked.doubts():
        low, high = (pct / 100.0 for pct in check.true_above_pct or (0.0, 0.0))
        relative = math.sqrt((low * low + low * high + high * high) / 3.0)
        cause: unc.Cause = "sensor" if check.name in _OF_SENSOR else "recording"
        name, origin = check.name.replace("_", " "), f"check: rectangular, true value {low:+.0%} to {high:+.0%}"
        parts.append(unc.UncertaintyPart(name, relative, origin, cause, sensor if cause == "sensor" else None))
    return tuple(parts)


def _structure(source: SignalSource, track: LevelTrack) -> TimeStructure:
    """Return what the tool does when; of a background, which has no tool in it, one state."""
    if is_off(source.origin.facts.condition):
        return one_state(track.frame_s / STEPS_PER_FRAME, track.steps.size)
    return structure_of(track, source.origin.timing)


def _evaluate(
    source: SignalSource,
    tool: ToolSheet | None,
    track: LevelTrack,
    times: TimeStructure,
    checked: CheckReport,
    gradeable: bool,
    notices: tuple[Notice, ...],
    missing_axes_factor: float | None,
) -> VibrationMagnitude:
    timing = source.origin.timing
    gate = Gate.of(track, times.on * times.known, times.energy * times.known, timing)
    weighted, limited = np.sqrt(gate.weighted), np.sqrt(gate.band_limited)
    on, used = gate.on, gate.used
    running = _running_while_on(track, used)
    facts = source.origin.facts
    factors = (missing_axes_factor, facts.missing_axes_factor, tool.missing_axes_factor if tool else None)
    factor = next((value for value in factors if value is not None), None)
    keys = unc.cause_keys(facts, tool, source.origin.sensor)
    total = total_value(_by_axis(source.axes, weighted, True), factor, keys["position"])
    states = _states(source, track, times, total.a_hv_mps2, factor)
    return VibrationMagnitude(
        file=source.origin.file,
        sheet=tool,
        condition=facts.condition,
        position=facts.position,
        hand=facts.hand,
        operator=facts.operator,
        run=facts.run,
        duration_s=track.n_samples / track.sample_rate,
        trigger_on_s=trigger_on_s(track, times),
        sample_rate=track.sample_rate,
        axes=source.axes,
        band_covered_hz=checked.band_covered_hz,
        checked=checked,
        gradeable=gradeable,
        a_hw_mps2=_by_axis(source.axes, weighted, gradeable),
        a_hv_mps2=total.a_hv_mps2 if gradeable else None,
        a_band_limited_mps2=_by_axis(source.axes, limited, gradeable),
        peak_mps2=_by_axis(source.axes, track.peak[:, used].max(axis=1), True),
        running_max_mps2=math.sqrt(running.max()) if gradeable and running.size else None,
        third_octave=_third_octaves(track, on),
        budget=(
            *total.parts,
            *_doubts(checked, keys["sensor"]),
            *unc.known_parts(facts, covers_all(checked.band_covered_hz), tool, source.origin.sensor),
        ),
        track=track,
        times=times,
        states=states,
        unknown_s=timing.unknown_s if timing else 0.0,
        on=on,
        notices=(
            *notices,
            *time_notices(states, times.single_state, times.doubt_s),
            *total.notices,
            *_floor_notice(source, track, times, math.sqrt(np.square(weighted).sum())),
        ),
        missing_axes_factor=factor,
        test_code=facts.test_code,
    )


def _states(
    source: SignalSource, track: LevelTrack, times: TimeStructure, total: float, factor: float | None
) -> tuple[StateValue, ...]:
    """Return time and weighted total of each state that occurs; `total` is that with the trigger on."""
    if times.states == [ON] and times.single_state:
        return (StateValue(STATE_NAMES[ON], trigger_on_s(track, times), total),)
    found = []
    for state in times.states:
        time, energy = times.shares(state)
        seconds = time_in(track, time)
        weighted = np.sqrt(Gate.of(track, time, energy, source.origin.timing).weighted)
        value = total_value(_by_axis(source.axes, weighted, True), factor).a_hv_mps2
        found.append(StateValue(STATE_NAMES[state], seconds, None if state == UNKNOWN else value))
    return tuple(found)


def _floor_notice(source: SignalSource, track: LevelTrack, times: TimeStructure, level: float) -> tuple[Notice, ...]:
    """Return a caution where the weighted level lies near that of the recording's own part with the trigger off.

    The trigger stands out by the unweighted level; what shakes nearby is slow, and the weighting takes less from it.
    """
    off = frames_in(track, times.shares(OFF)[0]) & settled_frames(track, source.origin.timing)
    if off.sum() * track.frame_s < _LEAST_OFF_S:
        return ()
    second = round(1.0 / track.frame_s)
    energy = track.weighted[:, off].sum(axis=0)[: off.sum() // second * second].reshape(-1, second).sum(axis=1)
    floor = math.sqrt(middle(energy) / (second * track.counts[0]))
    notice = floor_notice(source.origin.file or "recording", level, floor)
    return (notice,) if notice else ()


def _running_while_on(track: LevelTrack, used: BoolArray) -> FloatArray:
    """Return the running mean squares whose first and last step lie in used frames, else the first or last [m²/s⁴].

    Bursts shorter than a second fill none.
    """
    running = track.running
    inside = np.repeat(used, STEPS_PER_FRAME)
    first, last = inside[: running.size], inside[track.window - 1 : track.window - 1 + running.size]
    return running[first & last] if (first & last).any() else running[first | last]


def _by_axis(axes: tuple[str, ...], values: FloatArray, known: bool) -> ByAxis:
    given = dict(zip(axes, values.tolist(), strict=True))
    return {axis: given.get(axis) if known else None for axis in ("x", "y", "z")}


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
