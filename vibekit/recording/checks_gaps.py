"""Checks of what did not come through: a sensor that says nothing, stretches and samples that stand still."""

from __future__ import annotations

import numpy as np

from vibekit.recording.check_result import NO_SOURCE, Check, Context, known_ceiling, weighted_power
from vibekit.recording.measures import Measures, Run
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import FRAME_S, medians
from vibekit.units import STANDARD_GRAVITY

_LOST = 0.01  # share of the time from which nothing can be told (no source)
_FALSE_PCT = 25.0  # error of a_hv from which it is not told (no source)
_REPEATED = (0.02, 0.05)  # share of samples equal to the one before, over what steps explain: doubt, fail (no source)
_FINE_STEPS = 3.0  # r.m.s. difference, in steps of the resolution, from which equal samples say anything (no source)
_LONGEST_TOP_S = 0.02  # half a turn of the slowest tool: what stays at an end for longer is no flat top (no source)
_WHOLE = 0.9  # of the recording: an axis that says nothing at all is dead, which is another check's matter
_STUCK = 0.1  # of the range, or twice gravity: where a sensor at rest does not stand (no source)
_LIVE_STEPS = 2.0  # a sensor that works shows more than this many steps of its own noise, or rests near zero


def alive(m: Measures, context: Context) -> Check:
    """Sign of life: one value throughout, or two next to each other, is a sensor at its stop or an open input."""
    spans, ceiling = m.peak_high - m.peak_low, known_ceiling(context.origin)
    still = spans <= _LIVE_STEPS * m.lsb
    far = np.abs(m.mean) > max(_STUCK * ceiling if ceiling else 0.0, 2.0 * STANDARD_GRAVITY)
    silent = not m.peak_high.any() and not m.peak_low.any()
    stuck = bool(still.all() and far.any())
    message = "the samples move"
    if stuck:
        value = float(m.mean[np.argmax(np.abs(m.mean))])
        message = f"every axis stands still, one at {value:.4g} m/s²: a sensor at its stop, or none"
    elif silent:
        message = "every sample is exactly zero, without even a sensor's noise: is one connected?"
    remedy = "look at sensor, supply and cable, tap the sensor and record again" if stuck or silent else None
    status = "fail" if stuck else "doubtful" if silent else "pass"
    return Check("alive", status, float(spans.max(initial=0.0)), 0.0, message, NO_SOURCE, remedy)  # type: ignore[arg-type]


def dropouts(m: Measures, context: Context) -> Check:
    """Drop-outs: a stretch of equal samples in the midst of a lively signal, or samples that are stored twice."""
    found = [run for run in m.runs if _in_motion(m, run)]
    lost = max((sum(run.length for run in found if run.row == row) for row in range(len(m.lsb))), default=0)
    lost_share, repeated = lost / max(m.n_samples, 1), _repeated(m)
    lower = _held(m, found)
    failed = lost_share > _LOST or lower > _FALSE_PCT or repeated > _REPEATED[1]
    doubted = bool(found) or repeated > _REPEATED[0]
    message = f"{len(found)} stretches of stuck samples, {100 * lost_share:.2g} % of the time"
    if found:
        message += f", the first at {found[0].start / m.sample_rate:.3f} s on {context.axes[found[0].row]}"
    if repeated > _REPEATED[0] and not found:
        message = (
            f"{100 * repeated:.2g} % of the samples only repeat the one before: the sensor was slower than the file"
        )
    return Check(
        "dropouts",
        "fail" if failed else "doubtful" if doubted else "pass",
        float(len(found)),
        0.0,
        message,
        NO_SOURCE,
        "look at the cable, the connector and the recorder's buffer" if failed or doubted else None,
        (-max(lower, 100.0 * repeated), 50.0 * lost_share) if doubted else None,
    )


def _held(m: Measures, found: list[Run]) -> float:
    """Return by how much at most a_hv is too high [%]: a value held is slow, and slow counts in full."""
    held = sum(run.length * (run.value - float(m.mean[run.row])) ** 2 for run in found) / max(m.n_samples, 1)
    told = float(weighted_power(m.spectra.frequency_hz, m.spectra.mean).sum())
    return 100.0 * (1.0 - float(np.sqrt(1.0 - min(held / max(told, 1e-30), 1.0))))


def _repeated(m: Measures) -> float:
    """Return the share of samples that repeat the one before while the tool runs, beyond what steps explain.

    A slope of r.m.s. s in steps of q gives two equal samples in a row with a chance of about 0.4 q/s (normal
    distribution); a sine, which turns, some more. Samples at flat tops are equal as well; they are not meant.
    """
    on = m.loud_closely
    if not on.any():
        return 0.0
    slope = np.sqrt(m.slope_square[:, on].mean(axis=1))
    fine = slope > _FINE_STEPS * m.lsb
    repeats = (
        m.repeats[:, on].mean(axis=1) - _at_ends(m) - np.divide(m.lsb, slope, out=np.zeros_like(slope), where=fine)
    )
    return float(np.max(repeats[fine], initial=0.0))


def _at_ends(m: Measures) -> FloatArray:
    """Return the share of each axis's samples that stand at its ends."""
    rows = zip(m.histograms, m.peak_low, m.peak_high, strict=True)
    counts = [h.between(high - 2 * h.width, np.inf) + h.between(-np.inf, low + 2 * h.width) for h, low, high in rows]
    return np.array(counts) / max(sum(int(h.counts.sum()) for h in m.histograms) / len(counts), 1.0)


def _in_motion(m: Measures, run: Run) -> bool:
    """Tell whether an axis moves well above its resolution just before and just after a run that is no flat top.

    Or whether the others go on moving meanwhile.
    """
    if run.length > _WHOLE * m.n_samples:
        return False
    frame = m.sample_rate * FRAME_S
    level = np.sqrt(m.frame_square)
    lively = np.maximum(np.maximum(8.0 * m.lsb, 0.1 * medians(level)), 1e-9) if level.size else m.lsb
    first, last = int(run.start / frame), int((run.start + run.length) / frame)
    before, after = max(first - 1, 0), min(last + 1, level.shape[1] - 1)
    at_end = run.value in (m.peak_low[run.row], m.peak_high[run.row])
    if after < 0 or (at_end and run.length < _LONGEST_TOP_S * m.sample_rate):
        return False
    around = level[run.row, before] > lively[run.row] and level[run.row, after] > lively[run.row]
    others = np.sqrt(np.square(np.delete(level, run.row, axis=0)[:, first + 1 : last]).sum(axis=0))
    usual = float(medians(m.levels[m.running.on])) if m.running.on.any() else np.inf
    return bool(around or (others.size > 1 and (others > max(0.1 * usual, 1e-9)).all()))
