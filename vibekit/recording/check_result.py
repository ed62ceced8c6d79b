"""What every check returns, and what it looks at beside the samples."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from vibekit.recording.measures import Measures
from vibekit.recording.recording import FloatArray, Origin
from vibekit.recording.segments import medians
from vibekit.recording.toolsheet import ToolSheet
from vibekit.standards.hand_arm_weighting import PRINTED_FACTORS
from vibekit.units import parse_acceleration

Status = Literal["pass", "doubtful", "fail"]
NO_SOURCE = "common practice, no source"
LOUD_MPS2 = 0.3  # below this level the shape of signal and spectrum says nothing of the tool (no source)


@dataclass(frozen=True)
class Check:
    """One check: what was found against what limit, where the limit is from, and what to do.

    `true_above_pct`: how far the true a_hv lies above the one told, least and most [%]; negative is below. None where
    the check passes, or nothing is known of it.
    """

    name: str
    status: Status
    value: float | None
    limit: float | None
    message: str
    source: str
    remedy: str | None = None
    true_above_pct: tuple[float, float] | None = None

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


def known_ceiling(origin: Origin) -> float | None:
    """Return the end of range [m/s²] that file and sensor state, or None."""
    known = [origin.calibration.full_scale_mps2]
    if origin.sensor.range is not None:
        known.append(parse_acceleration(origin.sensor.range))
    return min((value for value in known if value is not None), default=None)


def weighted_power(frequency_hz: FloatArray, density: FloatArray) -> FloatArray:
    """Return the power of a density as the hand feels it, by the printed factors of Wh [m²/s⁴], over the last axis."""
    centres, factors = zip(*PRINTED_FACTORS, strict=True)
    gain = np.interp(frequency_hz, centres, factors, left=0.0, right=0.0) ** 2
    return np.asarray((density * gain).sum(axis=-1) * frequency_hz[1])


def added(share: float) -> tuple[float, float]:
    """Return how far the true value lies above one whose power holds a false share: below, by up to all of it [%]."""
    return -100.0 * (1.0 - float(np.sqrt(1.0 - min(max(share, 0.0), 1.0)))), 0.0


def direction(above_pct: tuple[float, float] | None) -> str:
    """Return in words where the true value lies."""
    if above_pct is None:
        return ""
    low, high = above_pct
    if low > -1.0 and high < 1.0:
        return "a_hv is off by less than 1 %"
    if low >= 0 or high <= 0:
        near, far = sorted((abs(low), abs(high)))
        least = f"{near:.0f} to " if near >= 1 else "up to "
        return f"the true a_hv is {'higher' if low >= 0 else 'lower'}, by {least}{max(far, 1):.0f} %"
    return f"the true a_hv may be up to {-low:.0f} % lower or {high:.0f} % higher"


def running_level(m: Measures) -> float | None:
    """Return the median r.m.s. of all axes together while the tool runs [m/s²]; None where nothing is a frame long."""
    on = m.running.on
    return float(medians(m.levels[on])) if on.any() else None
