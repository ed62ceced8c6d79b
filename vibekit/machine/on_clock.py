"""Which shaft a track follows, told on the track's own clock.

A track that has the right wander but the wrong scale (a mesh or a bearing followed as if it were a shaft, 3/2 of the
shaft) is still a good clock: on it every line of the train stands still, sharp to a thousandth, while on the axis of
seconds it smears. Two things single out a shaft among such lines. (1) Its once-per-turn is loud: unbalance shakes the
whole tool, where bearings, meshes and the cage have little below 700 Hz. (2) It modulates what passes through it, so
that many sharp lines are whole multiples of it: a mesh of 12 teeth, its sidebands at 11 and 13, the commutator's bars.
A mesh explains its own few multiples only.
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
_LINES = 40
_MULTIPLES = 40
_EXPLAINED = 0.4  # of the lines of a tool are multiples of one of its shafts
_MAINS_MULTIPLES = 8  # the supply's own lines: once to eight times
_SAME = 0.008  # two readings of one speed
_KEPT = 40

# Log odds per unit of each sign, fitted to which of the candidates was a shaft in 250 recordings of simulated tools of
# varied speeds, teeth and faults, by vibration and by sound; a fit to one half serves the other as well
_PER_LINE_EVIDENCE = 0.175
_PER_DB = 0.27
_FAINTEST_DB = -60.0


@dataclass(frozen=True)
class ClockLines:
    """The spectrum on a track's clock: `decibels` over the noise and `levels` [dB], shape (n_bins,), every `spacing`;
    the clearest lines at `places` with `heights` [dB]; `reference_hz` is the track itself. All in Hz of the clock.
    """

    decibels: FloatArray
    levels: FloatArray
    spacing: float
    places: FloatArray
    heights: FloatArray
    reference_hz: float


@dataclass(frozen=True)
class ShaftOdds:
    """A speed at which a shaft may turn, as a factor of the track, and its log odds against the other candidates."""

    factor: float
    log_odds: float


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


def _clearest(decibels: FloatArray, spacing: float) -> tuple[FloatArray, FloatArray]:
    """Return place [Hz] and height [dB] of the clearest lines, places read between bins by a parabola."""
    near = np.lib.stride_tricks.sliding_window_view(decibels, 7)
    peak = 3 + np.flatnonzero((decibels[3:-3] == near.max(axis=1)) & (decibels[3:-3] > _TALL_DB))
    peak = peak[(peak * spacing < _HIGHEST_HZ) & (peak > 3)]
    peak = np.sort(peak[np.argsort(-decibels[peak])[:_LINES]])
    before, here, after = (decibels[peak + d] for d in (-1, 0, 1))
    bend = np.minimum(before - 2.0 * here + after, -1e-9)
    offset = np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    return (peak + offset) * spacing, here


def shaft_odds(lines: ClockLines, low: float, high: float) -> tuple[ShaftOdds, ...]:
    """Return the speeds between `low` and `high` (factors of the track) at which a shaft may turn, likeliest first.

    Every line may be any multiple of it. None closer to a likelier one than two readings of one speed.
    """
    low_hz, high_hz = low * lines.reference_hz, high * lines.reference_hz
    multiples = np.arange(1, _MULTIPLES + 1)
    hz = np.append((lines.places[:, None] / multiples).ravel(), lines.reference_hz)
    hz = np.unique(hz[(hz >= low_hz) & (hz <= high_hz)])
    score = _PER_LINE_EVIDENCE * _explained(lines, hz) + _PER_DB * _loudness_db(lines, hz, low_hz, high_hz)
    chosen: list[int] = []
    for i in np.argsort(-score):
        if len(chosen) < _KEPT and all(abs(hz[i] / hz[j] - 1.0) > _SAME for j in chosen):
            chosen.append(int(i))
    return tuple(ShaftOdds(_sharpened(lines, hz[i]) / lines.reference_hz, float(score[i])) for i in chosen)


def _multiples_hit(lines: ClockLines, hz: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the nearest multiple of each speed to each line, shape (n_speeds, n_lines), and whether it hits it."""
    nearest = np.round(lines.places / hz[:, None])
    hit = np.abs(lines.places - nearest * hz[:, None]) < lines.spacing
    return nearest, hit & (nearest >= 1) & (nearest <= _MULTIPLES)


def _explained(lines: ClockLines, hz: FloatArray) -> FloatArray:
    """Return the log likelihood ratio that a share of the lines are multiples of each speed, against none by more than
    chance: a line that is no multiple speaks against it, one that is speaks for it the more, the rarer the multiples.
    """
    _, hit = _multiples_hit(lines, hz)
    rarity = np.maximum(hz[:, None] / (2.0 * lines.spacing), 1.0)
    low, high = _SURE_DB
    weight = np.clip((lines.heights - low) / (high - low), 0.2, 1.0)
    return np.asarray((weight * np.log(1.0 - _EXPLAINED + _EXPLAINED * hit * rarity)).sum(axis=1))


def _loudness_db(lines: ClockLines, hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Return how loud each speed's once-per-turn is [dB], against the loudest line that could be one.

    The flank of a loud line is no line: off its top the least of the neighbourhood is taken.
    """
    near = np.lib.stride_tricks.sliding_window_view(np.pad(lines.levels, 3, mode="edge"), 7)
    tops = np.where(lines.levels == near[:, 1:6].max(axis=1), lines.levels, near.min(axis=1))
    widest = _largest_of_three(tops)
    level = widest[np.clip(np.round(hz / lines.spacing).astype(int), 0, widest.size - 1)]
    rivals = lines.places[(lines.places >= low_hz) & (lines.places <= _LOUD_BELOW * high_hz)]
    loudest = widest[np.round(rivals / lines.spacing).astype(int)].max() if rivals.size else level.max()
    return np.asarray(np.clip(level - loudest, _FAINTEST_DB, 0.0))


def _largest_of_three(bins: FloatArray) -> FloatArray:
    """Return the largest of each bin and its neighbours: a line between two bins stands in either."""
    return np.asarray(np.lib.stride_tricks.sliding_window_view(np.pad(bins, 1, mode="edge"), 3).max(axis=1))


def _sharpened(lines: ClockLines, hz: float) -> float:
    """Return a speed as all the lines that are its multiples tell it (least squares); the track's own stays."""
    if abs(hz / lines.reference_hz - 1.0) < _SAME:
        return lines.reference_hz
    nearest, hit = _multiples_hit(lines, np.array([hz]))
    n, places = nearest[hit], lines.places[hit[0]]
    return float((n * places).sum() / (n * n).sum()) if n.size else hz


def stand(lines: ClockLines, orders: Sequence[ExpectedOrder]) -> float:
    """Return the log likelihood ratio that the lines of orders on the track's shaft stand, against noise there."""
    widest = _largest_of_three(lines.decibels)
    inside = [o for o in orders if o.order * lines.reference_hz / lines.spacing < widest.size - 1]
    seen = [
        evidence(widest[[round(o.order * lines.reference_hz / lines.spacing)]], o.likely, IN_MEAN)[0] for o in inside
    ]
    return float(sum(seen))
