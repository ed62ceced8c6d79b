"""Tracks that may be a shaft's: the best path through the line map, made fine; or a steady speed, followed closely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.tracks.path import map_of, mean_along, scales, smoothed, track
from vibekit.machine.tracks.refine import refined
from vibekit.machine.tracks.salience import IN_FRAME, STEP, LineMap, evidence, settled
from vibekit.machine.tracks.target import Target
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median, trigger_on

_STANDS_BELOW = 0.08  # of the rated speed
_SUPPORT = 2.0  # log likelihood ratio of a frame over a random speed from which the path counts as seen
_GAP_FRAMES = 6
_BRIDGED_FRAMES = 3
_FOLLOWED = 4.0  # the same, from which a start or stop is followed beyond the level that says "on"
_COASTS_S = 8.0  # longest run-up or coast-down of a handheld tool (common practice, no source)
_WILD = 0.03  # of the speed: a reading so far from the path is another line's
_OFF, _OFF_S = 0.03, 1.0  # of the speed: what load changes; for how long
_AGREED, _TOGETHER = 0.005, 0.1  # of the speed: two tracks are one; for this share of the time at least
_BETTER = 1.0  # log likelihood ratio per frame by which lines must stand better at another speed to have gone there
_LIKELY = 0.25  # chance of orders by which two speeds of a moment are compared
_WAITS = 1.02  # times the slowest speed looked for: there a path only waits


@dataclass(frozen=True)
class Track:
    """Speed `hz` at times `time_s`, NaN where nothing can be followed."""

    time_s: FloatArray
    hz: FloatArray

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where the speed is known."""
        return np.isfinite(self.hz)

    @property
    def middle_hz(self) -> float:
        """Median speed, NaN where none is known."""
        return float(np.median(self.hz[self.known])) if self.known.any() else float("nan")

    def times(self, factor: float) -> Track:
        """Return the track of what turns so many times as fast."""
        return Track(self.time_s, factor * self.hz)


@dataclass(frozen=True)
class Heard:
    """Samples, shape (n_axes, n_samples), their line map, the frames in which the tool runs, and what is sought."""

    samples: FloatArray
    mapped: LineMap
    on: NDArray[np.bool_]
    target: Target

    @property
    def running(self) -> tuple[int, int]:
        """First and last + 1 of the samples between which the tool runs."""
        first, last = np.flatnonzero(self.on)[[0, -1]] if self.on.any() else (0, self.on.size - 1)
        return int(first) * self.mapped.hop, int(last) * self.mapped.hop + self.mapped.size


def heard(
    samples: FloatArray, sample_rate: float, target: Target, masked_hz: list[float], calibrated: bool
) -> tuple[Heard, Track]:
    """Return what there is to follow, and the track along the path that the orders looked for fit best.

    Sound has no unit (`calibrated` False), so that only the contrast of its level says when the tool runs.
    """
    mapped = map_of(samples, sample_rate, target.slowest_hz, masked_hz)
    levels = mapped.levels if calibrated else 20.0 * mapped.levels / max(float(mapped.levels.max()), 1e-30)
    on = trigger_on(levels, mapped.hop / sample_rate).on
    high = min(target.high_hz, 0.47 * sample_rate)
    low = max(_STANDS_BELOW * (target.rated_hz or target.low_hz / 0.2), mapped.lowest_hz)
    path, along = track(mapped, target.orders, low, high, on)
    if target.tied:  # a train: without one the harmonics looked for are the same whatever turns
        stood = settled(mapped, target.orders, path * _scale(mapped, path, target, low, high, on), on)
        path, along = track(mapped, stood, low, high, on)
    along = np.where(path > _WAITS * low, along, 0.0)
    scale = _scale(mapped, path, target, low, high, on)
    on = _with_starts_and_stops(on, along, mapped.hop / sample_rate)
    what = Heard(samples, mapped, on, target)
    return what, _fine(what, path * scale, along)


def steady(what: Heard, hz: float) -> Track:
    """Return the track of a speed that hardly changes, read from the lines about it."""
    path = np.full(what.on.size, hz)
    return _fine(what, path, _evidence(what, path))


def with_departures(what: Heard, track: Track, hz: float, beside: Track) -> Track:
    """Return the track of a steady speed, another one taken where it leaves that speed and the lines go with it.

    A tool runs at one speed, and then at another; a track that took one line for its neighbour leaves without them.
    """
    left = _left(what, np.full(what.on.size, hz), beside)
    there = np.interp(track.time_s, what.mapped.time_s, left.astype(float)) > 0.5
    moved = np.interp(track.time_s, beside.time_s, np.where(beside.known, beside.hz, hz))
    return Track(track.time_s, np.where(there, moved, track.hz))


def _left(what: Heard, path: FloatArray, beside: Track) -> NDArray[np.bool_]:
    """Return the frames in which a track is off a steady path, and the lines with it, for a second and longer."""
    nothing = np.zeros(path.size, dtype=bool)
    if beside.known.sum() < 2:
        return nothing
    at = np.interp(what.mapped.time_s, beside.time_s[beside.known], beside.hz[beside.known])
    off = (np.abs(at / path - 1.0) > _OFF) & what.on
    if (what.on & (np.abs(at / path - 1.0) < _AGREED)).sum() < _TOGETHER * what.on.sum():
        return nothing
    width = max(1, 2 * round(_OFF_S * what.mapped.sample_rate / what.mapped.hop / 2) + 1)
    better = running_median(np.where(off, _evidence(what, at) - _evidence(what, path), -1.0), width) > _BETTER
    return np.asarray(better & off)


def _evidence(what: Heard, path: FloatArray) -> FloatArray:
    """Return the evidence of the orders looked for along a path [Hz], per frame; less that at random places by it."""
    chosen = [o for o in what.target.orders if o.likely >= _LIKELY]
    total = np.zeros(path.size)
    for o in chosen:
        step = np.round(np.log(o.order * path / what.mapped.lowest_hz) / STEP).astype(int)
        inside = (step > 0) & (step < what.mapped.decibels.shape[1] - 1)
        safe = np.clip(step, 1, what.mapped.decibels.shape[1] - 2)
        near = what.mapped.decibels[np.arange(path.size)[:, None], safe[:, None] + np.arange(-1, 2)].max(axis=1)
        total += np.where(inside, evidence(near, o.likely, IN_FRAME), 0.0)
    return total


def constant(what: Heard, hz: float) -> Track:
    """Return the track of a speed that does not change, known where the tool runs."""
    return Track(what.mapped.time_s, np.where(what.on, hz, np.nan))


def _scale(mapped: LineMap, path: FloatArray, target: Target, low: float, high: float, on: NDArray[np.bool_]) -> float:
    """Return the factor by which a path comes to lie where most of the orders fit the mean line map along it."""
    middle = float(np.median(path[on]))
    mean, first = mean_along(mapped, path, on)
    found = scales(mean, first, target.orders, max(target.low_hz, low) / middle, high / middle)
    return max(found, key=lambda c: c.score - target.unusual(c.factor * middle)).factor if found else 1.0


def _fine(what: Heard, path: FloatArray, along: FloatArray) -> Track:
    """Return the track read along a path, whose evidence in each frame is `along`."""
    time_s, read, rough = refined(what.samples, what.mapped, path, what.target.orders, what.on)
    running = np.interp(time_s, what.mapped.time_s, what.on.astype(float)) > 0.99
    return Track(time_s, smoothed(_cleaned(read, rough, running, np.interp(time_s, what.mapped.time_s, along))))


def _with_starts_and_stops(on: NDArray[np.bool_], along: FloatArray, frame_s: float) -> NDArray[np.bool_]:
    """Return the frames with the trigger on and those before and after through which the path can still be followed.

    While it speeds up or coasts down a tool is quieter than its running level says, but its lines are there. That
    takes seconds; lines that go on for longer are another tool's, running nearby.
    """
    reach = max(1, round(_COASTS_S / frame_s))
    followed = (along > _FOLLOWED) & _near(on, reach)
    extended = on.copy()
    for step in (range(1, on.size), range(on.size - 2, -1, -1)):
        for i in step:
            back = i - step.step
            if followed[i] and extended[back]:
                extended[i] = True
    return extended


def _cleaned(hz: FloatArray, rough: FloatArray, on: NDArray[np.bool_], along: FloatArray) -> FloatArray:
    """Return the refined track without readings that left the path, and with it where only the coarse path holds.

    Where no line is clear enough to be read the path stands in, also over gaps of a few frames between which it is
    carried; next to readings by as much off as they are, for the path is off by the same from frame to frame. A longer
    stretch without evidence is unknown.
    """
    wild = np.isfinite(hz) & (np.abs(hz / rough - 1.0) > _WILD)
    hz = np.where(wild, np.nan, hz)
    read = np.isfinite(hz)
    supported = read | (along > _SUPPORT)
    off = np.zeros(hz.size)
    if read.any():
        bridged = _near(read, _BRIDGED_FRAMES)
        frame = np.arange(hz.size)
        off = np.where(bridged, np.interp(frame, frame[read], np.log(hz[read] / rough[read])), 0.0)
    hz = np.where(~read & _near(supported, _GAP_FRAMES), rough * np.exp(off), hz)
    return np.where(on, hz, np.nan)


def _near(flags: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return which frames have a flag within `reach` frames."""
    return np.convolve(flags, np.ones(2 * reach + 1))[reach : reach + flags.size] > 0
