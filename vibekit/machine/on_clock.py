"""Which shaft a track follows, told on the track's own clock.

A track that has the right wander but the wrong scale (a mesh or a bearing followed as if it were a shaft, 3/2 of the
shaft) is still a good clock: on it every line of the train stands still, sharp to a thousandth, while on the axis of
seconds it smears. What tells a shaft's rate from the others that stand there:

(1) Its once-per-turn is loud: unbalance shakes the whole tool, where bearings, meshes and the cage have little below
700 Hz. Where this is all there is, it is an assumption, and on a stiff rig it does not hold.
(2) Many sharp lines are whole multiples of it, exactly so: harmonics, blades, bars, meshes and what surrounds them. A
mesh or a fan explains its own few multiples only; the other shaft of a train has its own; mains and resonances none.
(3) It modulates the mesh that it carries: a line that towers over its neighbours one turn to either side. The lines of
a bearing or of a cage that knocks are trains of pulses, whose heights run on from one multiple to the next.
(4) A bearing's cage turns at 0.34 to 0.46 of its shaft, no whole share of it, for it slips. Worn, it may leave more
lines than the shaft itself; then the shaft beside it explains both its own lines and the cage's, the cage its own only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.salience import IN_MEAN, ExpectedOrder, evidence
from vibekit.machine.spectra import fast_length, mean_square_spectrum, noise_floor, window_values
from vibekit.machine.warp import warped
from vibekit.recording.recording import FloatArray

_SEGMENT_S = 1.0
_LEAST_SEGMENTS = 2.0
_FLOOR_HZ = 200.0
_HIGHEST_HZ = 12_000.0
_LOUD_BELOW = 1.1  # of the fastest shaft looked for: where once-per-turn lines are compared with each other
_TALL_DB = 5.0  # over the noise: a line
_SURE_DB = (4.0, 10.0)  # between these a line counts from little to fully
_NEAR = 10  # bins to either side
_LINES = 40
_MULTIPLES = 40
_EXPLAINED = 0.4  # of the lines of a tool are multiples of one of its shafts
_SPREAD = 0.35  # of the spacing: by how much a line's place is misread (standard deviation)
_HIT = 0.6  # of the spacing: a line this close to a multiple is taken for it
_MAINS_MULTIPLES = 8  # the supply's own lines: once to eight times
_SAME = 0.008  # two readings of one speed
_KEPT = 40
CAGE = (0.34, 0.46)  # of the shaft's speed: (1 - ball/pitch diameter)/2 and a per cent of slip
_HALF_ORDERS = 0.0015  # 0.4 of five half orders is no cage's
_MESH_FROM, _TOWERS_DB = 4, 10.0  # multiples from which a line may be a mesh, and by how much it stands over its sides
_ON_TOP = 0.75  # of the spacing: as near to the top of a line, a speed is that line's
_OFF_TOP_DB = 20.0  # at one spacing off the top

# Log odds per unit of each sign, fitted to which of the candidates was a shaft in 840 recordings: the built-in tools,
# others of varied speeds, teeth and faults, by vibration and by sound, and plain sines in white noise, with and without
# a rated speed. A fit to the sines alone or to the simulated tools alone serves the other nearly as well
_PER_LINE_EVIDENCE = 0.05
_PER_DB = 0.4
_PER_TOWER = 2.3
_FAINTEST_DB = -60.0
# Against noise: its peaks rise to 5 dB over what is near; by 1.5 dB more the lines of a speed are e times as likely.
# In 40 recordings of noise the best speed had 0.6 in all; of 1473 right readings 16 had less than four
_STANDS_DB, _DB_PER_ODDS, _NOISE = 5.0, 1.5, 3.0
# The same against a shaft that shows no once-per-turn of its own: there loudness counts against all lines, and a train
# of pulses, whose lines are many and exact, is no more a shaft's than a bearing's. Set so that no bearing or gear rig
# whose turn is faint was sure of anything, at no cost to the recordings of the fit
_OUT_LINE_EVIDENCE, _OUT_DB, _OUT, _OUT_LINES = 0.1, 0.2, 2.0, 20.0


@dataclass(frozen=True)
class ClockLines:
    """The spectrum on a track's clock: `decibels` over the noise and `levels` [dB], shape (n_bins,), every `spacing`;
    the clearest lines at `places` with `heights` [dB], and `over_near` [dB] over what lies within ten bins, where a
    resonance has no height; `reference_hz` is the track itself. All in Hz of the clock.
    """

    decibels: FloatArray
    levels: FloatArray
    spacing: float
    places: FloatArray
    heights: FloatArray
    over_near: FloatArray
    reference_hz: float


@dataclass(frozen=True)
class ShaftOdds:
    """A speed at which a shaft may turn, as a factor of the track, and its log odds against the other candidates.

    `stands`: log odds that its lines are no noise, nor a resonance; `stands_out`: that they are a shaft's, against one
    that shows no once-per-turn of its own.
    """

    factor: float
    log_odds: float
    stands: float
    stands_out: float


def clock_lines(
    samples: FloatArray, sample_rate: float, time_s: FloatArray, hz: FloatArray, mains_hz: Sequence[float] = ()
) -> ClockLines | None:
    """Return the lines of `samples`, shape (n_axes, n_samples), on the clock of a track (NaN: held).

    `mains_hz`: lines of the supply that are there; what is a multiple of them belongs to no shaft. None where the track
    is too short.
    """
    known = np.isfinite(hz)
    if known.sum() < 2:
        return None
    clock = warped(samples, sample_rate, time_s, np.interp(time_s, time_s[known], hz[known]))
    size = fast_length(round(_SEGMENT_S * sample_rate))
    if clock.samples.shape[-1] < _LEAST_SEGMENTS * size:
        return None
    power, _ = mean_square_spectrum(np.asarray(clock.samples), size, window_values("hann", size))
    spacing = clock.sample_rate / size
    floor = noise_floor(power, max(16, round(_FLOOR_HZ / spacing)))
    decibels = 10.0 * np.log10(np.maximum((power / floor).mean(axis=0), 1e-3))
    stretched = clock.reference_hz / float(np.median(hz[known])) / spacing
    for f in [n * hz for hz in mains_hz[:1] for n in range(1, _MAINS_MULTIPLES + 1)]:
        centre = round(f * stretched)
        decibels[max(0, centre - 2) : centre + 3] = 0.0
    levels = 10.0 * np.log10(np.maximum(power.sum(axis=0), 1e-30))
    return ClockLines(decibels, levels, spacing, *_clearest(decibels, spacing), clock.reference_hz)


def _clearest(decibels: FloatArray, spacing: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return place [Hz], height and height over what is near [dB] of the clearest lines."""
    near = np.lib.stride_tricks.sliding_window_view(decibels, 7)
    peak = 3 + np.flatnonzero((decibels[3:-3] == near.max(axis=1)) & (decibels[3:-3] > _TALL_DB))
    peak = peak[(peak * spacing < _HIGHEST_HZ) & (peak > 3)]
    peak = np.sort(peak[np.argsort(-decibels[peak])[:_LINES]])
    return _between_bins(decibels, peak) * spacing, decibels[peak], decibels[peak] - _near_db(decibels, peak)


def _near_db(decibels: FloatArray, bins: NDArray[np.intp]) -> FloatArray:
    """Return what lies within ten bins of each, where that is over the noise further off: a resonance, or rumble."""
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(decibels, _NEAR, mode="reflect"), 2 * _NEAR + 1)
    return np.asarray(np.maximum(np.median(wide[bins], axis=-1), 0.0))


def _between_bins(decibels: FloatArray, top: NDArray[np.intp]) -> FloatArray:
    """Return the places of tops to a share of a bin, by a parabola through three."""
    before, here, after = (decibels[top + d] for d in (-1, 0, 1))
    bend = np.minimum(before - 2.0 * here + after, -1e-9)
    return np.asarray(top + np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def shaft_odds(lines: ClockLines, low: float, high: float) -> tuple[ShaftOdds, ...]:
    """Return the speeds between `low` and `high` (factors of the track) at which a shaft may turn, likeliest first.

    Every line may be any multiple of it; the track itself is always one of them. None closer to a likelier one than two
    readings of one speed.
    """
    low_hz, high_hz = low * lines.reference_hz, high * lines.reference_hz
    hz = (lines.places[:, None] / np.arange(1, _MULTIPLES + 1)).ravel()
    hz = np.unique(np.append(hz[(hz >= low_hz) & (hz <= high_hz)], lines.reference_hz))
    multiples = _multiples(lines, hz)
    explained, towers = _with_cage(lines, hz, _line_evidence(lines, hz, multiples)), _towers(lines, multiples)
    level = _once_per_turn_db(lines, hz)
    tops = _largest_of_three(lines.levels)[np.round(lines.places / lines.spacing).astype(int)]
    rivals = tops[(lines.places >= low_hz) & (lines.places <= _LOUD_BELOW * high_hz)]
    loudness = np.clip(level - max(rivals, default=level.max()), _FAINTEST_DB, 0.0)
    among_all = np.clip(level - max(tops, default=level.max()), _FAINTEST_DB, 0.0)
    score = _PER_LINE_EVIDENCE * explained + _PER_DB * loudness + _PER_TOWER * towers
    out = _OUT_LINE_EVIDENCE * np.minimum(explained, _OUT_LINES) + _OUT_DB * among_all + _PER_TOWER * towers + _OUT
    stands = multiples.hit @ (np.maximum(lines.over_near - _STANDS_DB, 0.0) / _DB_PER_ODDS) - _NOISE
    chosen: list[int] = []
    for i in np.argsort(-score):
        if len(chosen) < _KEPT and all(abs(hz[i] / hz[j] - 1.0) > _SAME for j in chosen):
            chosen.append(int(i))
    return tuple(
        ShaftOdds(_sharpened(lines, hz[i]) / lines.reference_hz, float(score[i]), float(stands[i]), float(out[i]))
        for i in chosen
    )


@dataclass(frozen=True)
class _Multiples:
    """The nearest multiple of each speed to each line, shape (n_speeds, n_lines), by how many spacings they miss each
    other, and whether the line is that multiple.
    """

    nearest: FloatArray
    off: FloatArray
    hit: NDArray[np.bool_]


def _multiples(lines: ClockLines, hz: FloatArray) -> _Multiples:
    nearest = np.round(lines.places / hz[:, None])
    inside = (nearest >= 1) & (nearest <= _MULTIPLES)
    off = np.where(inside, np.abs(lines.places - nearest * hz[:, None]) / lines.spacing, np.inf)
    return _Multiples(nearest, off, off < _HIT)


def _line_evidence(lines: ClockLines, hz: FloatArray, multiples: _Multiples) -> FloatArray:
    """Return the log likelihood ratio of each line, shape (n_speeds, n_lines), that a share of the lines are multiples
    of a speed, against none by more than chance: a line that is no multiple speaks against it, one that is speaks for
    it the more, the rarer the multiples and the closer it lies.
    """
    chance = (
        hz[:, None] / lines.spacing * np.exp(-0.5 * (multiples.off / _SPREAD) ** 2) / (_SPREAD * np.sqrt(2 * np.pi))
    )
    low, high = _SURE_DB
    weight = np.clip((lines.heights - low) / (high - low), 0.2, 1.0)
    return np.asarray(weight * np.log(1.0 - _EXPLAINED + _EXPLAINED * chance))


def _with_cage(lines: ClockLines, hz: FloatArray, by_line: FloatArray) -> FloatArray:
    """Return each speed's evidence over all lines, those of one bearing's cage with it.

    A cage's rate stands itself, and its double or triple.
    """
    total = by_line.sum(axis=1)
    for cage in lines.places:
        ratio = cage / hz
        may = (ratio > CAGE[0]) & (ratio < CAGE[1]) & (np.abs(ratio - 0.4) > _HALF_ORDERS)
        repeated = (np.abs(lines.places[:, None] - cage * np.array([2.0, 3.0])) < lines.spacing).any()
        if repeated and may.any():
            family = np.array([cage])
            of_cage = _line_evidence(lines, family, _multiples(lines, family))
            total[may] = np.maximum(total[may], np.maximum(by_line[may], of_cage).sum(axis=1))
    return np.asarray(total)


def _towers(lines: ClockLines, multiples: _Multiples) -> FloatArray:
    """Return how many multiples of each speed tower over one beside them, one turn off: meshes that it modulates.

    What is as tall two turns off is no mesh: of half the speed every other line towers, where half orders stand.
    """
    heights = np.full((multiples.hit.shape[0], _MULTIPLES + 4), np.nan)
    speed, line = np.nonzero(multiples.hit)
    at = multiples.nearest[speed, line].astype(int) + 1
    np.fmax.at(heights, (speed, at), lines.heights[line])
    over = heights[:, 2:-2, None] - np.stack([heights[:, i : i + _MULTIPLES] for i in (1, 3, 0, 4)], axis=-1)
    towers = (over[..., :2] > _TOWERS_DB).any(axis=-1) & ~(over[..., 2:] < _TOWERS_DB).any(axis=-1)
    return np.asarray(towers[:, _MESH_FROM - 1 :].sum(axis=1), dtype=np.float64)


def _once_per_turn_db(lines: ClockLines, hz: FloatArray) -> FloatArray:
    """Return the level of each speed's once-per-turn [dB]: that of the line whose top it is near, less what it is off.

    The flank of a loud line is no line: off its top the least of the neighbourhood is taken.
    """
    near = np.lib.stride_tricks.sliding_window_view(np.pad(lines.levels, 3, mode="edge"), 7)
    least = near.min(axis=1)[np.clip(np.round(hz / lines.spacing).astype(int), 0, lines.levels.size - 1)]
    top = 3 + np.flatnonzero(lines.levels[3:-3] == near[3:-3, 1:6].max(axis=1))
    if top.size == 0:
        return np.asarray(least)
    place = _between_bins(lines.levels, top) * lines.spacing
    nearest = np.searchsorted(0.5 * (place[1:] + place[:-1]), hz)
    off = np.abs(place[nearest] - hz) / lines.spacing
    on_top = np.maximum(lines.levels[top[nearest]] - _OFF_TOP_DB * off**2, least)
    return np.asarray(np.where(off < _ON_TOP, on_top, least))


def _largest_of_three(bins: FloatArray) -> FloatArray:
    """Return the largest of each bin and its neighbours: a line between two bins stands in either."""
    return np.asarray(np.lib.stride_tricks.sliding_window_view(np.pad(bins, 1, mode="edge"), 3).max(axis=1))


def _sharpened(lines: ClockLines, hz: float) -> float:
    """Return a speed as all the lines that are its multiples tell it (least squares); the track's own stays."""
    if abs(hz / lines.reference_hz - 1.0) < _SAME:
        return lines.reference_hz
    multiples = _multiples(lines, np.array([hz]))
    n, places = multiples.nearest[multiples.hit], lines.places[multiples.hit[0]]
    return float((n * places).sum() / (n * n).sum()) if n.size else hz


def stand(lines: ClockLines, orders: Sequence[ExpectedOrder]) -> float:
    """Return the log likelihood ratio that the lines of orders on the track's shaft stand, against noise there."""
    widest = _largest_of_three(lines.decibels)
    inside = [o for o in orders if o.order * lines.reference_hz / lines.spacing < widest.size - 1]
    bins = np.array([round(o.order * lines.reference_hz / lines.spacing) for o in inside], dtype=np.intp)
    over = widest[bins] - _near_db(lines.decibels, bins)
    return float(sum(evidence(over[[i]], o.likely, IN_MEAN)[0] for i, o in enumerate(inside)))
