"""Checks of the shape of the signal, by its kurtosis while the tool runs: soft limits, limited slopes, shocks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.recording.check_result import LOUD_MPS2, NO_SOURCE, Check, Context, verdict
from vibekit.recording.clipping import all_levels_occur
from vibekit.recording.measures import FRAMES_PER_S, Measures
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import FRAME_S, medians

_KURTOSIS_LACK = 0.32  # no source; set between sound recordings and those that a soft limit lowers by 12 %
_KURTOSIS_FAIL = 0.7  # lowers by 15 to 100 %, in the recordings of tests.benchmarks.flawed (no other source)
_LACK_PCT = ((-3.0, 25.0), (0.0, 110.0))  # least and most that a lack lowers a_hv: offset, and per unit (fitted there)
_SLEW_PCT = (15.0, 60.0)  # most that a limited slope lowers a_hv, up to a lack of 1.2 and beyond it (found there)
_SLOPE_LACK = 0.5  # no source; sound ones reach 0.15, and a sine that is all slope limit, a triangle, lacks 1.0
HAND_HZ = 3.0  # up to here the hand moves the tool about (no source)
_AUDIBLE = 0.01  # of the largest axis: below, an axis shows no shape
_TOP_EDGE_HZ = 1250.0 * 10**0.05  # upper edge of the highest band of Wh, IEC 61260-1:2014 eq. 6
_FAST_MPS2 = 50.0  # r.m.s. value above that edge that is worth a word (no source)
_FAST_SHARE = 0.5  # of the power
_SHOCKS = 8.0  # kurtosis (no source)
_SHOCK_MPS2 = 50.0  # peak from which a hand feels single shocks; bearings far gone reach 40 (no source)
_CREST = 10.0  # peak over the usual r.m.s. value of a shock that comes now and then (no source)
_SHOCKS_PER_S = 0.3  # of these, while the tool runs, from which they are repeated: a start or a bump is not (no source)
_SHOCK_PCT = 10.0  # how far a loose sensor or an overload by shocks may be off either way (no source)
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
    lacks = _kurtosis_lack(m, m.frame_square[:, m.close], m.frame_fourth, m.spectra.line_shares)
    shown = lacks[_passes_all(m)]
    lack = float(shown.max()) if shown.size else 0.0
    soft = lack > _KURTOSIS_LACK
    least, most = (offset + slope * lack for offset, slope in _LACK_PCT)
    return Check(
        "soft_clipping",
        verdict(lack, _KURTOSIS_LACK, _KURTOSIS_FAIL),
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
        (least, most) if soft else None,
    )


def _passes_all(m: Measures) -> NDArray[np.bool_]:
    """Return which axes pass through all their amplitudes."""
    rows = zip(m.histograms, m.peak_low, m.peak_high, strict=True)
    return np.array([all_levels_occur(h, float(low), float(high)) for h, low, high in rows])


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
    fine = np.sqrt(m.slope_square[:, m.loud_closely].mean(axis=1)) > _FINE_STEPS * m.lsb
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
        (0.0, _SLEW_PCT[lack > 1.2]) if limited else None,
    )


def _shape_tells(m: Measures, context: Context) -> bool:
    """Tell whether a second or more is loud enough, and was not smoothed by resampling."""
    level = running_kurtosis(m)[1]
    return level >= LOUD_MPS2 and not (context.origin.timing and context.origin.timing.resampled)


def shocks(m: Measures, context: Context) -> Check:
    """Repeated shocks: short, high peaks ride on the signal, and the kurtosis rises.

    Turning parts give 1.5 (a sine) to about 4, gears and bearings in bad order up to 8; a chattering mount, an open
    cable and a tool that hammers more. Wh was made for vibration that goes on: of shocks its value may say too little
    (ISO 5349-1:2001 clause 1; ISO/TS 15694 measures their peaks as well, from memory).
    """
    per_axis, level = running_kurtosis(m)
    if per_axis is None:
        return Check("shocks", "pass", None, _SHOCKS, "no whole second with the tool running", NO_SOURCE)
    kurtosis, (rare, peak) = float(np.max(per_axis)), _peaks(m)
    found = level > LOUD_MPS2 and peak > _SHOCK_MPS2 and (kurtosis > _SHOCKS or rare > _SHOCKS_PER_S)
    return Check(
        "shocks",
        "doubtful" if found else "pass",
        kurtosis,
        _SHOCKS,
        f"repeated shocks of {peak:.3g} m/s² (kurtosis {kurtosis:.3g}), by a loose sensor or cable, a bearing or gear "
        "in bad order or a tool that hammers: Wh was not made for shocks, whose harm may be greater than a_hv says"
        if found
        else f"no shocks on the signal (kurtosis {kurtosis:.3g} while running)",
        "ISO 5349-1:2001 clause 1, ISO/TS 15694 (from memory); limits: " + NO_SOURCE,
        "tighten the sensor and its clamp, look at the cable; if it stays, state the peaks beside a_hv"
        if found
        else None,
        (-_SHOCK_PCT, _SHOCK_PCT) if found else None,
    )


def _peaks(m: Measures) -> tuple[float, float]:
    """Return how many frames a second reach high over the usual level while the tool runs, and how high they reach."""
    on = m.loud
    peaks = np.maximum(m.frame_high, -m.frame_low)[:, on]
    usual = np.sqrt(medians(m.frame_square[:, on]))
    high = (peaks > _CREST * usual[:, None]).any(axis=0) & (peaks.max(axis=0) > _SHOCK_MPS2)
    reached = peaks.max(axis=0)[high] if high.any() else peaks.max(axis=0)
    return float(high.sum()) / max(float(on.sum()) * FRAME_S, 1e-9), float(medians(reached))


def beyond_wh(m: Measures, file: str) -> tuple[Notice, ...]:
    """Say where most of the acceleration lies above the 1250 Hz band, of which Wh says nothing. ISO 5349-1 clause 1."""
    f, density = m.spectra.frequency_hz, m.spectra.mean.sum(axis=0)
    above, all_of_it = (float(np.sqrt(density[f > least].sum() * f[1])) for least in (_TOP_EDGE_HZ, HAND_HZ))
    if above < _FAST_MPS2 or above**2 < _FAST_SHARE * all_of_it**2:
        return ()
    message = (
        f"{file}: {above:.3g} of {all_of_it:.3g} m/s² lie above 1250 Hz, outside of what Wh was made for: a_hv says "
        "nothing of them (ISO 5349-1 clause 1)"
    )
    return (Notice("above_1250_hz", "info", message, above, _FAST_MPS2),)


def running_kurtosis(m: Measures) -> tuple[FloatArray | None, float]:
    """Return each axis's median kurtosis over seconds with the tool running, and the median level [m/s²]."""
    square, fourth = _running_seconds(m, m.frame_square[:, m.close]), _running_seconds(m, m.frame_fourth)
    if square.shape[-1] == 0:
        return None, 0.0
    kurtosis = medians(fourth / np.maximum(square**2, 1e-300))
    return kurtosis, float(np.sqrt(medians(square.sum(axis=0))))


def _kurtosis_lack(m: Measures, square: FloatArray, fourth: FloatArray, shares: FloatArray) -> FloatArray:
    """Return how far each axis's kurtosis while running lies below what its lines call for; empty if never running.

    The kurtosis is of frames, weighted by their power: load that varies from frame to frame does not raise it.
    """
    powers = _running_seconds(m, square**2)
    if powers.shape[-1] == 0:
        return np.zeros(0)
    kurtosis = medians(_running_seconds(m, fourth) / np.maximum(powers, 1e-300))
    lack = 3.0 - 1.5 * shares.max(axis=1, initial=0.0) - kurtosis
    level = powers.mean(axis=1)
    return np.asarray(np.where(level > _AUDIBLE**4 * level.max(), lack, 0.0))


def _running_seconds(m: Measures, frames: FloatArray) -> FloatArray:
    """Return the means of a quantity of the frames looked at over seconds, put together from those that are loud."""
    kept = frames[:, m.loud_closely]
    whole = kept.shape[1] // FRAMES_PER_S * FRAMES_PER_S
    return np.asarray(kept[:, :whole].reshape(len(frames), -1, FRAMES_PER_S).mean(axis=2))
