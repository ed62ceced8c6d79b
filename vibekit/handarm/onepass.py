"""One pass over a recording: short-time levels, peaks and one-third-octave energies, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from threading import local

import numpy as np
from numpy.typing import NDArray

from vibekit.handarm.bands import BandEnergies
from vibekit.handarm.levels import Filters, Levels, Workspace, levels, texture_scales
from vibekit.handarm.weighting import STEPS_PER_FRAME, BlockPlan, history_blocks, plan_blocks, rows_of
from vibekit.recording.pipeline import in_order
from vibekit.recording.recording import FloatArray, SignalSource


@dataclass(frozen=True)
class LevelTrack:
    """What one pass keeps; frames of `frame_s`, each of 8 steps, the last one possibly short.

    `counts` (n_frames,): samples in each frame. `weighted` and `band_limited` (n_axes, n_frames): sums of squares
    [m²/s⁴]. `peak` (n_axes, n_frames): largest absolute band-limited value [m/s²]. `steps` (n_steps,): sums of squares
    of the weighted total per step [m²/s⁴]. `axis_steps` (n_axes, n_steps), single precision: the same per axis.
    `texture` (4, n_steps), single precision: energies of all axes per step, of the names in `STEP_ENERGIES`:
    band-limited; slow, of the weighted signal below some 30 Hz; flat, as without the weighting above 16 Hz; steep, as
    flat with (f / 100 Hz)² on top, in which a hand's motion counts least [m²/s⁴].
    `bands` (n_blocks, n_axes, n_bands): unweighted energy per block of
    `block_frames` frames [m²/s⁴ · samples]; a block fades in over the last `fade_frames` frames of the one before.
    `band_counts` (n_frames,): samples of each frame that are in the bands, fewer at both ends.
    """

    sample_rate: float
    frame_s: float
    counts: FloatArray
    weighted: FloatArray
    band_limited: FloatArray
    peak: FloatArray
    steps: FloatArray
    axis_steps: NDArray[np.float32]
    texture: NDArray[np.float32]
    bands: FloatArray
    block_frames: int
    fade_frames: int
    band_counts: FloatArray

    @property
    def n_samples(self) -> int:
        """Samples per axis in the whole recording."""
        return int(self.counts.sum())

    @property
    def step(self) -> int:
        """Samples per step."""
        return round(self.frame_s * self.sample_rate / STEPS_PER_FRAME)

    @property
    def window(self) -> int:
        """Steps of the running second."""
        return max(1, round(self.sample_rate / self.step))

    @property
    def running(self) -> FloatArray:
        """Mean squares of the weighted total over 1 s [m²/s⁴]; entry k covers steps k to k + window - 1.

        The second moves on in steps of 1/64 s, so a burst as long as the second is read at most 0.4 % low.
        """
        whole = self.steps[: self.n_samples // self.step]
        sums = np.concatenate([[0.0], np.cumsum(whole)])
        return np.asarray((sums[self.window :] - sums[: -self.window]) / (self.window * self.step))


def measure(source: SignalSource, progress: Callable[[float], None] | None = None) -> LevelTrack:
    """Return the level track of a recording; one pass, memory bounded whatever the length.

    `progress` is called with the fraction done. Two threads share the work; the result does not depend on that.
    """
    plan = plan_blocks(source.sample_rate)
    bands, parts = BandEnergies(plan), list[tuple[NDArray[np.floating], ...]]()
    n = 0

    def thinned() -> Iterator[FloatArray]:
        nonlocal n
        for part, count in in_order(_analyser(plan), history_blocks(source, plan)):
            fine = (part.steps.astype(np.float32), part.texture.astype(np.float32))
            parts.append((part.weighted, part.band_limited, part.peak, part.steps.sum(axis=0, keepdims=True), *fine))
            n += count
            if progress and source.n_samples:
                progress(min(1.0, n / source.n_samples))
            yield part.thinned

    blocks = np.concatenate(list(in_order(bands.energies, bands.stretches(thinned(), len(source.axes)))))
    columns = (np.concatenate(values, axis=1) for values in zip(*parts, strict=True))
    weighted, limited, peak, steps, axis_steps, texture = columns
    counts = np.diff(np.append(np.arange(0, n, plan.frame), n)).astype(np.float64)
    return LevelTrack(
        plan.sample_rate,
        plan.frame / plan.sample_rate,
        counts,
        weighted,
        limited,
        peak,
        steps[0],
        axis_steps,
        texture * texture_scales(plan).astype(np.float32),
        blocks,
        bands.block_frames,
        bands.fade_frames,
        bands.counted(counts),
    )


def _analyser(plan: BlockPlan) -> Callable[[tuple[FloatArray, int]], tuple[Levels, int]]:
    """Return the work on one buffer of `history_blocks`: its levels, and how many samples they are of."""
    filters, memory = Filters(plan), local()

    def analyse(piece: tuple[FloatArray, int]) -> tuple[Levels, int]:
        if not hasattr(memory, "work"):
            memory.work = Workspace(plan)  # each thread keeps its arrays: fresh ones cost more than the arithmetic
        buffer, count = piece
        return levels(rows_of(buffer, plan, count), count, filters, memory.work), count

    return analyse
