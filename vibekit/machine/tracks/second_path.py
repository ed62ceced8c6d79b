"""A second path beside a rough one, on the shaft's own clock, and which lines stand along it.

Long frames separate the low orders, short ones keep mesh lines together while the speed changes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import fast_length
from vibekit.machine.spectra.warp import Warped, warped
from vibekit.machine.tracks.salience import IN_FRAME, STEP, LineMap, best_path, line_map, salience, settled
from vibekit.machine.train.catalogue import ExpectedOrder
from vibekit.recording.recording import FloatArray

_LONG_S, _SHORT_S = 0.25, 0.06
_SPLIT_HZ = 1000.0  # lines above are looked for in short frames
LEAST_SAMPLES = 64  # of a frame
_SECOND_REACH = 0.3  # how far the second path may lie from the first
_NEUTRAL_DB = 2.0
_STANDS_DB = 2.0  # over the neighbourhood, in the median frame: a line that stands
_SURE_DB = 5.0
_PROFILE_FRAMES = 600
_FINE_REACH = (0.005, 0.012)  # of the speed: how far the fine path may lie from the second, steady and under load

_MapAlong = tuple[LineMap, FloatArray, NDArray[np.bool_], Sequence[ExpectedOrder]]


@dataclass(frozen=True)
class SecondPath:
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


def second_path(
    samples: FloatArray, mapped: LineMap, path_hz: FloatArray, orders: Sequence[ExpectedOrder], on: NDArray[np.bool_]
) -> SecondPath:
    """Return the track along which lines are read: the rough one, where no line lies so high that frames blur it.

    An order counts as often as it stood along the rough track, or noise shaped by a resonance, which stays where it is,
    would be taken for a line that seldom stands.
    """
    rate = mapped.sample_rate
    clock = warped(samples, rate, mapped.time_s, eased(path_hz, 3))
    reference = clock.reference_hz
    high = [o for o in orders if o.order * reference > _SPLIT_HZ]
    if not high or int(_SHORT_S * rate) < LEAST_SAMPLES:
        return _judged(mapped.time_s, path_hz, on, [(mapped, path_hz, on, orders)])
    parts = [[o for o in orders if o not in high], high]
    sizes = [min(mapped.size, int(_LONG_S * rate)), int(_SHORT_S * rate)]
    long, short = (_steady_map(clock, size, mapped.masked_hz) for size in sizes)
    speeds = reference * np.exp(STEP * np.arange(-int(_SECOND_REACH / STEP), int(_SECOND_REACH / STEP) + 1))
    low, fast = (_scores(m, clock, mapped.time_s, on, speeds, p) for m, p in zip((long, short), parts, strict=True))
    at = short.time_s * rate
    time_s = clock.time_s(at)
    running = np.interp(time_s, mapped.time_s, on.astype(float)) > 0.5
    there = speeds[best_path(fast + _at_frames(low, long, short), short.hop / rate, running)]
    seen = (long, _nearest(there, short, long), _nearest(running, short, long), parts[0])
    hz = there * clock.speed_hz(at) / reference
    return _judged(time_s, hz, running, [seen, (short, there, running, parts[1])])


def _scores(
    mapped: LineMap,
    clock: Warped,
    time_s: FloatArray,
    on: NDArray[np.bool_],
    speeds: FloatArray,
    orders: Sequence[ExpectedOrder],
) -> FloatArray:
    """Return the evidence of each speed in a map on a clock; `on`: the moments `time_s` at which the tool runs."""
    running = np.interp(clock.time_s(mapped.time_s * clock.sample_rate), time_s, on.astype(float)) > 0.5
    stood = settled(mapped, orders, np.full(running.size, clock.reference_hz), running)
    return salience(mapped.decibels, mapped.lowest_hz, speeds, stood, IN_FRAME)


def _judged(time_s: FloatArray, hz: FloatArray, on: NDArray[np.bool_], maps: Sequence[_MapAlong]) -> SecondPath:
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
    return SecondPath(time_s, hz, kept, telling, len(sure), slope, reach)


def _slope(hz: FloatArray, time_s: FloatArray, on: NDArray[np.bool_]) -> float:
    """Return how fast a track changes in its median frame, as a share of the speed per second."""
    changes = np.abs(np.diff(np.log(eased(hz, 9))) / np.diff(time_s))
    return float(np.median(changes[on[1:]])) if on[1:].any() else 0.0


def _steady_map(clock: Warped, samples: int, masked_hz: Sequence[float]) -> LineMap:
    """Return the line map on the shaft's clock; the mains, which wander there, count neither for nor against."""
    size = fast_length(max(samples, LEAST_SAMPLES))
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


def eased(hz: FloatArray, width: int) -> FloatArray:
    """Return a track over whose steps a raised cosine of `width` frames has gone."""
    kernel = np.hanning(width + 2)[1:-1]
    padded = np.pad(np.log(hz), width // 2, mode="edge")
    return np.asarray(np.exp(np.convolve(padded, kernel / kernel.sum(), mode="valid")))
