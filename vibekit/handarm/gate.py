"""The gate: mean squares of a level track over the parts of its steps that have one state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.handarm.onepass import LevelTrack
from vibekit.handarm.weighting import SETTLING_S, STEPS_PER_FRAME
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray
from vibekit.recording.states import StepEnergies, TimeStructure, time_structure

_MOSTLY = 0.5  # of a frame: its peak, and its place in a plot, are those of the state


@dataclass(frozen=True)
class Gate:
    """Mean squares per axis over a state, settling left out [m²/s⁴]; frames mostly in it, and those of them used."""

    weighted: FloatArray
    band_limited: FloatArray
    on: BoolArray
    used: BoolArray

    @classmethod
    def of(cls, track: LevelTrack, time: FloatArray, energy: FloatArray) -> Gate:
        """Return the gate for the share of each step's time and of its energy that belong to the state.

        A frame that lies in the state as a whole enters as it is; of others the share that their steps have.
        """
        settled = np.arange(track.counts.size) * track.frame_s >= SETTLING_S
        inside = _per_frame(time, track)
        if not (inside[settled] > 0).any():
            settled[:] = True
        used = settled & (inside > 0)
        samples = (track.counts * inside)[used].sum()
        weighted = [
            (track.weighted[i] * _share(energy, track.axis_steps[i], track))[used].sum()
            for i in range(len(track.weighted))
        ]
        limited = track.band_limited * _share(energy, track.texture[0], track)
        on = inside >= min(_MOSTLY, inside.max())
        return cls(np.array(weighted) / samples, limited[:, used].sum(axis=1) / samples, on, used & on)


def _per_frame(values: FloatArray, track: LevelTrack) -> FloatArray:
    """Return the mean of a share per step over each frame, the last step as long as it is."""
    return _framed(values * _step_samples(track), track) / track.counts


def _share(energy: FloatArray, steps: FloatArray, track: LevelTrack) -> FloatArray:
    """Return the share of each frame's energy that the given shares of its steps' energies make; 1 where all are 1."""
    held = steps.astype(np.float64)
    whole = _framed(held, track)
    return np.divide(_framed(held * energy, track), whole, out=_per_frame(energy, track), where=whole > 0)


def _framed(steps: FloatArray, track: LevelTrack) -> FloatArray:
    padded = np.zeros(track.counts.size * STEPS_PER_FRAME)
    padded[: steps.size] = steps
    return np.asarray(padded.reshape(-1, STEPS_PER_FRAME).sum(axis=1))


def _step_samples(track: LevelTrack) -> FloatArray:
    """Return the samples of each step: all alike, but for the last."""
    samples = np.full(track.steps.size, float(track.step))
    samples[-1] = track.n_samples - track.step * (track.steps.size - 1)
    return samples


def trigger_on_s(track: LevelTrack, times: TimeStructure) -> float:
    """Return the time with the trigger on [s]."""
    return float((times.on * _step_samples(track)).sum()) / track.sample_rate


def structure_of(track: LevelTrack) -> TimeStructure:
    """Return what the tool does when, from the short steps of a level track."""
    slow, flat, steep = (row / track.step for row in track.texture[1:].astype(np.float64))
    if steep.size > 1:  # the last step may be short, and what follows it is not signal
        flat[-1], steep[-1] = flat[-2], steep[-2]
    return time_structure(StepEnergies(track.step / track.sample_rate, track.steps / track.step, slow, flat, steep))
