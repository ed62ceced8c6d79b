"""Whether a tachometer channel can be believed: pulses may be miscounted, hum, or missing while the tool runs.

A mark too many or an edge counted twice gives a whole multiple of the speed; a lead beside one of the mains gives their
frequency; a sensor that slipped or was switched on late gives nothing. The rated speed and the lines of the turning
parts know of none of these, so that they can be held against it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.segments import FRAME_S, trigger_on
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import hz_to_rpm

if TYPE_CHECKING:
    from vibekit.machine.speed.estimate import SpeedEstimate
    from vibekit.machine.speed.tach import TachTrack

SAME = 0.05  # two readings of one speed: what counts wrongly is off by far more
_FAST, _SLOW = 1.3, 0.55  # of the rated speed: no tool turns faster, few slower under load
_MAINS_HZ, _MAINS = (50.0, 60.0, 100.0, 120.0), 0.003
_GAP_S = 1.0


def pulse_notices(of: str, pulses: TachTrack, tool: ToolSheet | None) -> list[Notice]:
    """Return what is to be said of a tachometer channel: repairs, a shaft nobody knows, a speed no tool reaches."""
    found = []
    share = repaired(pulses)
    if share > 0.01:
        found.append(
            Notice(
                "tach_repaired",
                "caution" if share > 0.05 else "info",
                f"tachometer: {pulses.pulses} pulses, {pulses.missing} missing and {pulses.double} double repaired",
                value=share,
                limit=0.01,
                remedy="check mark and sensor",
            )
        )
    names = [shaft.name for shaft in tool.shafts] if tool else []
    if names and of not in names:
        found.append(
            Notice(
                "tach_shaft_unknown",
                "caution",
                f"tach_shaft {of!r} is no shaft of the tool sheet, so that nothing is known of its shafts",
                value=of,
                remedy=f"name one of them in the sidecar: {', '.join(names)}",
            )
        )
    fastest, rated = _fastest(pulses.hz), _rated(of, tool)
    if over_rated(of, pulses.hz, tool):
        found.append(
            Notice(
                "tach_over_rated",
                "caution",
                f"the tachometer gives {hz_to_rpm(fastest):.0f} rpm, {fastest / rated:.3g} times the rated speed of "
                f"{of}",
                value=hz_to_rpm(fastest),
                limit=hz_to_rpm(rated),
                remedy="check tach_pulses_per_rev and tach_shaft",
            )
        )
    return found


def repaired(pulses: TachTrack) -> float:
    """Return the share of pulses that were missing or double."""
    return (pulses.missing + pulses.double) / pulses.pulses


def _rated(of: str, tool: ToolSheet | None) -> float:
    return tool.rated_hz.get(of, math.nan) if tool else math.nan


def _fastest(hz: FloatArray) -> float:
    return float(np.nanquantile(hz, 0.95))


def over_rated(of: str, hz: FloatArray, tool: ToolSheet | None) -> bool:
    """Tell whether a speed is beyond what the shaft can reach: usually the pulses per turn are wrong."""
    return _fastest(hz) >= _FAST * _rated(of, tool)


def far_below_rated(of: str, hz: FloatArray, tool: ToolSheet | None) -> bool:
    """Tell whether a shaft turns so slowly that marks may be missing; or its dial is turned down."""
    return float(np.nanmedian(hz)) < _SLOW * _rated(of, tool)


def like_mains(hz: FloatArray) -> bool:
    """Tell whether a speed stands on the mains' frequency, as hum in the tachometer's lead does."""
    low, middle, high = np.quantile(hz[np.isfinite(hz)], (0.1, 0.5, 0.9))
    return any(abs(middle / mains - 1.0) < _MAINS and high - low < _MAINS * middle for mains in _MAINS_HZ)


def quotient(by_tach: SpeedEstimate, lines: SpeedEstimate) -> float | None:
    """Return the tachometer's speed over that of the lines for the same shaft, None where one of them is not known."""
    if not lines.known or by_tach.of not in lines.ratios:
        return None
    both = by_tach.hz / lines.at(by_tach.time_s, by_tach.of)
    return float(np.nanmedian(both)) if np.isfinite(both).any() else None


def not_used(by_tach: SpeedEstimate, lines: SpeedEstimate, times: float) -> Notice:
    """Return that the lines are believed and not the tachometer, which gives so many `times` their speed."""
    what = "much the same as" if abs(times - 1.0) <= SAME else f"{times:.3g} times what"
    tach_rpm = hz_to_rpm(float(np.nanmedian(by_tach.hz)))
    return Notice(
        "tach_not_used",
        "caution",
        f"the tachometer gives {tach_rpm:.0f} rpm of {by_tach.of}, {what} the lines in the {lines.source} tell: "
        "these are taken",
        value=tach_rpm,
        limit=tach_rpm / times,
        remedy="check tach_pulses_per_rev, tach_shaft and the tachometer's lead",
    )


def maybe_hum(hz: FloatArray) -> Notice:
    """Return that pulses come as often as the mains swing, and nothing else tells whether they are its hum."""
    return Notice(
        "tach_like_mains",
        "caution",
        f"the tachometer pulses {float(np.nanmedian(hz)):.1f} times a second, as the mains do: it may be their hum",
        value=float(np.nanmedian(hz)),
        remedy="see whether it pulses while the tool is off",
    )


def no_pulses() -> Notice:
    """Return that the channel holds nothing that can be read as pulses."""
    return Notice(
        "tach_silent",
        "caution",
        "the tachometer channel holds no usable pulses: not used",
        remedy="check its sensor and mark, and that --axes or the sidecar name the right channel",
    )


def silent_while_running(by_tach: SpeedEstimate, recording: Recording) -> NDArray[np.bool_] | None:
    """Return which frames of `FRAME_S` have no pulses although it shakes as it does while running; None if few."""
    if not recording.axes:
        return None
    size = max(1, round(FRAME_S * recording.sample_rate))
    middle: FloatArray = (np.arange(recording.n_samples // size, dtype=np.float64) + 0.5) * FRAME_S
    unknown = np.isnan(by_tach.at(middle)) | (middle < by_tach.time_s[0]) | (middle > by_tach.time_s[-1])
    if unknown.sum() * FRAME_S < _GAP_S:
        return None
    frames = recording.samples[:, : middle.size * size].reshape(len(recording.axes), -1, size)
    levels = np.sqrt(np.sum([axis.var(axis=1) for axis in frames], axis=0))
    silent = np.asarray(unknown & trigger_on(levels, FRAME_S).on)
    return silent if silent.sum() * FRAME_S >= _GAP_S else None


def gap(silent: NDArray[np.bool_], filled_by: str | None) -> Notice:
    """Return that pulses are missing while the tool runs, and which lines stand in for them, if any do."""
    seconds = float(silent.sum()) * FRAME_S
    what = "its speed is not known there" if filled_by is None else f"there the lines in the {filled_by} tell the speed"
    return Notice(
        "tach_gaps",
        "caution" if filled_by is None else "info",
        f"the tachometer gives no pulses for {seconds:.0f} s in which the tool shakes as it does while running: {what}",
        value=seconds,
        limit=_GAP_S,
        remedy="check mark and sensor, and start them before the recording",
    )
