"""What every check returns, and what it looks at beside the samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from vibekit.recording.measures import Measures
from vibekit.recording.recording import Origin
from vibekit.recording.segments import FRAME_S, Trigger, trigger_on
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import parse_acceleration

Status = Literal["pass", "doubtful", "fail"]
NO_SOURCE = "common practice, no source"
LOUD_MPS2 = 0.3  # below this level the shape of signal and spectrum says nothing of the tool (no source)


@dataclass(frozen=True)
class Check:
    """One check: what was found against what limit, where the limit is from, and what to do."""

    name: str
    status: Status
    value: float | None
    limit: float | None
    message: str
    source: str
    remedy: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the check as document data."""
        return dict(vars(self))


@dataclass(frozen=True)
class Context:
    """What is known of a recording beside its samples."""

    origin: Origin
    axes: tuple[str, ...]
    tool: ToolSheet | None
    band_hz: tuple[float, float]


def verdict(value: float, doubtful: float, fail: float = math.inf) -> Status:
    """Return the status of a value that should be small."""
    return "fail" if value > fail else "doubtful" if value > doubtful else "pass"


def known_ceiling(context: Context) -> float | None:
    """Return the end of range [m/s²] that file and sensor state, or None."""
    known = [context.origin.calibration.full_scale_mps2]
    if context.origin.sensor.range is not None:
        known.append(parse_acceleration(context.origin.sensor.range))
    return min((value for value in known if value is not None), default=None)


def running_frames(m: Measures) -> Trigger:
    """Return which level frames have the tool running."""
    return trigger_on(m.levels, FRAME_S)


def running_level(m: Measures) -> float | None:
    """Return the median r.m.s. of all axes together while the tool runs [m/s²]; None where nothing is a frame long."""
    on = running_frames(m).on
    return float(np.median(m.levels[on])) if on.any() else None
