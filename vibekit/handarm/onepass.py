"""One pass over a recording: short-time levels, peaks and one-third-octave energies, in bounded memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from threading import local

import numpy as np
from numpy.typing import NDArray

from vibekit.handarm.bands import band_matrix, crossfade
from vibekit.handarm.weighting import (
    STEPS_PER_FRAME,
    BlockPlan,
    ComplexArray,
    band_limiting_response,
    history_blocks,
    plan_blocks,
    weighting_response,
)
from vibekit.recording.recording import FloatArray, SignalSource

RUNNING_S = 1  # integration time of the running r.m.s.
_WORKERS = 2


@dataclass(frozen=True)
class LevelTrack:
    """What one pass keeps; frames of `frame_s`, each of 8 steps, the last one possibly short.

    `counts` (n_frames,): samples in each frame. `weighted` and `band_limited` (n_axes, n_frames): sums of squares
    [m²/s⁴]. `peak` (n_axes, n_frames): largest absolute band-limited value [m/s²]. `steps` (n_steps,): sums of squares
    of the weighted total per step [m²/s⁴]. `bands` (n_blocks, n_axes, n_bands): unweighted energy per block of
    `block_frames` frames [m²/s⁴ · samples]; a block fades in over the last `fade_frames` frames of the one before.
    """

    sample_rate: float
    frame_s: float
    counts: FloatArray
    weighted: FloatArray
    band_limited: FloatArray
    peak: FloatArray
    steps: FloatArray
    bands: FloatArray
    block_frames: int
    fade_frames: int

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


@dataclass(frozen=True)
class _Block:
    """One block's part of the track."""

    counts: FloatArray
    weighted: FloatArray
    band_limited: FloatArray
    peak: FloatArray
    bands: FloatArray
    steps: FloatArray


def measure(source: SignalSource, progress: Callable[[float], None] | None = None) -> LevelTrack:
    """Return the level track of a recording; one pass, memory bounded whatever the length.

    `progress` is called with the fraction done. Two threads share the blocks; the result does not depend on that.
    """
    plan = plan_blocks(source.sample_rate)
    blocks = []
    for block in _in_order(_analyser(plan), history_blocks(source, plan)):
        blocks.append(block)
        if progress and source.n_samples:
            progress(min(1.0, len(blocks) * plan.hop / source.n_samples))
    return LevelTrack(
        plan.sample_rate,
        plan.frame / plan.sample_rate,
        np.concatenate([b.counts for b in blocks]),
        np.concatenate([b.weighted for b in blocks], axis=1),
        np.concatenate([b.band_limited for b in blocks], axis=1),
        np.concatenate([b.peak for b in blocks], axis=1),
        np.concatenate([b.steps for b in blocks]),
        np.stack([b.bands for b in blocks]),
        plan.hop // plan.frame,
        -(-plan.history // plan.frame),
    )


def _in_order(work: Callable[[FloatArray, int], _Block], buffers: Iterator[tuple[FloatArray, int]]) -> Iterator[_Block]:
    """Yield `work` of every buffer in order, a few in flight; numpy's FFT lets go of the interpreter lock."""
    with ThreadPoolExecutor(_WORKERS) as pool:
        waiting: deque[Future[_Block]] = deque()
        for buffer, count in buffers:
            waiting.append(pool.submit(work, buffer, count))
            if len(waiting) > _WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _analyser(plan: BlockPlan) -> Callable[[FloatArray, int], _Block]:
    """Return the work on one buffer: filter it both ways, square, sum per frame, band energies."""
    weighting, limiting = weighting_response(plan.bins_hz), band_limiting_response(plan.bins_hz)
    bands = _BandEnergy(plan)
    memory = local()  # each thread keeps its arrays: fresh ones of this size cost more than the arithmetic

    def analyse(buffer: FloatArray, count: int) -> _Block:
        if not hasattr(memory, "signal"):
            memory.signal, memory.spectrum = np.empty(plan.size), np.empty(plan.size // 2 + 1, dtype=np.complex128)
            memory.filtered = np.empty_like(memory.spectrum)
        signal, spectrum, filtered = memory.signal, memory.spectrum, memory.filtered
        new = signal[plan.history : plan.history + count]
        step, rows = plan.frame // STEPS_PER_FRAME, []
        for axis in buffer:
            np.fft.rfft(axis, out=spectrum)
            np.multiply(spectrum, limiting, out=filtered)
            np.fft.irfft(filtered, plan.size, out=signal)
            peaks = _frame_peaks(new, plan.frame)
            limited_sums = _frame_sums(np.square(new, out=new), plan.frame)
            np.multiply(spectrum, weighting, out=filtered)
            np.fft.irfft(filtered, plan.size, out=signal)
            steps = _frame_sums(np.square(new, out=new), step)
            weighted_sums = _frame_sums(steps, STEPS_PER_FRAME)
            rows.append((weighted_sums, limited_sums, peaks, bands(axis, signal, spectrum), steps))
        weighted, limited, peak, energy, steps = (np.stack(part) for part in zip(*rows, strict=True))
        return _Block(_frame_counts(count, plan.frame), weighted, limited, peak, energy, steps.sum(axis=0))

    return analyse


class _BandEnergy:
    """One-third-octave energies of one axis of a buffer, by Parseval's theorem [m²/s⁴ · samples]."""

    def __init__(self, plan: BlockPlan) -> None:
        self._window = crossfade(plan.history, plan.hop)
        self._bins, shares = band_matrix(plan.sample_rate, plan.size)
        self._shares = 2.0 / plan.size * shares  # one-sided

    def __call__(self, axis: FloatArray, signal: FloatArray, spectrum: ComplexArray) -> FloatArray:
        """Return the energies, shape (n_bands,); `signal` and `spectrum` are workspace."""
        np.subtract(axis, axis.mean(), out=signal)
        np.multiply(signal, self._window, out=signal)
        bins = np.fft.rfft(signal, out=spectrum)[self._bins]
        return np.asarray((np.square(bins.real) + np.square(bins.imag)) @ self._shares)


def _frame_starts(n: int, frame: int) -> NDArray[np.int64]:
    return np.arange(0, n, frame)


def _frame_counts(n: int, frame: int) -> FloatArray:
    """Return how many samples each frame holds."""
    return np.diff(np.append(_frame_starts(n, frame), n)).astype(np.float64)


def _frame_sums(values: FloatArray, frame: int) -> FloatArray:
    return np.add.reduceat(values, _frame_starts(values.size, frame)) if values.size else np.empty(0)


def _frame_peaks(values: FloatArray, frame: int) -> FloatArray:
    """Return the largest absolute value per frame."""
    if not values.size:
        return np.empty(0)
    starts = _frame_starts(values.size, frame)
    return np.maximum(np.maximum.reduceat(values, starts), -np.minimum.reduceat(values, starts))
