"""The gate: mean squares of a level track over the parts of its steps that have one state."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vibekit.handarm.levels import STEP_ENERGIES
from vibekit.handarm.onepass import LevelTrack
from vibekit.handarm.weighting import SETTLING_S, STEPS_PER_FRAME
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray
from vibekit.recording.states import TimeStructure, time_structure
from vibekit.recording.steps import StepEnergies
from vibekit.recording.timing import Timing

_SILENCE = 1e-12  # m²/s⁴
_MOSTLY = 0.5  # of a frame: its peak, and its place in a plot, are those of the state


@dataclass(frozen=True)
class Gate:
    """Mean squares per axis over a state, settling left out [m²/s⁴]; frames mostly in it, and those of them used."""

    weighted: FloatArray
    band_limited: FloatArray
    on: BoolArray
    used: BoolArray

    @classmethod
    def of(cls, track: LevelTrack, time: FloatArray, energy: FloatArray, timing: Timing | None = None) -> Gate:
        """Return the gate for the share of each step's time and of its energy that belong to the state.

        A frame that lies in the state as a whole enters as it is; of others the share that their steps have.
        """
        settled, inside = settled_frames(track, timing), _per_frame(time, track)
        if not (inside[settled] > 0).any():
            settled[:] = True
        used = settled & (inside > 0)
        samples = max((track.counts * inside)[used].sum(), 1e-9)
        weighted = track.weighted * np.stack([_share(energy, axis, track) for axis in track.axis_steps])
        limited = track.band_limited * _share(energy, track.texture[0], track)
        on = inside >= max(min(_MOSTLY, float(inside.max())), 1e-9)
        return cls(weighted[:, used].sum(axis=1) / samples, limited[:, used].sum(axis=1) / samples, on, used & on)


def frames_in(track: LevelTrack, share: FloatArray) -> BoolArray:
    """Return the frames that lie mostly in a state, from the share that it has of each step."""
    return _per_frame(share, track) >= _MOSTLY


def settled_frames(track: LevelTrack, timing: Timing | None = None) -> BoolArray:
    """Return the frames that begin a settling time or more after the start, and after every gap."""
    start = np.arange(track.counts.size) * track.frame_s
    settled = start >= SETTLING_S
    for at, length in gaps_of(timing):
        settled &= (start + track.frame_s <= at) | (start >= at + length + SETTLING_S)
    return settled


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
    return np.asarray(np.einsum("ij->i", padded.reshape(-1, STEPS_PER_FRAME)))


def _step_samples(track: LevelTrack) -> FloatArray:
    """Return the samples of each step: all alike, but for the last."""
    samples = np.full(track.steps.size, float(track.step))
    samples[-1] = track.n_samples - track.step * (track.steps.size - 1)
    return samples


def time_in(track: LevelTrack, share: FloatArray) -> float:
    """Return the time that shares of the steps make [s]."""
    return float((share * _step_samples(track)).sum()) / track.sample_rate


def trigger_on_s(track: LevelTrack, times: TimeStructure) -> float:
    """Return the time with the trigger on [s], as far as it is known."""
    return time_in(track, times.on * times.known)


def settled_on_s(track: LevelTrack, times: TimeStructure, timing: Timing | None) -> float:
    """Return the time [s] with the trigger on that no gap cuts and in which the filters have settled after each."""
    inside = track.counts * _per_frame(times.on * times.known, track)
    return float(inside[settled_frames(track, timing)].sum()) / track.sample_rate


def slow_share(track: LevelTrack, times: TimeStructure) -> float:
    """Return the share of the weighted energy with the trigger on that lies below some 30 Hz."""
    inside, slow = times.energy * times.known, track.texture[STEP_ENERGIES.index("slow")]
    return float((slow * inside).sum() / max(float((track.steps * inside).sum()), _SILENCE))


def structure_of(track: LevelTrack, timing: Timing | None = None) -> TimeStructure:
    """Return what the tool does when, from the short steps of a level track; time in gaps is unknown."""
    known = _known_shares(track, timing)
    weighted, slow, flat, steep = (row / track.step for row in (track.steps, *track.texture[1:].astype(np.float64)))
    for row in (flat, steep):
        np.maximum(row, _SILENCE, out=row)
        row[-1] = row[max(row.size - 2, 0)]  # the last step may be short, and what follows it is not signal
    whole = known == 1.0
    if not whole.all() and whole.any():  # a gap goes on as what came before it
        last = np.maximum.accumulate(np.where(whole, np.arange(known.size), int(np.argmax(whole))))
        weighted, slow, flat, steep = (np.maximum(row, 0.0)[last] for row in (weighted, slow, flat, steep))
    found = time_structure(StepEnergies(track.step / track.sample_rate, weighted, slow, flat, steep))
    return replace(found, known=known)


def _known_shares(track: LevelTrack, timing: Timing | None) -> FloatArray:
    """Return the share of each step that lies in no gap."""
    step_s = track.step / track.sample_rate
    edges = np.arange(track.steps.size + 1) * step_s
    edges[-1] = track.n_samples / track.sample_rate
    lost = np.zeros(track.steps.size)
    for at, length in gaps_of(timing):
        lost += np.clip(np.minimum(edges[1:], at + length) - np.maximum(edges[:-1], at), 0.0, None)
    shares = np.clip(1.0 - lost / np.diff(edges), 0.0, 1.0)
    return np.where(shares > 1.0 - 1e-6, 1.0, np.where(shares < 1e-6, 0.0, shares))


def gaps_of(timing: Timing | None) -> tuple[tuple[float, float], ...]:
    """Return start and length [s] of the stretches whose samples are lost."""
    return timing.gaps or () if timing is not None else ()
