"""Speed from a tachometer channel: pulses found, repaired and turned into a track."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.tracks.path import smoothed
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median

_BLOCK_S = 0.25  # a shaft that turns gives at least one pulse in this time
_SWINGS = 0.3  # of the largest swing, single spikes left out: less is no pulse
_REST = 0.3  # of the usual time between pulses: an edge that follows the last pulse's end sooner is a bounce
_LONG, _SHORT = 1.5, 0.6  # of the neighbours' interval: beyond these a pulse is missing or one too many
_AROUND = 25  # intervals that say what is usual
_MOMENTS, _STRIDE = 49, 0.309  # the same in moments so many intervals apart: out of step with the pulses
_CHUNK = 1 << 16
_SPAN_S = (0.02, 0.12)  # times over which turns are counted: from two pulses of the torque of an AC motor
_TIMING = 1e-3  # of the speed: what the timing of the pulses may leave open before neighbours are averaged
_REGULAR = 0.06  # of an interval: what is timed worse is noise (it reaches 0.11, marks on a shaft 0.02)
_ROUNDING = 0.29  # of a sample, 1/√12: scatter of pulses known to a sample
_LEAST_SAMPLES = 3.0  # between pulses; fewer, and pulses fall between samples
_STOPPED_S = 0.5  # no pulse for so long: the shaft stands


@dataclass(frozen=True)
class TachTrack:
    """Speed of the tachometer's shaft: `time_s`, `hz` (NaN while it stands), and what had to be repaired."""

    time_s: FloatArray
    hz: FloatArray
    pulses: int
    missing: int
    double: int


def pulse_times(signal: FloatArray, sample_rate: float) -> FloatArray:
    """Return when the channel rises through the middle of its swing [s], between samples by straight line.

    The swing is that of the 0.25 s around, for the channel may drift, and that of its neighbours where there is none. A
    pulse counts after the signal has been below a third and rises above two thirds of it, so that noise on an edge
    makes no second pulse; not if it was low for much less than around there, for contacts bounce.
    """
    size = max(2, round(_BLOCK_S * sample_rate))
    blocks = np.pad(signal, (0, -signal.size % size), mode="edge").reshape(-1, size)
    lows, highs = blocks.min(axis=1), blocks.max(axis=1)
    swing = highs - lows
    active = np.flatnonzero(swing > _SWINGS * running_median(swing, 5).max())
    if active.size == 0:
        return np.empty(0)
    low, high = (np.interp(np.arange(swing.size), active, running_median(ends[active], 5)) for ends in (lows, highs))
    third, middle = (high - low) / 3.0, (high + low) / 2.0
    state = (blocks > (high - third)[:, None]).astype(np.int8) - (blocks < (low + third)[:, None])
    known = np.flatnonzero(state)
    turned = np.diff(state.ravel()[known])
    rises, falls = np.flatnonzero(turned > 0), np.flatnonzero(turned < 0)
    rises = rises[_settled(known[rises] / sample_rate, known[falls] / sample_rate)]
    crossed = np.flatnonzero(np.diff((blocks >= middle[:, None]).ravel().view(np.int8)) > 0)
    before = crossed[np.searchsorted(crossed, known[rises + 1]) - 1]
    start, end = blocks.ravel()[before], blocks.ravel()[before + 1]
    return np.asarray(
        (before + np.clip((middle[(before + 1) // size] - start) / (end - start), 0.0, 1.0)) / sample_rate
    )


def _settled(rises: FloatArray, falls: FloatArray) -> NDArray[np.bool_]:
    """Tell of each rise [s] whether the channel was low before it for about as long as it is around there.

    "Is" means most of the time, not most of the pulses: bounces may be more than pulses, but they are short.
    """
    steps = np.sort(np.diff(rises))
    steps = steps[steps < _STOPPED_S]
    if steps.size == 0:
        return np.ones(rises.size, dtype=bool)
    last = np.searchsorted(falls, rises) - 1
    low = np.where(last >= 0, rises - falls[last], rises)
    typical = steps[np.searchsorted(np.cumsum(steps), 0.5 * steps.sum())]
    moments = np.arange(rises[0], rises[-1], _STRIDE * typical)
    usual = _usual(low[np.searchsorted(rises, moments, side="right")], _MOMENTS)
    return np.asarray(low >= _REST * np.interp(rises, moments, usual))


def tach_track(signal: FloatArray, sample_rate: float, pulses_per_rev: float) -> TachTrack | None:
    """Return the speed from a tachometer channel, or None: fewer than four pulses, irregular, or too fast for the rate.

    Pulses closer than 0.6 of the neighbours' median interval are doubles and dropped; gaps of about a whole number of
    intervals are missing pulses and filled; longer than 0.5 s the shaft stands. Speed is read between each pulse and
    the one whole turns later, so that marks spaced unevenly around the shaft do not matter: over as few turns as the
    timing of the pulses allows, and then smoothed as far as the readings' own scatter calls for.
    """
    times = pulse_times(signal, sample_rate)
    if times.size < 4:
        return None
    kept = _without_doubles(times)
    filled, missing, stops = _filled(kept)
    usual = float(np.median(np.diff(filled)))
    scatter = _scatter(filled, max(1, round(pulses_per_rev)))
    if usual * sample_rate < _LEAST_SAMPLES or scatter > _REGULAR * usual + _ROUNDING / sample_rate:
        return None
    step = _stepped(times * sample_rate) / sample_rate  # between such pulses lies a whole number of samples
    least = float(np.clip(math.hypot(math.sqrt(2.0) * scatter, step) / _TIMING, *_SPAN_S))
    turns = max(1, round(least / (usual * pulses_per_rev)))
    count = min(max(1, round(turns * pulses_per_rev)), filled.size - 1)
    spans = filled[count:] - filled[:-count]
    middle = 0.5 * (filled[count:] + filled[:-count])
    half = 0.5 * float(np.median(spans))
    grid = np.arange(middle[0], middle[-1] + 1e-9, half)
    hz = np.interp(grid, middle, count / pulses_per_rev / spans)
    for start, stop in stops:
        hz[(grid > start - half) & (grid < stop + half)] = np.nan
    return TachTrack(grid, smoothed(hz), int(times.size), missing, int(times.size - kept.size))


def _scatter(times: FloatArray, turn: int) -> float:
    """Return how far pulses lie off where they should [s], `turn` of them to a turn.

    That stands in the third differences over a turn, √20 of it, and little of the speed.
    """
    if times.size <= 3 * turn + 8:
        return 0.0
    bends = times[3 * turn :] - 3.0 * times[2 * turn : -turn] + 3.0 * times[turn : -2 * turn] - times[: -3 * turn]
    return float(np.median(np.abs(bends))) / (0.6745 * math.sqrt(20.0))


def _stepped(places: FloatArray) -> float:
    """Return how surely pulses are known to a sample only, 0 to 1, from the places [samples] where they rise.

    Pulses that take a sample or more to rise are found anywhere between two samples; those that step from one to the
    next all at one place.
    """
    return float(np.abs(np.exp(2j * np.pi * places).mean()))


def _without_doubles(times: FloatArray) -> FloatArray:
    """Return pulse times without those that follow their forerunner too closely."""
    usual = _usual(np.diff(times))
    kept = [times[0]]
    for time, interval in zip(times[1:], usual, strict=True):
        if time - kept[-1] >= _SHORT * interval:
            kept.append(time)
    return np.array(kept)


def _usual(values: FloatArray, width: int = _AROUND) -> FloatArray:
    """Return the median around each value; the ends mirrored, for held ones would be most of what is around them."""
    half = width // 2
    padded = np.pad(values, half, mode="reflect")
    chunks = [padded[first : first + _CHUNK + 2 * half] for first in range(0, values.size, _CHUNK)]
    return np.concatenate([running_median(chunk, width)[half : chunk.size - half] for chunk in chunks])


def _filled(times: FloatArray) -> tuple[FloatArray, int, list[tuple[float, float]]]:
    """Return pulse times with missing ones put in, how many, and the stretches in which the shaft stood."""
    intervals = np.diff(times)
    usual = _usual(intervals)
    pieces, missing, breaks = [times[:1]], 0, []
    for i, interval in enumerate(intervals):
        if interval > max(_STOPPED_S, 4.0 * usual[i]):
            breaks.append((float(times[i]), float(times[i + 1])))
        elif interval > _LONG * usual[i]:
            extra = round(interval / usual[i]) - 1
            pieces.append(times[i] + interval * np.arange(1, extra + 1) / (extra + 1))
            missing += extra
        pieces.append(times[i + 1 : i + 2])
    return np.concatenate(pieces), missing, breaks
