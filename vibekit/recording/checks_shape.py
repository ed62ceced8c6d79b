"""Checks of the shape of the signal, by its kurtosis while the tool runs: soft limits, limited slopes, chatter."""

from __future__ import annotations

import numpy as np

from vibekit.recording.check_result import LOUD_MPS2, NO_SOURCE, Check, Context, running_frames
from vibekit.recording.measures import Measures
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import FRAME_S

_KURTOSIS_LACK = 0.32  # no source; set between sound recordings and those that a soft limit lowers by 12 %
_SLOPE_LACK = 0.5  # no source; sound ones reach 0.15, and a sine that is all slope limit, a triangle, lacks 1.0
_SHOCKS = 8.0  # kurtosis (no source)
_FINE_STEPS = 3.0  # r.m.s. difference, in steps of the resolution, from which it shows the signal (no source)


def soft_clipping(m: Measures, context: Context) -> Check | None:
    """Soft limit: amplitudes are pressed together, and the kurtosis falls below what the spectrum calls for.

    Independent lines with shares p of the power have a kurtosis of 3 - 1.5 sum(p²): 1.5 for one sine, towards 3 for
    many lines or noise (fourth moments of independent sines add so). The most tonal stretch is the measure, as a
    wandering speed only looks like many lines. Varying load raises the kurtosis; only a limit, or harmonics locked
    just so, lower it: one strong line with a third harmonic of its own cannot be told from a limit.
    """
    if not _shape_tells(m, context):
        return None
    lack = float(_kurtosis_lack(m, m.frame_square, m.frame_fourth, m.spectra.line_shares).max())
    soft = lack > _KURTOSIS_LACK
    return Check(
        "soft_clipping",
        "doubtful" if soft else "pass",
        lack,
        _KURTOSIS_LACK,
        f"the kurtosis lies {lack:.2f} below what the lines in the spectrum call for: "
        + (
            "a soft limit in the chain, or a third harmonic locked to look like one"
            if soft
            else "amplitudes are not pressed together"
        )
        if lack > 0
        else "amplitudes are not pressed together",
        "fourth moment of independent sines; limit: " + NO_SOURCE,
        "use a wider range or a lower gain: the true value is higher than the recorded one" if soft else None,
    )


def slew(m: Measures, context: Context) -> Check | None:
    """Slew-rate limit: an overloaded amplifier follows fast vibration at its one largest slope, up or down.

    The differences between samples then pile up at plus and minus that slope, as clipped samples do at the ends of the
    range, and an anti-alias filter behind the amplifier only rounds the piles. Two equal piles have a kurtosis of 1;
    the slope of independent lines has what `soft_clipping` says of their amplitudes, with shares of power times f².
    Fast vibration is taken off, and what is slow rides on it with a smaller gain. Where differences are hardly
    larger than the resolution they are steps of it and say nothing. A limit that vibration beyond the recorded band
    keeps busy leaves no piles in the band: there only a mechanical filter helps.
    """
    if not _shape_tells(m, context):
        return None
    fine = np.sqrt(m.slope_square[:, running_frames(m).on].mean(axis=1)) > _FINE_STEPS * m.lsb
    if not fine.any():
        return None
    lack = float(_kurtosis_lack(m, m.slope_square, m.slope_fourth, m.spectra.slope_shares)[fine].max())
    limited = lack > _SLOPE_LACK
    return Check(
        "slew",
        "doubtful" if limited else "pass",
        lack,
        _SLOPE_LACK,
        f"the slopes between samples pile up at one largest value (kurtosis {lack:.2f} below what their spectrum calls "
        "for): an overloaded amplifier"
        if limited
        else "the slopes between samples do not pile up",
        "fourth moment of independent sines; limit: " + NO_SOURCE,
        "lower the gain before the amplifier, or put a mechanical filter under the sensor" if limited else None,
    )


def _shape_tells(m: Measures, context: Context) -> bool:
    """Tell whether a second or more is loud enough, and was not smoothed by resampling."""
    level = running_kurtosis(m)[1]
    return level >= LOUD_MPS2 and not (context.origin.timing and context.origin.timing.resampled)


def chatter(m: Measures, context: Context) -> Check:
    """Loose sensor: it lifts off and strikes back, so short shocks ride on the signal and the kurtosis rises.

    Turning parts give 1.5 (a sine) to about 4, gears and bearings in bad order up to 8; a chattering mount more, and so
    does a bearing that is far gone.
    """
    per_axis, level = running_kurtosis(m)
    if per_axis is None:
        return Check("chatter", "pass", None, _SHOCKS, "no whole second with the tool running", NO_SOURCE)
    kurtosis = float(np.max(per_axis))
    shocks = kurtosis > _SHOCKS and level > LOUD_MPS2
    return Check(
        "chatter",
        "doubtful" if shocks else "pass",
        kurtosis,
        _SHOCKS,
        f"kurtosis {kurtosis:.3g} while running: "
        + (
            "shocks: a loose sensor, a bearing or gear in bad order, or a tool that hammers"
            if shocks
            else "no shocks of a loose sensor"
        ),
        NO_SOURCE,
        "tighten the sensor and its clamp, then record again" if shocks else None,
    )


def running_kurtosis(m: Measures) -> tuple[FloatArray | None, float]:
    """Return each axis's median kurtosis over seconds with the tool running, and the median level [m/s²]."""
    square, fourth = _running_seconds(m, m.frame_square), _running_seconds(m, m.frame_fourth)
    if square.shape[-1] == 0:
        return None, 0.0
    kurtosis = np.median(fourth / np.maximum(square**2, 1e-300), axis=1)
    return kurtosis, float(np.sqrt(np.median(square.sum(axis=0))))


def _kurtosis_lack(m: Measures, square: FloatArray, fourth: FloatArray, shares: FloatArray) -> FloatArray:
    """Return how far each axis's kurtosis while running lies below what its lines call for; empty if never running.

    The kurtosis is of frames, weighted by their power: load that varies from frame to frame does not raise it.
    """
    powers = _running_seconds(m, square**2)
    if powers.shape[-1] == 0:
        return np.zeros(0)
    kurtosis = np.median(_running_seconds(m, fourth) / np.maximum(powers, 1e-300), axis=1)
    return np.asarray(3.0 - 1.5 * shares.max(axis=1, initial=0.0) - kurtosis)


def _running_seconds(m: Measures, frames: FloatArray) -> FloatArray:
    """Return the means of a frame quantity over the seconds with the tool running throughout."""
    on, per_second = running_frames(m).on, max(1, round(1.0 / FRAME_S))
    whole = on.size // per_second * per_second
    kept = np.flatnonzero(on[:whole].reshape(-1, per_second).all(axis=1))
    return np.asarray(frames[:, :whole].reshape(len(frames), -1, per_second).mean(axis=2)[:, kept])
