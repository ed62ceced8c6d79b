"""Speed from a tachometer channel: pulses found, repaired and turned into a track."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vibekit.machine.tracking import smoothed
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median

_BLOCK_S = 0.25  # a shaft that turns gives at least one pulse in this time
_LONG, _SHORT = 1.5, 0.6  # of the neighbours' interval: beyond these a pulse is missing or one too many
_SPAN_S = (0.02, 0.12)  # times over which turns are counted: from two pulses of the torque of an AC motor
_STEPPED_SPAN_S = 0.2  # the same where a pulse is a step from one sample to the next
_STEPPED_TIMING = 3e-4  # of the speed: readings of few values have a median of few values
_TIMING = 1e-3  # of the speed: what the timing of the pulses may leave open before neighbours are averaged
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

    The swing is that of the blocks of 0.25 s that have one; a pulse counts after the signal has been below a third
    and rises above two thirds of it, so that noise on an edge makes no second pulse.
    """
    size = max(2, round(_BLOCK_S * sample_rate))
    count = max(1, signal.size // size)
    blocks = signal[: count * size].reshape(count, -1) if signal.size >= size else signal[None, :]
    lows, highs = blocks.min(axis=1), blocks.max(axis=1)
    swing = highs - lows
    if swing.max() <= 0:
        return np.empty(0)
    active = swing > 0.5 * swing.max()
    low, high = float(np.median(lows[active])), float(np.median(highs[active]))
    third = (high - low) / 3.0
    state = np.where(signal > high - third, 1, np.where(signal < low + third, -1, 0))
    known = np.flatnonzero(state)
    rising = np.flatnonzero((state[known][1:] == 1) & (state[known][:-1] == -1))
    middle = (low + high) / 2.0
    return np.array([_crossing(signal, known[i], known[i + 1], middle) for i in rising]) / sample_rate


def _crossing(signal: FloatArray, before: int, after: int, level: float) -> float:
    """Return the fractional sample between `before` and `after` where the signal first reaches `level`."""
    stretch = signal[before : after + 1]
    above = int(np.argmax(stretch >= level))
    low, high = stretch[above - 1], stretch[above]
    return float(before + above - 1 + (level - low) / (high - low))


def tach_track(signal: FloatArray, sample_rate: float, pulses_per_rev: float) -> TachTrack | None:
    """Return the speed from a tachometer channel, or None: fewer than four pulses, or too fast for the rate.

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
    if usual * sample_rate < _LEAST_SAMPLES:
        return None
    count = _pulses_in_span(filled, usual, pulses_per_rev)
    if _stepped(times * sample_rate):
        least = min(_STEPPED_SPAN_S, 1.0 / (np.sqrt(6.0) * sample_rate * _STEPPED_TIMING))  # √2 · 1/√12 of a sample
        count = max(count, round(math.ceil(least / (usual * pulses_per_rev)) * pulses_per_rev))
    count = min(count, filled.size - 1)
    spans = filled[count:] - filled[:-count]
    middle = 0.5 * (filled[count:] + filled[:-count])
    half = 0.5 * float(np.median(spans))
    grid = np.arange(middle[0], middle[-1] + 1e-9, half)
    hz = np.interp(grid, middle, count / pulses_per_rev / spans)
    for start, stop in stops:
        hz[(grid > start - half) & (grid < stop + half)] = np.nan
    return TachTrack(grid, smoothed(hz), int(times.size), missing, int(times.size - kept.size))


def _stepped(places: FloatArray) -> bool:
    """Tell whether pulses all rise at the same place between two samples: then they are known to a sample only."""
    return bool(np.ptp(np.mod(places - places[0] + 0.5, 1.0)) < 1e-6)


def _pulses_in_span(times: FloatArray, usual: float, pulses_per_rev: float) -> int:
    """Return over how many pulses the speed is read: whole turns, at least 0.02 s, more where pulses are timed badly.

    The timing error is that of the third differences over a turn: √20 of it stands there, and little of the speed.
    """
    turn = max(1, round(pulses_per_rev))
    least = _SPAN_S[0]
    if times.size > 3 * turn + 8:
        bends = times[3 * turn :] - 3.0 * times[2 * turn : -turn] + 3.0 * times[turn : -2 * turn] - times[: -3 * turn]
        error = float(np.median(np.abs(bends))) / (0.6745 * np.sqrt(20.0))
        least = float(np.clip(np.sqrt(2.0) * error / _TIMING, *_SPAN_S))
    turns = max(1, round(least / (usual * pulses_per_rev)))
    return max(1, round(turns * pulses_per_rev))


def _without_doubles(times: FloatArray) -> FloatArray:
    """Return pulse times without those that follow their forerunner too closely."""
    usual = running_median(np.diff(times), 9)
    kept = [times[0]]
    for time, interval in zip(times[1:], usual, strict=True):
        if time - kept[-1] >= _SHORT * interval:
            kept.append(time)
    return np.array(kept)


def _filled(times: FloatArray) -> tuple[FloatArray, int, list[tuple[float, float]]]:
    """Return pulse times with missing ones put in, how many, and the stretches in which the shaft stood."""
    intervals = np.diff(times)
    usual = running_median(intervals, 9)
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
