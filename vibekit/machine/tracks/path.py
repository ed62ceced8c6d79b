"""The speed track from a signal without a tachometer: path through the line map, scale, refinement by phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import fast_length, noise_floor
from vibekit.machine.tracks.salience import (
    IN_FRAME,
    IN_MEAN,
    STEP,
    LineMap,
    best_path,
    line_map,
    salience,
)
from vibekit.machine.train.catalogue import ExpectedOrder
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median

_FRAME_TURNS = 6.0  # a frame holds so many turns of the slowest shaft, within the limits below
_FRAME_S = (0.25, 0.4)
_FRAME_LOW_S, _LOW_RATE_HZ = 0.64, 2000.0  # the longest below this rate, at which low orders are all there is
_HALF_WIDTHS = (1, 2, 4, 8, 16)  # frames to either side over which a track may be smoothed


@dataclass(frozen=True)
class Candidate:
    """A scale of the track: `factor` times the path, and its evidence in the mean line map."""

    factor: float
    score: float


def frame_sizes(sample_rate: float, slowest_hz: float | None, n_samples: int) -> tuple[int, int]:
    """Return frame length and hop [samples]: long enough for the slowest shaft, short enough for a droop."""
    shortest, longest = _FRAME_S[0], _FRAME_S[1] if sample_rate > _LOW_RATE_HZ else _FRAME_LOW_S
    wanted = shortest * 1.5 if slowest_hz is None else _FRAME_TURNS / slowest_hz
    seconds = float(np.clip(wanted, shortest, longest))
    size = fast_length(int(min(seconds * sample_rate, n_samples / 4)))
    return size, max(1, size // 2)


def speed_axis(low_hz: float, high_hz: float) -> FloatArray:
    """Return speeds from low to high [Hz] on the logarithmic step of the line map."""
    return np.asarray(low_hz * np.exp(STEP * np.arange(max(1, int(np.log(high_hz / low_hz) / STEP) + 1))))


def track(
    mapped: LineMap, orders: Sequence[ExpectedOrder], low_hz: float, high_hz: float, on: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Return the path [Hz], shape (n_frames,), between the limits, and by how much each frame's evidence along it
    exceeds that of any speed taken at random (the median over speeds).
    """
    speeds = speed_axis(low_hz, high_hz)
    scores = salience(mapped.decibels, mapped.lowest_hz, speeds, orders, IN_FRAME)
    scores[~on] *= 0.5
    columns = best_path(scores, mapped.hop / mapped.sample_rate, on)
    return speeds[columns], scores[np.arange(columns.size), columns] - np.median(scores, axis=1)


def mean_along(mapped: LineMap, path_hz: FloatArray, on: NDArray[np.bool_]) -> tuple[FloatArray, float]:
    """Return decibels averaged along the path, on a logarithmic axis of orders, and the order at its start.

    Orders out of the band of every frame are NaN.
    """
    shift = np.round(np.log(path_hz / mapped.lowest_hz) / STEP).astype(int)
    n = mapped.decibels.shape[1]
    first = -int(shift[on].max())
    total, count = np.zeros(2 * n), np.zeros(2 * n)
    for t in np.flatnonzero(on):
        start = -shift[t] - first
        total[start : start + n] += mapped.decibels[t]
        count[start : start + n] += 1
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count >= 0.3 * on.sum(), total / count, np.nan)
    return mean, float(np.exp(STEP * first))


def scales(
    mean_db: FloatArray, first_order: float, orders: Sequence[ExpectedOrder], low: float, high: float
) -> tuple[Candidate, ...]:
    """Return the factors between `low` and `high` at which the orders fit the averaged line map best, best first.

    Local maxima only: a neighbouring step of the same fit is no rival.
    """
    known = np.isfinite(mean_db)
    flat = np.where(known, mean_db, 0.0)
    flat = flat - noise_floor(flat[None, :], 150)[0] if known.sum() > 150 else flat
    flat = np.where(known, flat, IN_MEAN.starts_db)
    factors = speed_axis(low, high)
    total = salience(flat[None, :], first_order, factors, orders, IN_MEAN)[0]
    peaks = [i for i in range(total.size) if total[i] == total[max(0, i - 5) : i + 6].max() and total[i] > 0]
    found = [Candidate(float(factors[i]), float(total[i])) for i in peaks]
    return tuple(sorted(found, key=lambda c: -c.score))


def smoothed(hz: FloatArray) -> FloatArray:
    """Return a track smoothed as far as its own noise calls for; NaN stay.

    A speed that wanders more than it is misread is best told by its nearest neighbours, one that is misread more than
    it wanders by many. The width is the one whose neighbours tell each value best without seeing it (cross-validation).
    Where the smooth track leaves the median of five values by more than four times that miss, the speed has changed
    rather than been misread: there the track stays as read.
    """
    known = np.isfinite(hz)
    if known.sum() < 8:
        return hz
    best, least = 0, np.inf
    for half in _HALF_WIDTHS:
        others, _ = _neighbours(hz, known, half)
        miss = np.abs(others - hz)[known & np.isfinite(others)]
        spread = float(np.median(miss)) if miss.size else np.inf
        if spread < 0.97 * least:
            best, least = half, spread
    if best <= _HALF_WIDTHS[0]:
        return hz
    others, weight = _neighbours(hz, known, best)
    mean = (hz + weight * np.where(np.isfinite(others), others, 0.0)) / (1.0 + weight)
    about = running_median(np.interp(np.arange(hz.size), np.flatnonzero(known), hz[known]), 5)
    return np.where(known & (np.abs(mean - about) < 4.0 * least), mean, hz)


def _neighbours(hz: FloatArray, known: NDArray[np.bool_], half: int) -> tuple[FloatArray, FloatArray]:
    """Return the weighted mean of each value's neighbours without itself, and the weight they carry."""
    kernel = 1.0 - np.abs(np.arange(-half, half + 1)) / (half + 1.0)
    kernel[half] = 0.0
    weight = np.convolve(known.astype(float), kernel, mode="same") if hz.size > kernel.size else np.zeros(hz.size)
    total = np.convolve(np.where(known, hz, 0.0), kernel, mode="same") if hz.size > kernel.size else weight
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(weight > 0, total / weight, np.nan), weight


def map_of(samples: FloatArray, sample_rate: float, slowest_hz: float | None, masked_hz: Sequence[float]) -> LineMap:
    """Return the line map of `samples`, shape (n_axes, n_samples), with frames fit for the slowest shaft."""
    size, hop = frame_sizes(sample_rate, slowest_hz, samples.shape[-1])
    return line_map(samples, sample_rate, size, hop, masked_hz)
