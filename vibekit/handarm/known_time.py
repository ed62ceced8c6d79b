"""Which frames of a level track hold signal throughout, in which the filters have settled, and how much is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.handarm.onepass import LevelTrack
from vibekit.recording.recording import FloatArray
from vibekit.recording.timing import Timing

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class KnownTime:
    """Per frame: `whole`, no gap touches it; `settled`, it starts a settling time after the start or a gap; seconds."""

    whole: BoolArray
    settled: BoolArray
    seconds: FloatArray

    def spread(self, on: BoolArray) -> BoolArray:
        """Return a state of the whole frames for all: those with a gap in them are on where a neighbour is."""
        full = np.zeros(self.whole.shape, dtype=bool)
        full[self.whole] = on
        at = np.flatnonzero(self.whole)
        if at.size in (0, full.size):
            return full
        cut = np.flatnonzero(~self.whole & (self.seconds > 0))
        after = np.searchsorted(at, cut)
        full[cut] = full[at[np.minimum(after, at.size - 1)]] | full[at[np.maximum(after - 1, 0)]]
        return full


def known_time(track: LevelTrack, timing: Timing | None, settling_s: float) -> KnownTime:
    """Return what a track's frames hold of a recording with gaps."""
    start = np.arange(track.counts.size) * track.frame_s
    whole, settled = np.ones(start.shape, dtype=bool), start >= settling_s
    seconds = track.counts / track.sample_rate
    for at, length in timing.gaps if timing and timing.gaps else ():
        first, end = max(0, math.floor(at / track.frame_s)), at + length
        last = math.ceil(end / track.frame_s)
        whole[first:last] = False
        settled[first : math.ceil((end + settling_s) / track.frame_s)] = False
        inside = np.minimum(start[first:last] + track.frame_s, end) - np.maximum(start[first:last], at)
        seconds[first:last] = np.maximum(seconds[first:last] - inside, 0.0)
    return KnownTime(whole, settled, np.where(seconds > 1e-6, seconds, 0.0))
