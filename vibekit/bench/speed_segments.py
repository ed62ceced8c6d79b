"""The stretches of a speed beside the hand-arm vibration in them, each figure with its doubt."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.machine.speed.states import Segment

if TYPE_CHECKING:
    from vibekit.handarm.magnitude import VibrationMagnitude
    from vibekit.machine.speed.estimate import SpeedEstimate
    from vibekit.recording.recording import FloatArray, Recording

_ENDS = (0.05, 0.95)  # quantiles that a range is given between: single wrong readings do not count
_PART_S = 1.0  # of work that goes its own way: a stroke lasts about as long (no source)
_FEWEST = 3  # parts that show a spread
_COVERAGE = 2.0  # k of the expanded uncertainty


def segments_with_doubt(speed: SpeedEstimate, recording: Recording) -> dict[str, Any]:
    """Return `segments` and the droop of a `speed` document with their doubt.

    In each segment: `rpm_low`, `rpm_high` hold nine tenths of the time in it, `droop_low_pct`, `droop_high_pct` what
    these say of the droop; `a_hv_mps2` with `expanded_uncertainty_mps2` (k = 2): the budget of the whole recording,
    and how much the level goes up and down within the segment. None where it cannot be told.
    """
    graded = _graded(speed, recording)
    rows = [_row(segment, speed, graded) for segment in speed.segments]
    loaded = [row for row in rows if row["droop_low_pct"] is not None]
    return {
        "segments": rows,
        "droop_low_pct": min((row["droop_low_pct"] for row in loaded), default=None),
        "droop_high_pct": max((row["droop_high_pct"] for row in loaded), default=None),
    }


def _graded(speed: SpeedEstimate, recording: Recording) -> VibrationMagnitude | None:
    """Return the grade of a recording that has one: three axes, not weighted yet, nothing speaking against it."""
    from vibekit.handarm.grading import grade

    if len(recording.axes) != 3 or recording.weighted or not speed.segments:
        return None
    graded = grade(recording)
    return graded if graded.gradeable else None


def _row(segment: Segment, speed: SpeedEstimate, graded: VibrationMagnitude | None) -> dict[str, Any]:
    low, high = _speed_range(segment, speed)
    droops: list[float | None] = [None, None]
    if segment.droop_pct is not None and segment.hz and low and high:
        unloaded = segment.hz / (1.0 - segment.droop_pct / 100.0)
        droops = [100.0 * (1.0 - hz / unloaded) for hz in (high, low)]
    a_hv, doubt = _magnitude(segment, graded)
    return segment.to_dict() | {
        "rpm_low": None if low is None else 60.0 * low,
        "rpm_high": None if high is None else 60.0 * high,
        "droop_low_pct": droops[0],
        "droop_high_pct": droops[1],
        "a_hv_mps2": a_hv,
        "expanded_uncertainty_mps2": doubt,
    }


def _speed_range(segment: Segment, speed: SpeedEstimate) -> tuple[float | None, float | None]:
    inside = (speed.time_s >= segment.start_s) & (speed.time_s <= segment.stop_s) & np.isfinite(speed.hz)
    if segment.hz is None or not inside.any():
        return None, None
    low, high = np.quantile(speed.hz[inside], _ENDS)
    return float(low), float(high)


def _magnitude(segment: Segment, graded: VibrationMagnitude | None) -> tuple[float | None, float | None]:
    """Return a_hv over a segment at speed and its expanded uncertainty [m/s²]."""
    if graded is None or segment.state not in ("steady", "loaded"):
        return None, None
    track = graded.track
    frames = slice(round(segment.start_s / track.frame_s), round(segment.stop_s / track.frame_s))
    energy, counts = track.weighted[:, frames].sum(axis=0), track.counts[frames]
    if counts.sum() == 0:
        return None, None
    a_hv = math.sqrt(float(energy.sum() / counts.sum()))
    spread = _standard_error(energy, counts, max(1, round(_PART_S / track.frame_s)))
    if graded.expanded_uncertainty_mps2 is None or not graded.a_hv_mps2 or spread is None:
        return a_hv, None
    budget = graded.expanded_uncertainty_mps2 / graded.a_hv_mps2
    return a_hv, a_hv * math.hypot(budget, _COVERAGE * spread)


def _standard_error(energy: FloatArray, counts: FloatArray, frames: int) -> float | None:
    """Return the standard error of an r.m.s. value, as a share, from its parts of a second; None with too few.

    The r.m.s. value goes with the root of the mean square: half the share of that (JCGM 100:2008, 5.1.3).
    """
    parts = energy.size // frames
    if parts < _FEWEST:
        return None
    cut = slice(0, parts * frames)
    squares = energy[cut].reshape(parts, frames).sum(axis=1) / counts[cut].reshape(parts, frames).sum(axis=1)
    return 0.5 * float(np.std(squares, ddof=1) / math.sqrt(parts) / max(float(squares.mean()), 1e-30))
