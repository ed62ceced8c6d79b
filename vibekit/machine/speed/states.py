"""What the tool was doing, from its speed track: off, run-up, steady, loaded, coast-down."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import running_median

State = Literal["off", "run-up", "steady", "loaded", "coast-down"]

_AT_SPEED = 0.93  # of the speed reached: below it a start is still going on
_DROOP = 0.03  # a tool under load turns slower than unloaded by more than its idle speed wanders (no source)
MOST_DROOP = 0.5  # what is slower yet is a dial turned down, for load would stall it (common practice, no source)
_DIALLED = "turned down"  # steady too, at another speed
_SHORTEST_S = 0.4
_STILL_S = 0.6
_KEPT_S = 1.5  # a speed kept for longer than a start takes, whatever comes later: a dial
_SILENT_S = 0.6  # a track begins and ends half a frame within the recording, not more


@dataclass(frozen=True)
class Segment:
    """A stretch of one state; `hz` the median speed of the shaft followed, None while it stands or is unknown."""

    start_s: float
    stop_s: float
    state: State
    hz: float | None
    droop_pct: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the segment as document data."""
        return {
            "start_s": self.start_s,
            "end_s": self.stop_s,
            "state": self.state,
            "rpm": None if self.hz is None else 60.0 * self.hz,
            "droop_pct": self.droop_pct,
        }


def states(
    time_s: FloatArray, hz: FloatArray, duration_s: float, condition: str | None = None, certain: bool = True
) -> tuple[tuple[Segment, ...], float | None]:
    """Return the stretches of a speed track and the droop under load [%].

    Off: no speed. A start is what leads from rest to 93 % of the speed then held, or to a lower one kept for 1.5 s; a
    stop what leads from there to rest. Between them the tool is loaded where it turns 3 to 50 % slower than unloaded in
    the same recording (the speed that 5 % of the running time reaches or exceeds), or throughout where the sidecar says
    "loaded". Where it is not `certain` which line's speed this is, a track that takes one line for its neighbour looks
    like load: then no load is told from it, and no droop.
    """
    if time_s.size == 0:
        return (), None
    time_s, hz = _with_silent_ends(time_s, hz, duration_s)
    turning = np.isfinite(hz) & (hz > 0)
    labels = np.where(turning, "steady", "off").astype(object)
    smooth = running_median(np.where(turning, hz, 0.0), 5)
    step_s = float(np.median(np.diff(time_s))) if time_s.size > 1 else duration_s
    for first, last in _stretches(turning):
        _label_ends(labels[first : last + 1], smooth[first : last + 1], first > 0, last < hz.size - 1, step_s)
    steady = labels == "steady"
    unloaded = float(np.quantile(smooth[steady], 0.95)) if steady.any() else 0.0
    slow = smooth <= (1.0 - MOST_DROOP) * unloaded
    labels[steady & slow] = _DIALLED
    slower = (smooth < (1.0 - _DROOP) * unloaded) & ~slow & certain
    labels[steady & (slower | (condition == "loaded"))] = "loaded"
    segments = _merged(labels, time_s, hz, duration_s, None if condition == "loaded" else unloaded)
    drooped = [s.hz for s in segments if s.state == "loaded" and s.hz]
    droop = None
    if drooped and condition != "loaded" and unloaded > 0 and any(s.state == "steady" for s in segments):
        droop = 100.0 * (1.0 - float(np.median(smooth[labels == "loaded"])) / unloaded)
    return segments, droop


def _with_silent_ends(time_s: FloatArray, hz: FloatArray, duration_s: float) -> tuple[FloatArray, FloatArray]:
    """Return a track that begins late or ends early (no pulses yet, none any more) with rest put before and after."""
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else duration_s
    before = [time_s[0] - step] if time_s[0] > _SILENT_S else []
    after = [time_s[-1] + step] if duration_s - time_s[-1] > _SILENT_S else []
    padded = np.concatenate([[np.nan] * len(before), hz, [np.nan] * len(after)])
    return np.concatenate([before, time_s, after]), padded


def _stretches(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last index of each run of True."""
    padded = np.concatenate([[False], flags, [False]]).astype(int)
    edges = np.diff(padded)
    return list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1, strict=True))


def _label_ends(labels: NDArray[np.object_], smooth: FloatArray, starts: bool, stops: bool, step_s: float) -> None:
    """Mark the start and the stop of one running stretch; a recording that begins running has no start."""
    held = float(np.median(smooth[smooth >= 0.5 * smooth.max()]))
    early, late = _until_held(smooth, held, step_s), _until_held(smooth[::-1], held, step_s)
    if starts or smooth[0] < 0.7 * held:
        labels[:early] = "run-up"
    if stops or smooth[-1] < 0.7 * held:
        labels[labels.size - late :] = "coast-down"


def _until_held(smooth: FloatArray, held: float, step_s: float) -> int:
    """Return how many frames lead to the speed held: it is kept, or nearly reached and rises no further by 3 %."""
    ahead, kept = (max(1, round(seconds / step_s)) for seconds in (_STILL_S, _KEPT_S))
    early = int(np.argmax(smooth >= min(_AT_SPEED * held, smooth.max())))
    for i in range(min(early, smooth.size - kept)):
        if np.ptp(smooth[i : i + kept + 1]) < _DROOP * smooth[i]:
            return i
    while early < smooth.size - 1 and smooth[early] < (1.0 - _DROOP) * smooth[early : early + ahead + 1].max():
        early += 1
    return early


def _merged(
    labels: NDArray[np.object_], time_s: FloatArray, hz: FloatArray, duration_s: float, unloaded: float | None
) -> tuple[Segment, ...]:
    step = float(np.median(np.diff(time_s))) if time_s.size > 1 else duration_s
    shortest = max(1, round(_SHORTEST_S / step))
    starts = [0, *(i for i in range(1, labels.size) if labels[i] != labels[i - 1])]
    runs = [(a, b, labels[a]) for a, b in zip(starts, [*starts[1:], labels.size], strict=True)]
    kept: list[tuple[int, int, Any]] = []
    for a, b, state in runs:
        at_end = state == "off" and (a == 0 or b == labels.size)
        brief = b - a < shortest and not at_end and state not in ("run-up", "coast-down")
        if kept and (brief or kept[-1][2] == state):
            kept[-1] = (kept[-1][0], b, kept[-1][2])
        else:
            kept.append((a, b, state))
    segments = []
    for a, b, state in kept:
        start = 0.0 if a == 0 else float(time_s[a - 1] + time_s[a]) / 2.0
        stop = duration_s if b == labels.size else float(time_s[b - 1] + time_s[b]) / 2.0
        speeds = hz[a:b][np.isfinite(hz[a:b])]
        median = float(np.median(speeds)) if speeds.size and state != "off" else None
        droop = 100.0 * (1.0 - median / unloaded) if state == "loaded" and median and unloaded else None
        segments.append(Segment(start, stop, "steady" if state == _DIALLED else state, median, droop))
    return tuple(segments)
