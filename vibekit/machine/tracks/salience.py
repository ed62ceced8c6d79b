"""Following a speed that nobody wrote down: how well a set of orders fits the spectrum, over time.

What a turning shaft does to the signal: every line that belongs to the drive train moves with the speed, so on a
logarithmic frequency axis the whole set only shifts. A line stands over its local noise; noise does not. For each
moment and each speed, the evidence of all expected orders is added: a line found counts for the speed, a line that
should be there and is missing counts against it. Counting what is missing settles octaves: at half the speed every
second line is missing; at twice the speed fewer lines are explained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import frames, noise_floor, window_values
from vibekit.machine.train.catalogue import ExpectedOrder
from vibekit.recording.recording import FloatArray

STEP = 0.004  # of the frequency: step of the logarithmic axis
LOWEST_HZ, HIGHEST_HZ = 2.0, 12_000.0  # slowest shaft looked for; above, tools have resonances rather than lines
_FLOOR_BAND_HZ = 200.0  # stretch over which the local noise is taken
_CHUNK_FRAMES = 256  # spectra held in memory at a time
_BEYOND = 0.2  # of the slope beyond the most: the top of a loud line stays its top
_ABSENT = -3.0
_NEUTRAL = 1.6  # 2 dB over noise: where nothing may be concluded, a line counts neither as seen nor as missing
_MOVING = 20.0  # cost of changing by a factor of e
_FASTEST = 1.0  # of the speed per second: what a loaded tool hardly changes faster than
_SHIFTS = (0, 1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128)  # steps between neighbouring frames
_BESIDE_STEPS = (0, -12, -9, 9, 12)  # of the line map: a line's place, and where noise is taken beside it
_LEAST_FRAMES = 3
_PRIOR_FRAMES = 6.0  # what is usual counts as much as so many frames
_SHARES = np.array([0.02, 0.1, 0.3, 0.5, 0.7, 0.95])  # each costs a pass over the map


@dataclass(frozen=True)
class LineMap:
    """Decibels over the local noise on a logarithmic frequency axis.

    `decibels` shape (n_frames, n_steps), single precision, step i at `lowest_hz`·exp(STEP·i); frame centres `time_s`;
    r.m.s. `levels` of the frames; `masked_hz` the lines of the mains that count neither for nor against a speed.
    """

    decibels: FloatArray
    lowest_hz: float
    time_s: FloatArray
    levels: FloatArray
    size: int
    hop: int
    sample_rate: float
    masked_hz: tuple[float, ...] = ()

    def frequency(self, step: FloatArray | float) -> FloatArray:
        """Return the frequency of a step [Hz]."""
        return np.asarray(self.lowest_hz * np.exp(STEP * np.asarray(step, dtype=np.float64)))


def line_map(
    samples: FloatArray | NDArray[np.float32], sample_rate: float, size: int, hop: int, masked_hz: Sequence[float] = ()
) -> LineMap:
    """Return the line map of `samples`, shape (n_axes, n_samples), from Hann frames of `size` samples every `hop`.

    Each axis is divided by its own local noise before the axes are averaged, so that a quiet axis with a clear line
    counts as much as a loud one. `masked_hz` are lines of the mains that no shaft may claim.
    """
    n_frames = 1 + (samples.shape[-1] - size) // hop
    highest = min(HIGHEST_HZ, 0.47 * sample_rate)
    lowest = max(LOWEST_HZ, 1.5 * sample_rate / size)
    n_steps = int(np.log(highest / lowest) / STEP)
    axis = lowest * np.exp(STEP * np.arange(n_steps))
    centres = [round(hz * size / sample_rate) for hz in masked_hz]
    masked = tuple(slice(max(0, centre - 2), centre + 3) for centre in centres)
    decibels, levels = np.empty((n_frames, n_steps), dtype=np.float32), np.empty(n_frames)
    for first in range(0, n_frames, _CHUNK_FRAMES):
        part = slice(first, min(first + _CHUNK_FRAMES, n_frames))
        power, levels[part] = _frame_power(samples, size, hop, part)
        white = whitened(power, sample_rate / size)
        for bins in masked:
            white[:, bins] = _NEUTRAL
        decibels[part] = _to_log_axis(10.0 * np.log10(white), sample_rate / size, axis)
    time_s = (np.arange(n_frames) * hop + size / 2.0) / sample_rate
    return LineMap(decibels, lowest, time_s, levels, size, hop, sample_rate, tuple(masked_hz))


def _frame_power(
    samples: FloatArray | NDArray[np.float32], size: int, hop: int, part: slice
) -> tuple[FloatArray, FloatArray]:
    """Return |X|² of Hann frames, shape (n_axes, n_frames, n_bins), and the frames' r.m.s. over all axes."""
    stretch = samples[:, part.start * hop : (part.stop - 1) * hop + size].astype(np.float32)
    cut = frames(stretch, size, hop)  # type: ignore[arg-type]
    cut = cut - cut.mean(axis=-1, keepdims=True)
    levels = np.sqrt((cut**2).mean(axis=-1).sum(axis=0))
    spectrum = np.fft.rfft(cut * window_values("hann", size).astype(np.float32), axis=-1)
    return spectrum.real**2 + spectrum.imag**2, levels.astype(np.float64)


def whitened(power: FloatArray, spacing_hz: float) -> FloatArray:
    """Return power over its local noise, averaged over axes, from shape (n_axes, n_frames, n_bins)."""
    width = max(16, round(_FLOOR_BAND_HZ / spacing_hz))
    total = np.zeros(power.shape[1:])
    for axis in power:
        total += axis / noise_floor(axis, width)
    return np.asarray(np.maximum(total / power.shape[0], 1e-6))


def _to_log_axis(decibels: FloatArray, spacing_hz: float, axis: FloatArray) -> FloatArray:
    """Return decibels on the logarithmic axis: interpolated, or the largest where bins are narrower."""
    bins = axis / spacing_hz
    fine = int(np.searchsorted(bins * STEP, 1.0))
    result = np.empty((decibels.shape[0], axis.size))
    low = np.minimum(bins[:fine].astype(int), decibels.shape[1] - 2)  # a frame of few bins ends below half the rate
    share = np.minimum(bins[:fine] - low, 1.0)
    result[:, :fine] = decibels[:, low] * (1.0 - share) + decibels[:, low + 1] * share
    if fine < axis.size:
        edges = np.round(bins[fine:] * np.exp(-STEP / 2.0)).astype(int)
        last = min(int(bins[-1] * np.exp(STEP / 2.0)) + 1, decibels.shape[1])
        result[:, fine:] = np.maximum.reduceat(decibels[:, :last], edges, axis=1)
    return result


@dataclass(frozen=True)
class Presence:
    """When a line counts as seen: from `starts_db` over the noise, by `slope_db` per unit of evidence, at `most`."""

    starts_db: float
    slope_db: float
    most: float


IN_FRAME = Presence(6.0, 2.5, 6.0)
IN_MEAN = Presence(2.0, 1.5, 8.0)  # the noise of an average over frames wanders less, so that less says more


def evidence(decibels: FloatArray, likely: float, presence: Presence) -> FloatArray:
    """Return the log likelihood ratio "a line is expected here" against "noise" for each entry.

    A line expected with probability p: log(1 - p + p·exp(g)), where g grows with the decibels over noise and saturates,
    so that one loud line cannot outvote several. A line that is seldom seen is seldom loud: g saturates at p times the
    most, so that a loud line speaks for a shaft's once-per-turn rather than for some high harmonic of a slower one.
    Entries far below the start tend to log(1 - p) < 0.
    """
    grown = np.maximum((decibels - presence.starts_db) / presence.slope_db, _ABSENT)
    most = likely * presence.most
    grown = np.minimum(grown, most + likely * _BEYOND * (grown - most))
    return np.asarray(np.log1p(likely * np.expm1(grown)))


def salience(
    decibels: FloatArray, lowest_hz: float, speeds_hz: FloatArray, orders: Sequence[ExpectedOrder], presence: Presence
) -> FloatArray:
    """Return the evidence of `orders` at each speed, shape (n_frames, n_speeds); out of band counts nothing.

    `speeds_hz` must step by STEP like the map's axis.
    """
    chunks = range(0, decibels.shape[0], _CHUNK_FRAMES)
    parts = [_salience(decibels[t : t + _CHUNK_FRAMES], lowest_hz, speeds_hz, orders, presence) for t in chunks]
    return np.concatenate(parts)


def _salience(
    decibels: FloatArray, lowest_hz: float, speeds_hz: FloatArray, orders: Sequence[ExpectedOrder], presence: Presence
) -> FloatArray:
    """Return what `salience` does, of frames few enough to be held once per class of orders."""
    widened = np.maximum(decibels, np.maximum(_shifted(decibels, 1), _shifted(decibels, -1)))
    classes: dict[float, FloatArray] = {}
    total = np.zeros((decibels.shape[0], speeds_hz.size))
    for expected in orders:
        if expected.likely not in classes:
            classes[expected.likely] = evidence(widened, expected.likely, presence)
        offset = round(np.log(speeds_hz[0] * expected.order / lowest_hz) / STEP)
        first, last = max(0, offset), min(decibels.shape[1], offset + speeds_hz.size)
        if last > first:
            total[:, first - offset : last - offset] += classes[expected.likely][:, first:last]
    return total


def _shifted(values: FloatArray, by: int) -> FloatArray:
    moved = np.roll(values, by, axis=1)
    edge = 0 if by > 0 else -1
    moved[:, edge] = values[:, edge]
    return moved


def settled(
    mapped: LineMap, orders: Sequence[ExpectedOrder], path_hz: FloatArray, on: NDArray[np.bool_]
) -> tuple[ExpectedOrder, ...]:
    """Return the orders with how often each stood over the noise along a path, in this recording.

    What a tool shows it shows all along: a train's line that stands in one half of the frames is looked for in the
    others, one that never stands is no help to a rival that would need it for a second. Beside a line's place, at 4 and
    5 % off, noise and strangers stand as well: that share is taken off. The usual share counts as six frames.
    """
    chosen = np.flatnonzero(on)
    found = []
    for expected in orders:
        step = np.round(np.log(path_hz[chosen] * expected.order / mapped.lowest_hz) / STEP).astype(int)
        inside = (step > _BESIDE_STEPS[-1] + 1) & (step < mapped.decibels.shape[1] - _BESIDE_STEPS[-1] - 2)
        rows, step = chosen[inside], step[inside]
        if rows.size < _LEAST_FRAMES:
            found.append(expected)
            continue
        here, *beside = (_standing_share(mapped, rows, step + by) for by in _BESIDE_STEPS)
        false = float(np.mean(beside))
        stood = max(0.0, here - false) / max(1.0 - false, 1e-9)
        share = (stood * rows.size + _PRIOR_FRAMES * expected.likely) / (rows.size + _PRIOR_FRAMES)
        found.append(ExpectedOrder(expected.order, float(_SHARES[np.argmin(np.abs(_SHARES - share))])))
    return tuple(found)


def _standing_share(mapped: LineMap, rows: NDArray[np.intp], step: NDArray[np.intp]) -> float:
    """Return the share of frames in which a line stands at a step or the ones beside it."""
    near = mapped.decibels[rows[:, None], step[:, None] + np.arange(-1, 2)].max(axis=1)
    return float((near > IN_FRAME.starts_db).mean())


def best_path(scores: FloatArray, seconds_per_frame: float, on: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the column of the best path through `scores`, shape (n_frames,), by dynamic programming (Viterbi 1967).

    Moving costs in proportion to the change, however short the frames that it takes, and as the square of how fast it
    is besides, for inertia allows no jump: a loaded tool's speed wanders by some tens of per cent per second at most.
    An eighth of both while the tool is not `on` and for a second about the trigger, because a start passes the whole
    range in half a second.
    """
    n_frames, n_speeds = scores.shape
    reach = max(1, round(1.0 / seconds_per_frame))
    switching = np.convolve(~on, np.ones(2 * reach + 1), mode="same") > 0
    eased = np.where(switching, 0.125, 1.0)
    jump = _FASTEST * max(seconds_per_frame, 1e-3)
    moves = [m for shift in _SHIFTS for m in ((shift, -shift) if shift else (0,)) if shift < n_speeds]
    best = scores[0].copy()
    came = np.zeros((n_frames, n_speeds), dtype=np.int16)
    for t in range(1, n_frames):
        reached = np.full(n_speeds, -np.inf)
        for move in moves:
            to, start = slice(max(0, move), n_speeds + min(0, move)), slice(max(0, -move), n_speeds - max(0, move))
            candidate = best[start] - eased[t] * (_MOVING * STEP * abs(move) + 0.5 * (move * STEP / jump) ** 2)
            better = candidate > reached[to]
            reached[to][better] = candidate[better]
            came[t, to][better] = move
        best = reached + scores[t]
    path = np.empty(n_frames, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for t in range(n_frames - 1, 0, -1):
        path[t - 1] = path[t] - came[t, path[t]]
    return path
