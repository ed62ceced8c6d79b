"""A rough speed track made fine: on the shaft's own clock, from the lines that stand there.

Three steps, each within what the last one left open. (1) A second path on frames of two lengths: long ones separate the
low orders, short ones keep mesh lines together while the speed changes. (2) A path on a fine scale, by how much power
the standing lines have at each deviation. (3) The phase that those lines turn by from frame to frame. A line of order k
reads the speed k times as finely as once per turn; what it cannot tell, which of several lines it is, low orders tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.salience import IN_FRAME, STEP, ExpectedOrder, LineMap, best_path, line_map, salience
from vibekit.machine.spectra import fast_length, frames, window_values
from vibekit.machine.warp import Warped, warped
from vibekit.recording.recording import FloatArray

_LONG_S, _SHORT_S = 0.25, 0.06
_SPLIT_HZ = 1000.0  # lines above are looked for in short frames
_LEAST_SAMPLES = 64  # of a frame
_SECOND_REACH = 0.15  # how far the second path may lie from the first
_NEUTRAL_DB = 2.0
_STANDS_DB = 2.0  # over the neighbourhood, in the median frame: a line that stands
_SURE_DB = 5.0
_PROFILE_FRAMES = 600

_FRAME_S = 0.06  # the shortest frame
_SHARE_OF_BLUR = 0.6
_SLOPE = (0.02, 0.4)  # of the speed per second
_LOW_ORDERS = 20.0
_PAD = 2
_LOBE = 3  # padded bins: half of a Hann window's main lobe is 4
_BESIDE_HZ = 100.0  # to either side of a line, where its noise is taken
_FINE = 0.0005  # of the speed: step of the fine path
_FINE_REACH = (0.005, 0.012)  # of the speed: how far the fine path may lie from the second, steady and under load
_WANDER = (0.001, 0.009)  # of the speed, per root of a second: how the second path's error changes
_CALM, _LEAST_CALM = 100.0, 5.0  # power over noise from which more of it counts as its logarithm: one line, many
_PHASE_SPREAD = (0.008, 0.002)  # of the speed: how far a line may lie from the path, steady and from the fine one
_STEADY = 0.02  # change of speed per second, as a share, below which a second path is as good as a fine one
_SURE = 0.5
_NEEDED_DB = (6.0, 8.0)  # over the noise: a line that is surely there, one that is seldom seen
_CHUNK_FRAMES = 256


def refined(
    samples: FloatArray, mapped: LineMap, path_hz: FloatArray, orders: Sequence[ExpectedOrder], on: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times [s], the speed read there [Hz] (NaN where no line stands) and the path that it was read along.

    `path_hz` shape (n_frames,) is the rough track of `mapped`; `on` its frames with the trigger on.
    """
    second = _second_path(samples, mapped, _held(path_hz, on), orders, on)
    clock = warped(samples, mapped.sample_rate, second.time_s, _eased(second.hz, 5))
    longest = min(mapped.size / mapped.sample_rate, clock.samples.shape[-1] / mapped.sample_rate / 4.0)
    size = 2 * (fast_length(max(_LEAST_SAMPLES, int(_frame_s(second, clock, longest) * mapped.sample_rate))) // 2)
    bands = _bands(clock, size, size // 2, second, mapped.masked_hz)
    steady = second.slope < _STEADY
    fine = np.ones(bands[0].white.shape[1]) if steady else _fine_path(bands, clock, size, second)
    n = fine.size - 1
    rough = clock.reference_hz * np.sqrt(fine[1:] * fine[:-1])
    read = _phase_speed(bands, clock, size, rough, _PHASE_SPREAD[0 if steady else 1])
    at = np.asarray(0.75 * size + np.arange(n, dtype=np.float64) * (size // 2))
    scale = clock.speed_hz(at) / clock.reference_hz
    return clock.time_s(at), read * scale, rough * scale


def _held(path_hz: FloatArray, on: NDArray[np.bool_]) -> FloatArray:
    """Return the path with its usual speed while the tool is off, so that the clock is set by the tool and not by rest.

    A path through silence lies anywhere; were it the slower half of a recording, the shaft's clock would count too few
    samples per turn at speed, and lines would fold.
    """
    return np.where(on, path_hz, np.median(path_hz[on])) if on.any() else path_hz


_MapAlong = tuple[LineMap, FloatArray, NDArray[np.bool_], Sequence[ExpectedOrder]]


@dataclass(frozen=True)
class _SecondPath:
    """A track, the orders that stand along it, the one that tells most, how many are sure, how fast the speed changes
    [1/s], and by what share of it the track may be off.
    """

    time_s: FloatArray
    hz: FloatArray
    standing: tuple[ExpectedOrder, ...]
    telling: float
    sure: int
    slope: float
    reach: float


def _second_path(
    samples: FloatArray, mapped: LineMap, path_hz: FloatArray, orders: Sequence[ExpectedOrder], on: NDArray[np.bool_]
) -> _SecondPath:
    """Return the track along which lines are read: the rough one, where no line lies so high that frames blur it."""
    rate = mapped.sample_rate
    clock = warped(samples, rate, mapped.time_s, _eased(path_hz, 3))
    reference = clock.reference_hz
    high = [o for o in orders if o.order * reference > _SPLIT_HZ]
    if not high or int(_SHORT_S * rate) < _LEAST_SAMPLES:
        return _judged(mapped.time_s, path_hz, on, [(mapped, path_hz, on, orders)])
    parts = [[o for o in orders if o not in high], high]
    sizes = [min(mapped.size, int(_LONG_S * rate)), int(_SHORT_S * rate)]
    long, short = (_steady_map(clock, size, mapped.masked_hz) for size in sizes)
    speeds = reference * np.exp(STEP * np.arange(-int(_SECOND_REACH / STEP), int(_SECOND_REACH / STEP) + 1))
    low, fast = (
        salience(m.decibels, m.lowest_hz, speeds, p, IN_FRAME) for m, p in zip((long, short), parts, strict=True)
    )
    at = short.time_s * rate
    time_s = clock.time_s(at)
    running = np.interp(time_s, mapped.time_s, on.astype(float)) > 0.5
    there = speeds[best_path(fast + _at_frames(low, long, short), short.hop / rate, running)]
    seen = (long, _nearest(there, short, long), _nearest(running, short, long), parts[0])
    hz = there * clock.speed_hz(at) / reference
    return _judged(time_s, hz, running, [seen, (short, there, running, parts[1])])


def _judged(time_s: FloatArray, hz: FloatArray, on: NDArray[np.bool_], maps: Sequence[_MapAlong]) -> _SecondPath:
    """Return the track with what the line maps, each with its speeds, frames that count and orders, say of it."""
    standing = [found for along in maps for found in _standing(*along)]
    sure = (
        [s for s in standing if s[1] > _SURE_DB] or sorted(standing, key=lambda s: -s[1])[:1] or [(maps[0][3][0], 0.0)]
    )
    telling = max(sure, key=lambda s: s[0].order ** 2 * 10.0 ** (s[1] / 10.0))[0].order
    slope = _slope(hz, time_s, on)
    resolved = 2.2 * maps[0][0].sample_rate / maps[0][0].size / (telling * float(np.median(hz[on] if on.any() else hz)))
    reach = max(float(np.clip(0.08 * slope, *_FINE_REACH)), min(0.3 * slope, resolved, 0.1))
    low = tuple(maps[0][3])  # low orders alone: the phase reading itself sorts out which of them stand
    kept = low if len(maps) == 1 else tuple(order for order, _ in standing) or low
    return _SecondPath(time_s, hz, kept, telling, len(sure), slope, reach)


def _slope(hz: FloatArray, time_s: FloatArray, on: NDArray[np.bool_]) -> float:
    """Return how fast a track changes in its median frame, as a share of the speed per second."""
    changes = np.abs(np.diff(np.log(_eased(hz, 9))) / np.diff(time_s))
    return float(np.median(changes[on[1:]])) if on[1:].any() else 0.0


def _steady_map(clock: Warped, samples: int, masked_hz: Sequence[float]) -> LineMap:
    """Return the line map on the shaft's clock; the mains, which wander there, count neither for nor against."""
    size = fast_length(max(samples, _LEAST_SAMPLES))
    mapped = line_map(clock.samples, clock.sample_rate, size, size // 2)
    speed = clock.speed_hz(mapped.time_s * clock.sample_rate)
    for hz in masked_hz:
        half = int(np.ceil(2.0 * clock.sample_rate / size / hz / STEP))
        for row, centre in zip(mapped.decibels, hz * clock.reference_hz / speed, strict=True):
            step = round(np.log(centre / mapped.lowest_hz) / STEP)
            row[max(0, step - half) : max(0, step + half + 1)] = _NEUTRAL_DB
    return mapped


def _at_frames(scores: FloatArray, coarse: LineMap, fine: LineMap) -> FloatArray:
    """Return the evidence of long frames at the times of short ones, its sum over time kept."""
    at = np.interp(fine.time_s, coarse.time_s, np.arange(coarse.time_s.size))
    low = at.astype(int)
    share = (at - low)[:, None]
    high = np.minimum(low + 1, coarse.time_s.size - 1)
    return np.asarray((scores[low] * (1.0 - share) + scores[high] * share) * (fine.hop / coarse.hop))


def _nearest(values: NDArray[Any], of: LineMap, at: LineMap) -> NDArray[Any]:
    """Return the values of one map's frames at the frames of another."""
    index = np.round(np.interp(at.time_s, of.time_s, np.arange(of.time_s.size))).astype(int)
    return np.asarray(values[index])


def _standing(
    mapped: LineMap, speed: FloatArray, on: NDArray[np.bool_], orders: Sequence[ExpectedOrder]
) -> list[tuple[ExpectedOrder, float]]:
    """Return the orders whose line stands in the median frame, and by how much over its neighbourhood [dB]."""
    chosen = np.flatnonzero(on) if on.any() else np.arange(on.size)
    chosen = chosen[:: max(1, chosen.size // _PROFILE_FRAMES)]
    found = []
    for expected in orders:
        centre = np.round(np.log(speed[chosen] * expected.order / mapped.lowest_hz) / STEP).astype(int)
        if centre.min() < 12 or centre.max() >= mapped.decibels.shape[1] - 12:
            continue
        near = mapped.decibels[chosen[:, None], centre[:, None] + np.arange(-12, 13)]
        widened = np.maximum(near[:, 1:-1], np.maximum(near[:, :-2], near[:, 2:]))
        profile = np.median(widened, axis=0)
        over = float(profile[11] - np.median(np.concatenate([profile[:6], profile[-6:]])))
        if over > _STANDS_DB:
            found.append((expected, over))
    return found


def _eased(hz: FloatArray, width: int) -> FloatArray:
    """Return a track over whose steps a raised cosine of `width` frames has gone."""
    kernel = np.hanning(width + 2)[1:-1]
    padded = np.pad(np.log(hz), width // 2, mode="edge")
    return np.asarray(np.exp(np.convolve(padded, kernel / kernel.sum(), mode="valid")))


def _frame_s(second: _SecondPath, clock: Warped, longest_s: float) -> float:
    """Return the frame [s] in which the line that tells most stands best, and the low orders where they are all.

    A line of f [Hz] whose speed changes by the share s per second more than the clock's blurs over s·f·T Hz in a frame
    of T: as much as the frame resolves at T = 1/√(s·f). The second path's slopes may be off by twice their size. Where
    it changes, three fifths of that are taken, for what changes within a frame averages out.
    """
    share = 1.0 if second.slope < _STEADY else _SHARE_OF_BLUR
    seconds = share / np.sqrt(np.clip(2.0 * second.slope, *_SLOPE) * second.telling * clock.reference_hz)
    if max(o.order for o in second.standing) < _LOW_ORDERS:
        seconds = max(seconds, 2.5 / (min(o.order for o in second.standing) * clock.reference_hz))
    return float(np.clip(seconds, min(_FRAME_S, longest_s), longest_s))


@dataclass(frozen=True)
class _Band:
    """Transforms about one order's line over the root of the noise beside it: shape (n_axes, n_frames, n_bins)."""

    order: float
    likely: float
    first_bin: int
    white: NDArray[np.complex64]


def _bands(clock: Warped, size: int, hop: int, second: _SecondPath, masked_hz: Sequence[float]) -> list[_Band]:
    """Return the surroundings of every standing line, from Hann frames padded to twice their length."""
    spacing = clock.sample_rate / (_PAD * size)
    n_frames = 1 + (clock.samples.shape[-1] - size) // hop
    window = window_values("hann", size).astype(np.float32)
    centres = [o.order * clock.reference_hz for o in second.standing]
    wide = [_span(hz, second.reach * hz + max(_BESIDE_HZ, 8 * spacing), spacing, size) for hz in centres]
    narrow = [_span(hz, second.reach * hz + 4 * spacing, spacing, size) for hz in centres]
    pieces: list[list[NDArray[np.complex64]]] = [[] for _ in centres]
    for first in range(0, n_frames, _CHUNK_FRAMES):
        count = min(_CHUNK_FRAMES, n_frames - first)
        stretch = clock.samples[:, first * hop : (first + count - 1) * hop + size]
        cut = frames(stretch, size, hop)  # type: ignore[arg-type]
        spectra = np.fft.rfft((cut - cut.mean(axis=-1, keepdims=True)) * window, _PAD * size, axis=-1)
        speed = clock.speed_hz((first + np.arange(count)) * hop + size / 2.0)
        for place, around, near in zip(pieces, wide, narrow, strict=True):
            beside = spectra[..., around]
            floor = np.median(beside.real**2 + beside.imag**2, axis=-1, keepdims=True)
            white = (spectra[..., near] / np.sqrt(np.maximum(floor, 1e-30))).astype(np.complex64)
            for hz in masked_hz:
                bins = np.arange(near.start, near.stop) * spacing
                off = np.abs(bins[None, :] - (hz * clock.reference_hz / speed)[:, None]) <= _PAD * spacing
                white[:, off] = 0.0
            place.append(white)
    found = zip(second.standing, narrow, pieces, strict=True)
    return [_Band(o.order, o.likely, near.start, np.concatenate(place, axis=1)) for o, near, place in found]


def _span(centre_hz: float, reach_hz: float, spacing: float, size: int) -> slice:
    """Return the bins within reach of a frequency, at least eight, within the transform."""
    last = _PAD * size // 2
    low = int(np.clip((centre_hz - reach_hz) / spacing, _PAD, last - 8))
    return slice(low, int(np.clip((centre_hz + reach_hz) / spacing + 1, low + 8, last)))


def _fine_path(bands: Sequence[_Band], clock: Warped, size: int, second: _SecondPath) -> FloatArray:
    """Return the deviation (1: none) of each frame's speed from the clock's, by dynamic programming.

    The evidence of a deviation is the power over noise of all standing lines there (for a line of unknown size in noise
    that is its log likelihood ratio), a loud line's only as its logarithm, so that a stranger cannot outvote several.
    Moving costs as a random walk does.
    """
    deviations = 1.0 + _FINE * np.arange(-int(second.reach / _FINE), int(second.reach / _FINE) + 1)
    wander = float(np.clip(0.06 * second.slope, *_WANDER))
    calm = max(_CALM / second.sure**2, _LEAST_CALM)
    spacing = clock.sample_rate / (_PAD * size)
    scores = np.zeros((bands[0].white.shape[1], deviations.size))
    for band in bands:
        power = _tops((band.white.real**2 + band.white.imag**2).mean(axis=0))
        at = band.order * clock.reference_hz * deviations / spacing - band.first_bin
        low = at.astype(int)
        inside = (at >= 0) & (low < power.shape[1] - 1)
        low = np.where(inside, low, 0)
        share = at - low
        here = power[:, low] * (1.0 - share) + power[:, low + 1] * share
        scores += np.where(inside, calm * np.log1p(np.maximum(here, 0.0) / calm), 0.0)
    return np.asarray(deviations[_random_walk(scores, wander * np.sqrt(size / 2 / clock.sample_rate) / _FINE)])


def _tops(power: FloatArray) -> FloatArray:
    """Return power less what stands half a main lobe beside it: the flank of a stranger is no line."""
    beside = np.pad(power, ((0, 0), (_LOBE, _LOBE)), mode="edge")
    return np.asarray(np.maximum(power - 0.5 * (beside[:, : -2 * _LOBE] + beside[:, 2 * _LOBE :]), 0.0))


def _random_walk(scores: FloatArray, spread: float) -> NDArray[np.intp]:
    """Return the best path through `scores`, shape (n_frames, n_states), whose steps have a spread in states."""
    n_frames, n_states = scores.shape
    moves = np.arange(-min(n_states - 1, int(3 * spread)), min(n_states - 1, int(3 * spread)) + 1)
    costs = 0.5 * (moves / spread) ** 2
    best, came = scores[0], np.zeros((n_frames, n_states), dtype=np.int16)
    edge = int(moves[-1])
    for t in range(1, n_frames):
        padded = np.pad(best, edge, constant_values=-np.inf)
        options = np.lib.stride_tricks.sliding_window_view(padded, moves.size) - costs
        chosen = np.argmax(options, axis=1)
        came[t] = moves[chosen]
        best = options[np.arange(n_states), chosen] + scores[t]
    path = np.empty(n_frames, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for t in range(n_frames - 1, 0, -1):
        path[t - 1] = path[t] + came[t, path[t]]
    return path


def _phase_speed(bands: Sequence[_Band], clock: Warped, size: int, rough: FloatArray, spread: float) -> FloatArray:
    """Return the speed between neighbouring frames [Hz of the clock] from the phases of the lines, NaN where none.

    Orders are taken in as far as the speed known so far leaves no doubt which line is which.
    """
    speed, taken = rough, -1
    resolution = clock.sample_rate / size
    ranked = sorted(bands, key=lambda band: band.order)
    found = np.full(rough.size, np.nan)
    while True:
        within = [band for band in ranked if band.order * spread < 0.45] or ranked[:1]
        if len(within) == taken:
            return found
        readings = [_line_reading(band, clock, size, speed, spread) for band in within]
        found = _agreed(np.stack([r[0] for r in readings]), np.stack([r[1] for r in readings]))
        speed = np.where(np.isfinite(found), found, speed)
        taken, spread = len(within), min(spread, 0.2 * resolution / (within[-1].order * clock.reference_hz))


def _line_reading(
    band: _Band, clock: Warped, size: int, speed: FloatArray, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Return the speed that one line's phase tells between frames, and its weight (0 where it does not stand).

    Between frames half a frame apart a line of order k turns its phase by 2π·k·speed·hop; the whole turns are known
    from where its peak lies. A line that is surely there may correct the speed by what the frame resolves; one that is
    seldom seen may be a stranger's, so that it counts only close to where it should be.
    """
    spacing = clock.sample_rate / (_PAD * size)
    step_hz = clock.sample_rate / (size // 2)
    expected = band.order * speed / spacing - band.first_bin
    reach = int(np.ceil(0.5 + np.median(band.order * speed) / spacing * spread)) + _PAD // 2
    last = band.white.shape[-1] - 1
    reach = min(reach, last // 2 - 1)
    usable = (band.order * speed > 3.0 * spacing) & (expected > reach) & (expected < last - reach)
    centre = np.clip(np.round(np.nan_to_num(expected)).astype(int), reach + 1, last - reach - 1)
    columns = centre[:, None] + np.arange(-reach - 1, reach + 2)
    line = np.arange(speed.size)
    early, late = band.white[:, line[:, None], columns], band.white[:, line[:, None] + 1, columns]
    power = (np.abs(early) ** 2 + np.abs(late) ** 2).mean(axis=0) / 2.0
    peak = 1 + np.argmax(power[:, 1:-1], axis=1)
    a, b, c = (np.log(np.maximum(power[line, peak + d], 1e-12)) for d in (-1, 0, 1))
    curve = a - 2.0 * b + c
    offset = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, 1.0), 0.0)
    coarse = (columns[line, peak] + band.first_bin + np.clip(offset, -0.5, 0.5)) * spacing
    turned = np.angle(np.sum(late[:, line, peak] * np.conj(early[:, line, peak]), axis=0)) / (2.0 * np.pi)
    hz = (turned + np.round(coarse / step_hz - turned)) * step_hz
    ratio = np.minimum(np.abs(early[:, line, peak]) ** 2, np.abs(late[:, line, peak]) ** 2).mean(axis=0)
    good = usable & (np.abs(hz - coarse) < 0.6 * _PAD * spacing)
    grace = 0.5 * _PAD * spacing / band.order if band.likely >= _SURE else 0.0
    good &= np.abs(hz / band.order - speed) < speed * spread + grace
    good &= (power[line, peak - 1] > 0) & (power[line, peak + 1] > 0)  # the edge of a masked line is no peak
    good &= 10.0 * np.log10(np.maximum(ratio, 1e-12)) > _NEEDED_DB[0 if band.likely >= _SURE else 1]
    return hz / band.order, np.where(good, np.minimum(ratio, 1e4) * band.order**2, 0.0)


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
