"""Checks of the signal itself: clipping, soft limits, aliasing, DC shift, drop-outs, mains pick-up, chatter."""

from __future__ import annotations

import math

import numpy as np

from vibekit.recording.check_result import NO_SOURCE, Check, Context, known_ceiling, running_frames, verdict
from vibekit.recording.clipping import Clipping, find_clipping
from vibekit.recording.limits import MAX_CLIPPED_PCT, shaft_lines
from vibekit.recording.measures import Measures, Run
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import FRAME_S

_SHOCKS = "shocks: a loose sensor, a bearing or gear in bad order, or a tool that hammers"
LOUD_MPS2 = 0.3  # below this level shape says nothing of the tool (no source)
_SHIFT_BANDS_HZ = (5.0, 8.0, 12.0, 20.0)  # above the hand's own motion, below the tool's slowest shaft
_SHIFT_FALL_DB = 4.5  # half of what 1/f² gives between them
_SHIFT_RATIO = 0.5  # weighted r.m.s. below the tool's rate to that above: adds 12 % to the value (no source)
_SHIFT_MPS2 = 0.3  # weighted; hand motion alone stays below (no source)
HAND_HZ = 3.0  # up to here the hand moves the tool about (no source)
_KURTOSIS_LACK = 0.5  # no source; set between sound and softly limited recordings


def clippings(m: Measures, context: Context) -> list[Clipping]:
    """Return the clipping found on each axis."""
    ceiling = known_ceiling(context)
    rows = zip(m.histograms, m.peak_low, m.peak_high, m.lsb, strict=True)
    return [find_clipping(h, float(low), float(high), float(lsb), ceiling) for h, low, high, lsb in rows]


def clipped_pct(m: Measures, context: Context) -> float:
    """Return the share of clipped samples of the worst axis [%]."""
    return 100.0 * max((c.samples for c in clippings(m, context)), default=0) / max(m.n_samples, 1)


def clipping(m: Measures, context: Context) -> Check:
    """Clipping: samples at the end of the range, or flat tops below it."""
    found = clippings(m, context)
    pct = clipped_pct(m, context)
    worst = max(range(len(found)), key=lambda i: found[i].samples)
    what = found[worst]
    message = "no samples at the end of the range, no flat tops"
    if what.level_mps2 is not None:
        message = f"{pct:.3g} % of axis {context.axes[worst]} clipped: {what.how}, at {what.level_mps2:.4g} m/s²"
    return Check(
        "clipping",
        verdict(pct, 0.0, MAX_CLIPPED_PCT),
        pct,
        MAX_CLIPPED_PCT,
        message,
        NO_SOURCE,
        "use a wider range or a lower gain: the true value is higher than the recorded one" if pct else None,
    )


def soft_clipping(m: Measures, context: Context) -> Check | None:
    """Soft limit: amplitudes are pressed together, and the kurtosis falls below what the spectrum calls for.

    Independent lines with shares p of the power have a kurtosis of 3 - 1.5 sum(p²): 1.5 for one sine, towards 3 for
    many lines or noise (fourth moments of independent sines add so). The most tonal stretch is the measure, as a
    wandering speed only looks like many lines. Varying load raises the kurtosis; only a limit, or harmonics locked
    just so, lower it.
    """
    kurtosis, level = running_kurtosis(m)
    if kurtosis is None or level < LOUD_MPS2 or (context.origin.timing and context.origin.timing.resampled):
        return None
    called_for = 3.0 - 1.5 * m.spectra.line_shares.max(axis=1, initial=0.0)
    lack = float(np.max(called_for - kurtosis))
    soft = lack > _KURTOSIS_LACK
    return Check(
        "soft_clipping",
        "doubtful" if soft else "pass",
        lack,
        _KURTOSIS_LACK,
        f"the kurtosis lies {lack:.2f} below what the lines in the spectrum call for: "
        + ("a soft limit in the chain" if soft else "amplitudes are not pressed together")
        if lack > 0
        else "amplitudes are not pressed together",
        "fourth moment of independent sines; limit: " + NO_SOURCE,
        "use a wider range or a lower gain: the true value is higher than the recorded one" if soft else None,
    )


def aliasing(m: Measures, context: Context) -> Check:
    """No low-pass before sampling: the spectrum does not fall towards half the rate.

    An anti-alias filter leaves its fall visible just below half the rate; without one the density stays as it was
    there, well above what the resolution alone explains (LSB²/12 spread over the band).
    """
    f, density = m.spectra.frequency_hz, m.spectra.mean.sum(axis=0)
    nyquist = m.sample_rate / 2.0
    top, below = _mean(density, f, 0.9 * nyquist, 0.98 * nyquist), _mean(density, f, 0.4 * nyquist, 0.7 * nyquist)
    fall_db = 10.0 * math.log10(below / top) if top > 0 and below > 0 else math.inf
    grain = float(np.sum(m.lsb**2)) / 12.0 / nyquist
    share = top * nyquist / max(float(np.sum(m.rms**2)), 1e-30)
    flat = fall_db < 6.0 and top > 10.0 * grain and share > 0.05
    return Check(
        "aliasing",
        "doubtful" if flat else "pass",
        fall_db if math.isfinite(fall_db) else None,
        6.0,
        f"the spectrum falls by only {fall_db:.1f} dB before half the rate: lines above it may be folded down"
        if flat
        else "the spectrum falls before half the rate, or holds nothing there",
        NO_SOURCE,
        "use a recorder with an anti-alias filter, or sample faster" if flat else None,
    )


def dc_shift(m: Measures, context: Context) -> Check | None:
    """DC shift: shocks push a piezoelectric element off zero, and it creeps back over a second or so.

    That is energy below the tool's slowest rate which no rotating part makes, and a step that creeps back has a density
    that falls with 1/f²: 8 dB from 6 to 15 Hz. The process force of cutting and grinding, which is there as well, is
    flat or rises. The energy weighs fully in Wh, the tool's own lines are weighted down by 16 Hz / f, so both are
    compared with that weight (the slope of Wh above 16 Hz).
    """
    f, slowest = m.spectra.frequency_hz, min(context.tool.rated_hz.values(), default=None) if context.tool else None
    if (slowest is not None and slowest < _SHIFT_BANDS_HZ[3] / 0.8) or f[-1] < 2 * _SHIFT_BANDS_HZ[3]:
        return None
    density = m.spectra.mean * np.minimum(1.0, 16.0 / np.maximum(f, 1e-9)) ** 2
    split = _SHIFT_BANDS_HZ[3]
    low = np.array([_mean(row, f, HAND_HZ, split) * (split - HAND_HZ) for row in density])
    high = np.array([_mean(row, f, split, 1400.0) * (min(1400.0, float(f[-1])) - split) for row in density])
    row = int(np.argmax(low / np.maximum(high, 1e-30)))
    ratio = math.sqrt(low[row] / max(high[row], 1e-30))
    near, far = (_mean(m.spectra.mean[row], f, *_SHIFT_BANDS_HZ[i : i + 2]) for i in (0, 2))
    fall_db = 10.0 * math.log10(max(near, 1e-30) / max(far, 1e-30))
    creeps = fall_db > _SHIFT_FALL_DB and math.sqrt(low[row]) > _SHIFT_MPS2
    status = verdict(ratio, _SHIFT_RATIO, 3.0) if creeps else "pass"
    return Check(
        "dc_shift",
        status,
        ratio,
        _SHIFT_RATIO,
        f"energy from {HAND_HZ:.0f} to {split:.2g} Hz is {ratio:.2g} times that above it, weighted, and falls by "
        f"{fall_db:.1f} dB from 6 to 15 Hz",
        "ISO 5349-2 6.2.4 (sign); limits: " + NO_SOURCE,
        None if status == "pass" else "put a mechanical filter under the sensor, or tighten cable and connector",
    )


def dropouts(m: Measures, context: Context) -> Check:
    """Drop-outs and stuck samples: a stretch of equal samples in the midst of a lively signal."""
    found = [run for run in m.runs if _in_motion(m, run)]
    lost = sum(run.length for run in found) / max(m.n_samples, 1)
    first = f", the first at {found[0].start / m.sample_rate:.3f} s on {context.axes[found[0].row]}" if found else ""
    return Check(
        "dropouts",
        "fail" if lost > 0.01 else "doubtful" if found else "pass",
        float(len(found)),
        0.0,
        f"{len(found)} stretches of stuck samples, {100 * lost:.2g} % of the time{first}",
        NO_SOURCE,
        "look at the cable, the connector and the recorder's buffer" if found else None,
    )


def _in_motion(m: Measures, run: Run) -> bool:
    """Tell whether an axis moves well above its resolution just before and just after a run that is no flat top."""
    frame = m.sample_rate * FRAME_S
    level = np.sqrt(m.frame_square[run.row])
    before, after = int(run.start / frame) - 1, int((run.start + run.length) / frame) + 1
    if before < 0 or after >= level.size:
        before, after = max(before, 0), min(after, level.size - 1)
    if after < 0:
        return False
    lively = max(8.0 * m.lsb[run.row], 0.1 * float(np.median(level)), 1e-9)
    at_end = run.value in (m.peak_low[run.row], m.peak_high[run.row])
    return bool(not at_end and level[before] > lively and level[after] > lively)


def hum(m: Measures, context: Context) -> Check:
    """Mains pick-up: lines at 50 or 60 Hz exactly and odd multiples, there also where the tool is off.

    Twice the line frequency is real vibration of transformers and motors; the line itself is not, unless a shaft
    turns near it. Pick-up is as steady as the mains, so it stands in the quietest part as well.
    """
    lines = [context.tool.line_hz] if context.tool and context.tool.line_hz else [50.0, 60.0]
    best, where = 0.0, lines[0]
    f = m.spectra.frequency_hz
    for line in lines:
        for row, quiet in zip(m.spectra.mean, m.spectra.quiet, strict=True):
            if _stands_out(row, f, line) and _stands_out(quiet, f, line) and _stands_out(quiet, f, 3.0 * line):
                amplitude = math.sqrt(_power(quiet, f, line))
                if amplitude > best:
                    best, where = amplitude, line
    limit = 0.03 * float(np.sqrt(np.sum(m.rms**2)))
    near = [n for n, hz in shaft_lines(context.tool) if abs(hz - where) < 0.15 * where] if context.tool else []
    doubt = best > max(limit, 0.01) and not near
    return Check(
        "hum",
        "doubtful" if doubt else "pass",
        best,
        limit,
        f"{where:.0f} Hz and three times that, {best:.3g} m/s² even in the quietest part: mains pick-up"
        if doubt
        else f"no steady line at the mains frequency{' (a shaft turns near it: cannot be told apart)' if near else ''}",
        NO_SOURCE,
        "ground the sensor at one end only, keep its cable away from mains leads" if doubt else None,
    )


def chatter(m: Measures, context: Context) -> Check:
    """Loose sensor: it lifts off and strikes back, so short shocks ride on the signal and the kurtosis rises.

    Turning parts give 1.5 (a sine) to about 4, gears and bearings in bad order 4 to 8; a chattering mount more.
    """
    per_axis, level = running_kurtosis(m)
    if per_axis is None:
        return Check("chatter", "pass", None, 10.0, "no whole second with the tool running", NO_SOURCE)
    kurtosis = float(np.max(per_axis))
    shocks = kurtosis > 10.0 and level > LOUD_MPS2
    return Check(
        "chatter",
        "doubtful" if shocks else "pass",
        kurtosis,
        10.0,
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
    frames = running_frames(m).on
    per_second = max(1, round(1.0 / FRAME_S))
    whole = frames.size // per_second * per_second
    on = np.flatnonzero(frames[:whole].reshape(-1, per_second).all(axis=1))
    if on.size == 0:
        return None, 0.0
    square = m.frame_square[:, :whole].reshape(len(m.rms), -1, per_second).mean(axis=2)[:, on]
    fourth = m.frame_fourth[:, :whole].reshape(len(m.rms), -1, per_second).mean(axis=2)[:, on]
    kurtosis = np.median(fourth / np.maximum(square**2, 1e-300), axis=1)
    return kurtosis, float(np.sqrt(np.median(square.sum(axis=0))))


def _mean(density: FloatArray, f: FloatArray, low: float, high: float) -> float:
    part = density[(f >= low) & (f <= high)]
    return float(part.mean()) if part.size else 0.0


def _near(f: FloatArray, frequency: float) -> slice:
    centre = round(frequency / f[1]) if f.size > 1 else 0
    return slice(max(centre - 2, 0), centre + 3)


def _power(density: FloatArray, f: FloatArray, frequency: float) -> float:
    return float(density[_near(f, frequency)].sum() * f[1])


def _stands_out(density: FloatArray, f: FloatArray, frequency: float) -> bool:
    """Tell whether a narrow line within one resolution step of a frequency rises 20-fold over its surroundings."""
    if f.size < 2 or f[1] > 1.0 or frequency > 0.9 * f[-1]:
        return False
    near = _near(f, frequency)
    around = density[(np.abs(f - frequency) < 8.0) & (np.abs(f - frequency) > 3.0 * f[1])]
    peak = int(np.argmax(density[near])) + near.start
    return bool(around.size and abs(peak * f[1] - frequency) <= f[1] and density[peak] > 20.0 * np.median(around))
