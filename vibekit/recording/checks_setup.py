"""Checks of what was set up: length, band, rate, timing, offset, resolution, axes, mass of the sensor."""

from __future__ import annotations

import numpy as np

from vibekit.recording.background import LEAST_RATIO
from vibekit.recording.check_result import (
    NO_SOURCE,
    Check,
    Context,
    Status,
    added,
    known_ceiling,
    verdict,
    weighted_power,
)
from vibekit.recording.limits import (
    GRADE_BAND_HZ,
    MIN_USABLE_S,
    RELIABLE_S,
    covers_all,
    folded_hz,
    lines_beyond,
    shaft_lines,
)
from vibekit.recording.measures import Measures
from vibekit.recording.segments import FRAME_S, BoolArray, medians
from vibekit.units import STANDARD_GRAVITY

_TONE = 0.9  # squared share of the lines: one tone is a trial on a shaker, which moves along one line (no source)
_DEAD = 0.01  # of the largest axis: 40 dB (no source)
_SAME_SIGNAL = 0.995  # correlation of two axes from which they carry one signal (no source)


def length(m: Measures, context: Context) -> Check:
    """Length: fail below 2 s, doubtful below 8 s (ISO 5349-2 5.4.1)."""
    status: Status = "fail" if m.duration_s < MIN_USABLE_S else "doubtful" if m.duration_s < RELIABLE_S else "pass"
    return Check(
        "length",
        status,
        m.duration_s,
        MIN_USABLE_S if status == "fail" else RELIABLE_S,
        f"{m.duration_s:.2f} s recorded; samples under 8 s are unreliable, and 1 min in three samples is asked for",
        "ISO 5349-2 5.4.1 (from memory); 2 s: project rule",
        None if status == "pass" else "record at least 20 s at a steady trigger, three times",
    )


def band(m: Measures, context: Context) -> Check:
    """Band covered against the one-third-octaves 6.3 to 1250 Hz."""
    low, high = context.band_hz
    whole = covers_all(context.band_hz)
    status: Status = "pass" if whole else "doubtful"
    if high < GRADE_BAND_HZ[0] or low >= GRADE_BAND_HZ[1]:
        status = "fail"
    return Check(
        "band",
        status,
        high if high < GRADE_BAND_HZ[1] else low,
        GRADE_BAND_HZ[1] if high < GRADE_BAND_HZ[1] else GRADE_BAND_HZ[0],
        f"covers {low:.3g} to {high:.4g} Hz of 6.3 to 1250 Hz",
        "ISO 5349-2 6.1.2.2",
        None if whole else "use a sensor and recorder that carry 6.3 to 1250 Hz (at least 3200 samples per second)",
    )


def rate_for_tool(m: Measures, context: Context) -> Check | None:
    """The tool's rated lines against the band: a line outside is lost, or folded to where it does not belong."""
    if context.tool is None or not context.tool.rated_hz:
        return None
    beyond = lines_beyond(context.tool, context.band_hz)
    highest = max(hz for _, hz in shaft_lines(context.tool))
    lost = "; ".join(
        f"{name} {hz:.0f} Hz" + (f" folds to {folded_hz(hz, m.sample_rate):.0f} Hz" if hz > m.sample_rate / 2 else "")
        for name, hz in beyond
    )
    return Check(
        "rate_for_tool",
        "fail" if beyond else "pass",
        context.band_hz[1],
        min(highest, GRADE_BAND_HZ[1]),
        f"cannot carry the tool's lines: {lost}" if beyond else f"carries the shaft lines of {context.tool.tag}",
        "sampling theorem; ISO 5349-1 clause 1 for 1250 Hz",
        "sample faster, with a sensor that reaches that high" if beyond else None,
    )


def timing(m: Measures, context: Context) -> Check | None:
    """Timestamps: jitter of the step, gaps, repeated stamps."""
    t = context.origin.timing
    if t is None:
        return None
    jitter_pct = 100.0 * t.jitter_s / t.median_step_s
    even = not t.resampled
    return Check(
        "timing",
        "pass" if even and not t.gaps else "doubtful",
        jitter_pct,
        5.0,
        f"{t.mean_rate_hz:.5g} Hz on average, jitter {jitter_pct:.0f} % of the step, largest step "
        f"{1e3 * t.largest_step_s:.3g} ms, {len(t.gaps or ())} gaps, {t.duplicates} repeated stamps",
        NO_SOURCE,
        None if even and not t.gaps else "use a sensor that samples evenly and stores every sample",
    )


def dc_offset(m: Measures, context: Context) -> Check:
    """Constant part: gravity, when the mean vector is as long as it, or an offset of the chain."""
    mean = float(np.linalg.norm(m.mean))
    gravity = len(m.mean) == 3 and abs(mean - STANDARD_GRAVITY) < 0.05 * STANDARD_GRAVITY
    ceiling = known_ceiling(context.origin)
    limit = 0.1 * ceiling if ceiling else STANDARD_GRAVITY
    if gravity:
        told = context.origin.facts.includes_gravity is not None
        return Check(
            "dc_offset",
            "pass" if context.origin.facts.includes_gravity or not told else "doubtful",
            mean,
            STANDARD_GRAVITY,
            f"the mean vector is {mean:.3g} m/s² long: gravity is in the samples",
            "definition of standard gravity",
            None if context.origin.facts.includes_gravity else "say includes_gravity = true in the sidecar",
        )
    return Check(
        "dc_offset",
        "doubtful" if mean > limit else "pass",
        mean,
        limit,
        f"constant part {mean:.3g} m/s²",
        NO_SOURCE,
        "zero the sensor, or look for a damaged or overloaded one" if mean > limit else None,
    )


def noise_floor(m: Measures, context: Context) -> Check:
    """Level while running against the part with the tool off: within 3 times the floor it is not the tool alone.

    The trigger stands out by 12 dB of the unweighted level. What shakes nearby is slow, and for the hand slow counts
    more: where the tool is off long enough for a spectrum, the smaller of both ratios is told.
    """
    running = m.running
    if running.single_state or not running.on.any():
        return Check("noise_floor", "pass", None, 3.0, "no part with the tool off: the floor is not known", NO_SOURCE)
    level, floor = float(medians(m.levels[running.on])), float(medians(m.levels[~running.on]))
    plain, weighted = level / max(floor, 1e-12), _weighted_over_floor(m, running.on)
    ratio = plain if weighted is None else min(plain, weighted)
    words = "" if weighted is None else f"; weighted as for the hand, {weighted:.3g} times the floor"
    return Check(
        "noise_floor",
        "doubtful" if ratio < LEAST_RATIO else "pass",
        ratio,
        LEAST_RATIO,
        f"running {level:.3g} m/s², off {floor:.3g} m/s²{words}",
        NO_SOURCE,
        "use a more sensitive sensor, or stop what else shakes" if ratio < LEAST_RATIO else None,
    )


def _weighted_over_floor(m: Measures, on: BoolArray) -> float | None:
    """Return the weighted level while running over that of the quietest segment; None where none is surely off."""
    frequency = m.spectra.frequency_hz
    changes = np.flatnonzero(np.diff(np.concatenate([[True], on, [True]]).astype(np.int8)))
    longest_off_s = FRAME_S * float(np.max(changes[1::2] - changes[::2], initial=0))
    if longest_off_s * frequency[1] < 2.0:  # a segment is as long as its lines are near: one lies whole inside of two
        return None
    quiet, mean = (float(weighted_power(frequency, d).sum()) for d in (m.spectra.quiet, m.spectra.mean))
    share = float(on.mean())
    running = (mean - (1.0 - share) * quiet) / share
    return float(np.sqrt(max(running, 0.0) / max(quiet, 1e-300)))


def resolution(m: Measures, context: Context) -> Check:
    """Smallest step of the samples against their level."""
    live = m.rms > 0
    ratio = float(np.max(m.lsb[live] / m.rms[live])) if live.any() else None
    return Check(
        "resolution",
        "pass" if ratio is None or ratio < 0.3 else "doubtful",
        ratio,
        0.3,
        "all samples are equal" if ratio is None else f"smallest step is {100 * ratio:.2g} % of the level",
        NO_SOURCE,
        None if ratio is None or ratio < 0.3 else "use a narrower range: the steps of the recorder are in the value",
        None if ratio is None or ratio < 0.3 else _of_steps(m),
    )


def _of_steps(m: Measures) -> tuple[float, float]:
    """Return how far a_hv may be off by the steps: noise of LSB²/12 spread over the band, which adds or hides [%]."""
    f = m.spectra.frequency_hz
    grain = np.full(f.size, float(np.sum(m.lsb**2)) / 12.0 / (m.sample_rate / 2.0))
    told = float(weighted_power(f, m.spectra.mean).sum())
    share = 100.0 * min(float(weighted_power(f, grain)) / max(told, 1e-30), 1.0)
    return -share, share


def axes(m: Measures, context: Context) -> Check:
    """Dead axes (40 dB under the largest), one axis recorded twice, and fewer than three."""
    rms, names = m.rms, context.axes
    if len(names) < 3:
        return Check(
            "axes",
            "doubtful",
            float(len(names)),
            3.0,
            f"only {', '.join(names)}: the total value is 1.0 to 1.7 times that of the largest axis",
            "ISO 5349-1:2001 clause 6",
            "measure all three axes",
        )
    largest = rms.max()
    dead = [i for i in range(len(names)) if rms[i] < _DEAD * largest]
    scale = np.outer(rms, rms)
    correlation = np.abs(np.where(scale > 0, m.covariance / np.maximum(scale, 1e-300), 0.0))
    pairs = [(i, j) for i in range(len(names)) for j in range(i) if correlation[i, j] > _SAME_SIGNAL]
    value = float(np.max(correlation[np.triu_indices(len(names), 1)], initial=0.0))
    message, above = "three live, different axes", None
    if pairs:
        copies = ", ".join(f"{names[j]} and {names[i]}" for i, j in pairs)
        message = f"axes {copies} carry one signal (correlation {value:.4f}): a copy, or motion along one line only"
        above = _of_copies(m, pairs) if float(m.spectra.line_shares.mean()) < _TONE else None
    if dead:
        message = f"axis {', '.join(names[i] for i in dead)} is 40 dB below the largest: dead"
        above = _of_dead(m, len(dead))
    return Check(
        "axes",
        "doubtful" if pairs or dead else "pass",
        value,
        _SAME_SIGNAL,
        message,
        NO_SOURCE,
        "look at the wiring and the channel order" if dead or pairs else None,
        above,
    )


def _of_dead(m: Measures, dead: int) -> tuple[float, float]:
    """Return how far a_hv may be off where an axis is dead: in truth it may shake as much as the largest [%]."""
    power = weighted_power(m.spectra.frequency_hz, m.spectra.mean)
    return 0.0, 100.0 * (float(np.sqrt(1.0 + dead * power.max() / max(power.sum(), 1e-30))) - 1.0)


def _of_copies(m: Measures, pairs: list[tuple[int, int]]) -> tuple[float, float]:
    """Return how far a_hv may be off where an axis is a copy: in truth it may be still, or as strong as any [%]."""
    power = weighted_power(m.spectra.frequency_hz, m.spectra.mean)
    false = sum(float(max(power[i], power[j])) for i, j in pairs[:2]) / max(float(power.sum()), 1e-30)
    return added(false)[0], 100.0 * (float(np.sqrt(1.0 + len(pairs[:2]) * float(power.max() / power.sum()))) - 1.0)


def sensor_mass(m: Measures, context: Context) -> Check | None:
    """Mass on the handle: it loads the part that carries it; the tool's mass stands in for that part's."""
    sensor, tool = context.origin.sensor.mass_g, context.tool.mass_kg if context.tool else None
    if sensor is None or tool is None:
        return None
    share = 100.0 * sensor / (1000.0 * tool)
    return Check(
        "sensor_mass",
        verdict(share, 5.0),
        share,
        5.0,
        f"sensor and mounting weigh {share:.2g} % of the tool",
        "ISO 5349-2 6.1.5 (from memory)",
        "use a lighter sensor or clamp" if share > 5.0 else None,
    )
