"""Checks of the signal itself: clipping, aliasing, DC shift, mains pick-up."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np

from vibekit.recording.check_result import (
    LOUD_MPS2,
    NO_SOURCE,
    Check,
    Context,
    added,
    known_ceiling,
    running_level,
    verdict,
    weighted_power,
)
from vibekit.recording.checks_shape import HAND_HZ
from vibekit.recording.clipping import Clipping, find_clipping
from vibekit.recording.limits import MAX_CLIPPED_PCT, shaft_lines
from vibekit.recording.measures import AT_CEILING, Measures
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import medians

_AS_HIGH = 0.995  # of the largest peak: a frame that reaches so high ends in the same flat top
_BEYOND = 2.0  # times the range: how far what was cut off may have reached (no source)
_MOST_PCT = 300.0  # beyond this an error has no size worth stating
_FOLD_BANDS = ((0.475, 0.497), (0.40, 0.43), (0.30, 0.40))  # of the rate: the end, before it, farther away
_FOLD_FLAT_DB = (1.2, 2.5)  # of the end against before it, and against farther away (no source)
_FOLD_SHARE = 0.05  # of the power, if the whole band were like its end (no source)
_SHIFT_BANDS_HZ = (5.0, 8.0, 12.0, 20.0)  # above the hand's own motion, below the tool's slowest shaft
_SHIFT_FALL_DB = 4.5  # half of what 1/f² gives between them
_SHIFT_RATIO = 0.5  # weighted r.m.s. below the tool's rate to that above: adds 12 % to the value (no source)
_SHIFT_DB_PER_DECADE = 3.0  # lack of fall that asks for ten times the ratio (no source)
_SHIFT_STEEPEST_DB = 10.5  # a step that creeps back has 8 dB; steeper is the motion of the hand (no source)
_SHIFT_SHARES = (0.06, 0.5)  # of the weighted power of all axes: adds 3 or 40 % to the value: doubt, fail (no source)
_SHIFT_BESIDE_HAND = 0.15  # the same doubt where a hand moves the tool at rest, and a little while it runs (no source)
_SHIFT_BROAD = 0.4  # of that power: what is not lines (no source)
_SHIFT_MPS2 = 0.3  # weighted; hand motion alone stays below (no source)


def clippings(m: Measures, context: Context) -> list[Clipping]:
    """Return the clipping found on each axis: counted at a known end of range, else from its flat tops.

    Of a long recording flat tops are looked for in the stretches looked at closely, and in the loudest frames.
    """
    ceiling, sensor = known_ceiling(context.origin), context.origin.sensor.range is not None
    return [_clipping_of(m, row, ceiling, sensor) for row in range(len(m.histograms))]


def _clipping_of(m: Measures, row: int, ceiling: float | None, sensor: bool) -> Clipping:
    low, high, lsb = float(m.peak_low[row]), float(m.peak_high[row]), float(m.lsb[row])
    peak = max(high, -low)
    if ceiling is not None and peak >= AT_CEILING * ceiling and (sensor or peak <= 1.0001 * ceiling):
        return Clipping(max(int(m.at_ceiling[row]), 1), ceiling, "at the end of the range")
    if not m.loudest:
        return find_clipping(m.histograms[row], low, high, lsb, None)
    close_low, close_high = m.frame_low[row, m.close].min(), m.frame_high[row, m.close].max()
    found = find_clipping(m.histograms[row], float(close_low), float(close_high), lsb, None)
    share = found.samples / max(int(m.histograms[row].counts.sum()), 1)
    loud = find_clipping(m.loudest[row], low, high, lsb, None)
    if loud.samples:  # as many in each frame that reaches as high
        frames = np.count_nonzero(np.maximum(m.frame_high[row], -m.frame_low[row]) >= _AS_HIGH * peak)
        of_each = loud.samples / max(int(m.loudest[row].counts.sum()), 1)
        share = max(share, of_each * frames / max(m.frame_high.shape[1], 1))
    flat = found if found.samples else loud
    return Clipping(math.ceil(share * m.n_samples), flat.level_mps2, flat.how)


def clipped_pct(m: Measures, context: Context) -> float:
    """Return the share of clipped samples of the worst axis [%]."""
    return 100.0 * max((c.samples for c in clippings(m, context)), default=0) / max(m.n_samples, 1)


def clipping(m: Measures, context: Context) -> Check:
    """Clipping: samples at the end of the range, or flat tops below it."""
    found = clippings(m, context)
    worst = max(range(len(found)), key=lambda i: found[i].samples)
    what = found[worst]
    pct = 100.0 * what.samples / max(m.n_samples, 1)
    message, above = "no samples at the end of the range, no flat tops", None
    if what.level_mps2 is not None:
        message = f"{pct:.3g} % of axis {context.axes[worst]} clipped: {what.how}, at {what.level_mps2:.4g} m/s²"
        cut = (_BEYOND**2 - 1.0) * pct / 100.0 * (what.level_mps2 / max(float(m.rms[worst]), 1e-9)) ** 2
        above = (0.0, min(100.0 * (math.sqrt(1.0 + cut) - 1.0), _MOST_PCT))
    return Check(
        "clipping",
        verdict(pct, 0.0, MAX_CLIPPED_PCT),
        pct,
        MAX_CLIPPED_PCT,
        message,
        NO_SOURCE,
        "use a wider range or a lower gain: the true value is higher than the recorded one" if pct else None,
        above if pct else None,
    )


def aliasing(m: Measures, context: Context) -> Check:
    """No low-pass before sampling: the spectrum runs flat into half the rate.

    What lies above half the rate is folded onto what lies below, mirrored there: the density is even about half the
    rate, so that it runs into it without a slope. An anti-alias filter has its fall just there, and whatever shape the
    vibration has, the density slopes. Medians, as lines say nothing of the filter; and only where the flat part is well
    above what the resolution alone explains (LSB²/12 spread over the band) and would matter.
    """
    f, density = m.spectra.frequency_hz / m.sample_rate, m.spectra.mean.sum(axis=0)
    end, before, far = (_median(density, f, *band) for band in _FOLD_BANDS)
    falls = [10.0 * math.log10(part / end) if part > 0 and end > 0 else math.inf for part in (before, far)]
    nyquist = m.sample_rate / 2.0
    grain = float(np.sum(m.lsb**2)) / 12.0 / nyquist
    share = end * nyquist / max(float(np.sum(m.rms**2)), 1e-30)
    matters = share > _FOLD_SHARE and end > 10.0 * grain and (running_level(m) or 0.0) > LOUD_MPS2
    flat = matters and all(abs(fall) < limit for fall, limit in zip(falls, _FOLD_FLAT_DB, strict=True))
    hertz = m.spectra.frequency_hz
    told = float(weighted_power(hertz, m.spectra.mean).sum())
    folded = float(weighted_power(hertz, np.full(hertz.size, end)))
    return Check(
        "aliasing",
        "doubtful" if flat else "pass",
        falls[0] if math.isfinite(falls[0]) else None,
        _FOLD_FLAT_DB[0],
        f"the spectrum runs into half the rate without a fall ({falls[0]:+.1f} dB): what lies above may be folded down"
        if flat
        else "the spectrum has a slope before half the rate, or holds little there",
        "symmetry of folding about half the rate; limits: " + NO_SOURCE,
        "use a recorder with an anti-alias filter, or sample faster" if flat else None,
        added(folded / max(told, 1e-30)) if flat else None,
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
    ratios = np.sqrt(low / np.maximum(high, 1e-30))
    falls = np.array([_shift_fall_db(row, f) for row in m.spectra.mean])
    short = np.maximum(_SHIFT_FALL_DB - falls, 0.0)  # the less the density falls, the more there must be of it
    limits = _SHIFT_RATIO * 10.0 ** (short / _SHIFT_DB_PER_DECADE)
    creeps = (ratios > limits) & (np.sqrt(low) > _SHIFT_MPS2) & (falls < _SHIFT_STEEPEST_DB)
    creeps &= np.array([_broad(row, f) for row in density]) > _SHIFT_BROAD * low
    worst = int(np.argmax(np.where(creeps, ratios, 0.0) if creeps.any() else ratios))
    ratio, fall_db = float(ratios[worst]), float(falls[worst])
    share = float(low[creeps].sum() / max((low + high).sum(), 1e-30))
    surely = short[worst] == 0 and bool(m.running.on.all())  # else it may lie where the tool is off
    status = verdict(share, _SHIFT_SHARES[0], _SHIFT_SHARES[1] if surely else math.inf)
    return Check(
        "dc_shift",
        status,
        ratio,
        float(limits[worst]),
        f"energy from {HAND_HZ:.0f} to {split:.2g} Hz is {ratio:.2g} times that above it, weighted, and falls by "
        f"{fall_db:.1f} dB from 6 to 15 Hz",
        "ISO 5349-2 6.2.4 (sign); limits: " + NO_SOURCE,
        None if status == "pass" else "put a mechanical filter under the sensor, or tighten cable and connector",
        None if status == "pass" else added(share),
    )


def dc_shift_while_on(found: Check, share: float) -> Check:
    """Return the check of a recording with rests, of which a share of the weighted power with the tool on is slow.

    What a hand does to a tool at rest looks the same in the whole recording, and is not in the magnitude. Where the
    tool's own time holds less than half of the share of the whole, it is the hand that was seen.
    """
    if found.name != "dc_shift" or found.true_above_pct is None:
        return found
    whole = 1.0 - (1.0 + found.true_above_pct[0] / 100.0) ** 2
    doubtful, fail = _SHIFT_SHARES
    status = verdict(share, doubtful if share > whole / 2 else _SHIFT_BESIDE_HAND, fail)
    above = None if status == "pass" else added(share)
    return replace(found, status=status, true_above_pct=above, remedy=None if status == "pass" else found.remedy)


def _broad(density: FloatArray, f: FloatArray) -> float:
    """Return the power from 3 to 20 Hz without its lines: a tool that turns slowly creeps nowhere."""
    edges = (HAND_HZ, *_SHIFT_BANDS_HZ)
    return sum(_median(density, f, a, b) * (b - a) for a, b in pairwise(edges))


def _shift_fall_db(density: FloatArray, f: FloatArray) -> float:
    """Return by how much the density falls from 6 to 15 Hz [dB]."""
    near, far = (max(_mean(density, f, *_SHIFT_BANDS_HZ[i : i + 2]), 1e-30) for i in (0, 2))
    return 10.0 * math.log10(near / far)


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
        added(_picked_up(m, where)) if doubt else None,
    )


def _picked_up(m: Measures, line_hz: float) -> float:
    """Return the share of the weighted power at a mains frequency and three times that."""
    f = m.spectra.frequency_hz
    near = (np.abs(f - line_hz) < 1.0) | (np.abs(f - 3.0 * line_hz) < 1.0)
    power, lines = (float(weighted_power(f, part).sum()) for part in (m.spectra.mean, m.spectra.mean * near))
    return lines / max(power, 1e-30)


def _mean(density: FloatArray, f: FloatArray, low: float, high: float) -> float:
    part = density[(f >= low) & (f <= high)]
    return float(part.mean()) if part.size else 0.0


def _median(density: FloatArray, f: FloatArray, low: float, high: float) -> float:
    part = density[(f >= low) & (f <= high)]
    return float(medians(part)) if part.size else 0.0


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
    return bool(around.size and abs(peak * f[1] - frequency) <= f[1] and density[peak] > 20.0 * medians(around))
