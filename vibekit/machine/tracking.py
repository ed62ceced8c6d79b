"""The speed track from a signal without a tachometer: path through the line map, scale, refinement by phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.salience import (
    IN_FRAME,
    IN_MEAN,
    STEP,
    ExpectedOrder,
    LineMap,
    best_path,
    line_map,
    salience,
)
from vibekit.machine.spectra import fast_length, frames, noise_floor, window_values
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median

_FRAME_TURNS = 6.0  # a frame holds so many turns of the slowest shaft, within the limits below
_FRAME_S = (0.25, 0.64)
_CHUNK_FRAMES = 256
_HALF_WIDTHS = (1, 2, 4, 8, 16)  # frames to either side over which a track may be smoothed
_SURE_LINE = 0.5
_WHITE_DB = 8.0  # over the noise: lines that may refine the speed


@dataclass(frozen=True)
class Candidate:
    """A scale of the track: `factor` times the path, and its evidence in the mean line map."""

    factor: float
    score: float


def frame_sizes(sample_rate: float, slowest_hz: float | None, n_samples: int) -> tuple[int, int]:
    """Return frame length and hop [samples]: long enough for the slowest shaft, short enough for a droop."""
    wanted = _FRAME_S[0] * 1.5 if slowest_hz is None else _FRAME_TURNS / slowest_hz
    seconds = float(np.clip(wanted, *_FRAME_S))
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


def refined(
    samples: FloatArray, mapped: LineMap, path_hz: FloatArray, orders: Sequence[ExpectedOrder]
) -> tuple[FloatArray, FloatArray]:
    """Return the speed between neighbouring frames [Hz] and its times [s], both shape (n_frames - 1,).

    A line of order k turns its phase by 2π·k·speed·hop between two frames; the whole turns are known from where its
    peak lies. Low orders, found surely, come first; high orders, which read the speed more finely, are looked for close
    to what the low ones gave. NaN where no line stands out.
    """
    rough = np.sqrt(path_hz[1:] * path_hz[:-1])
    result = np.full(rough.size, np.nan)
    for first in range(0, rough.size, _CHUNK_FRAMES):
        part = slice(first, min(first + _CHUNK_FRAMES, rough.size))
        spectra = _chunk(samples, mapped, slice(part.start, part.stop + 1))
        result[part] = _refine_chunk(spectra, mapped, rough[part], orders)
    return result, (mapped.time_s[1:] + mapped.time_s[:-1]) / 2.0


def _chunk(samples: FloatArray, mapped: LineMap, part: slice) -> NDArray[np.complex64]:
    """Return the transforms of some frames over the root of their local noise, mains lines taken out."""
    stretch = samples[:, part.start * mapped.hop : (part.stop - 1) * mapped.hop + mapped.size].astype(np.float32)
    cut = frames(stretch, mapped.size, mapped.hop)  # type: ignore[arg-type]
    window = window_values("hann", mapped.size).astype(np.float32)
    spectra = np.fft.rfft((cut - cut.mean(axis=-1, keepdims=True)) * window, axis=-1)
    power = spectra.real**2 + spectra.imag**2
    floor = np.stack([noise_floor(a, max(16, round(200.0 * mapped.size / mapped.sample_rate))) for a in power])
    white = (spectra / np.sqrt(floor)).astype(np.complex64)
    for bins in mapped.masked:
        white[..., bins] = 0.0
    return white


def _refine_chunk(
    spectra: NDArray[np.complex64],
    mapped: LineMap,
    rough: FloatArray,
    orders: Sequence[ExpectedOrder],
) -> FloatArray:
    speed, spread = rough, 2.0 * STEP
    highest = 0.45 * mapped.sample_rate
    bin_hz = mapped.sample_rate / mapped.size
    ranked = sorted(orders, key=lambda o: o.order)
    for _ in range(3):
        reach = [o for o in ranked if o.order * np.median(rough) * spread < 2.0 * bin_hz] or ranked[:1]
        readings = [_line_reading(spectra, mapped, speed, o, spread, highest) for o in reach]
        values = np.stack([r[0] for r in readings])
        weights = np.stack([r[1] for r in readings])
        found = _agreed(values, weights)
        speed = np.where(np.isfinite(found), found, speed)
        spread = max(spread / 5.0, 2e-4)
    return found


def _line_reading(
    spectra: NDArray[np.complex64],
    mapped: LineMap,
    speed: FloatArray,
    order: ExpectedOrder,
    spread: float,
    highest: float,
) -> tuple[FloatArray, FloatArray]:
    """Return speed read from one order between frames, and its weight (0 where no line stands out).

    A line that is surely there may correct the speed by what the frame resolves; one that is seldom seen may be a
    stranger's, so that it counts only close to where it should be.
    """
    bin_hz = mapped.sample_rate / mapped.size
    sure = order.likely >= _SURE_LINE
    allowed = speed * spread + bin_hz / order.order if sure else np.maximum(speed * spread, 0.35 * bin_hz / order.order)
    expected = order.order * speed / bin_hz
    reach = int(min(3, np.ceil(1.0 + np.median(expected) * spread)))
    usable = (expected > 1.5) & (order.order * speed < highest)
    centre = np.clip(np.round(expected).astype(int), reach + 1, spectra.shape[-1] - reach - 2)
    columns = centre[:, None] + np.arange(-reach - 1, reach + 2)
    rows = np.arange(speed.size)[:, None]
    early, late = spectra[:, rows, columns], spectra[:, rows + 1, columns]
    power = (np.abs(early) ** 2 + np.abs(late) ** 2).mean(axis=0) / 2.0
    peak = 1 + np.argmax(power[:, 1:-1], axis=1)
    line = rows[:, 0]
    a, b, c = (np.log(np.maximum(power[line, peak + d], 1e-12)) for d in (-1, 0, 1))
    curve = a - 2.0 * b + c
    offset = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, 1.0), 0.0)
    coarse = (columns[line, peak] + np.clip(offset, -0.5, 0.5)) * bin_hz
    turned = np.angle(np.sum(late[:, line, peak] * np.conj(early[:, line, peak]), axis=0)) / (2.0 * np.pi)
    step_hz = mapped.sample_rate / mapped.hop
    hz = (turned + np.round(coarse / step_hz - turned)) * step_hz
    ratio = np.minimum(np.abs(early[:, line, peak]) ** 2, np.abs(late[:, line, peak]) ** 2).mean(axis=0)
    good = usable & (np.abs(hz - coarse) < 0.6 * bin_hz) & (np.abs(hz / order.order - speed) < allowed)
    good &= (power[line, peak - 1] > 0) & (power[line, peak + 1] > 0)  # the edge of a masked line is no peak
    good &= 10.0 * np.log10(np.maximum(ratio, 1e-12)) > _WHITE_DB
    return hz / order.order, np.where(good, np.minimum(ratio, 1e4) * order.order**2, 0.0)


def _agreed(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the weighted mean of the readings that lie near their weighted median, per column; NaN where none."""
    ranked = np.argsort(values, axis=0)
    ordered = np.take_along_axis(values, ranked, axis=0)
    share = np.cumsum(np.take_along_axis(np.sqrt(weights), ranked, axis=0), axis=0)
    middle = np.argmax(share >= 0.5 * share[-1:], axis=0)
    median = ordered[middle, np.arange(values.shape[1])]
    near = np.where(np.abs(values - median) < 0.003 * median, weights, 0.0)
    total = near.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total > 0, (near * np.where(near > 0, values, 0.0)).sum(axis=0) / total, np.nan)


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
