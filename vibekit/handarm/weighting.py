"""Wh: the analogue definition, and exact filtering of sampled signals by overlap-save.

The sampled filter is the analogue response itself, taken at the bins of a long FFT. Its impulse response has died away
(below 1e-12) within `HISTORY_S`, so filtering blocks that carry that much history is linear filtering without
wrap-around: right at every sample rate, the same however the recording is cut, and without a design step that could go
stale. (What a sampled signal cannot have, the response at exactly half the rate, rings for a few samples where two
blocks meet: at most |Wh(rate/2)|/π of the content there, 80 dB down at 6400 Hz.)
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibekit.errors import UsageError, VibekitError
from vibekit.recording.recording import FloatArray, Recording, SignalSource
from vibekit.standards import hand_arm_weighting as wh

ComplexArray = NDArray[np.complex128]

HISTORY_S = 1.0  # slowest pole pair: 6.31 Hz, Q 0.707: exp(-2π·6.31·0.707·1.0) = 7e-13; the bands need 1 s to fade
SETTLING_S = 0.3  # exp(-2π·6.31·0.707·0.3) = 2e-4: the start-up transient is over
FRAMES_PER_S = 8  # short-time levels
STEPS_PER_FRAME = 8  # where the running second may start
_BLOCK_S = 6.0  # signal per FFT, at least


def weighting_response(frequency_hz: ArrayLike) -> ComplexArray:
    """Return the complex response of Wh, band limiting included [-], shape of `frequency_hz` [Hz].

    Source: ISO 5349-1:2001 Annex A, eq. A.1 and A.2 (H = Hb·Hw), exact parameters.
    """
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    w3, w4 = 2 * np.pi * wh.F3_HZ, 2 * np.pi * wh.F4_HZ
    hw = (s + w3) * w4**2 / ((s**2 + w4 / wh.Q4 * s + w4**2) * w3)  # eq. A.2, K = 1
    return np.asarray(band_limiting_response(frequency_hz) * hw)


def band_limiting_response(frequency_hz: ArrayLike) -> ComplexArray:
    """Return the complex response of the band-limiting part of Wh [-]. Source: ISO 5349-1:2001 eq. A.1."""
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    w1, w2 = 2 * np.pi * wh.F1_HZ, 2 * np.pi * wh.F2_HZ
    return np.asarray(s**2 * w2**2 / ((s**2 + w1 / wh.Q1 * s + w1**2) * (s**2 + w2 / wh.Q2 * s + w2**2)))  # eq. A.1


def weighting_factor(frequency_hz: ArrayLike) -> FloatArray:
    """Return |Wh| [-] at any frequency [Hz], from the analogue definition; shape of `frequency_hz`.

    Raises:
        UsageError: a frequency is negative or not finite.

    Source: ISO 5349-1:2001 Annex A.
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(np.isfinite(frequency) & (frequency >= 0)):
        raise UsageError("frequencies must be finite and not negative")
    return np.abs(weighting_response(frequency)).astype(np.float64)


@dataclass(frozen=True)
class BlockPlan:
    """How a recording is cut for filtering: `hop` new samples after `history` old ones; whole frames per hop."""

    sample_rate: float
    frame: int
    history: int
    hop: int

    @property
    def size(self) -> int:
        """Samples per FFT."""
        return self.history + self.hop

    @property
    def bins_hz(self) -> FloatArray:
        """Frequencies of the FFT [Hz], shape (size // 2 + 1,)."""
        return np.arange(self.size // 2 + 1, dtype=np.float64) * (self.sample_rate / self.size)


@lru_cache(maxsize=8)
def plan_blocks(sample_rate: float) -> BlockPlan:
    """Return the block plan for a rate, its filter checked against the standard's tolerance band.

    Raises:
        VibekitError: the filter would leave the tolerance (a defect, never expected).
    """
    frame = STEPS_PER_FRAME * max(1, round(sample_rate / FRAMES_PER_S / STEPS_PER_FRAME))
    size = _fast_length(max(math.ceil(_BLOCK_S * sample_rate), frame + math.ceil(HISTORY_S * sample_rate)))
    hop = int((size - HISTORY_S * sample_rate) // frame) * frame
    plan = BlockPlan(sample_rate, frame, size - hop, hop)
    _verify(plan)
    return plan


def _fast_length(least: int) -> int:
    """Return the smallest of 2^n, 3·2^n and 5·2^n from `least` up: the lengths that FFTs like best."""
    return min(odd << max(3, (-(-least // odd) - 1).bit_length()) for odd in (1, 3, 5))


def _verify(plan: BlockPlan) -> None:
    """Compare the filter as it will act (impulse response cut to the history) with the analogue curve and tolerance."""
    impulse = np.fft.irfft(weighting_response(plan.bins_hz), plan.size)
    kept = np.concatenate([impulse[: plan.history], np.zeros(plan.hop)])
    kept[-plan.history // 8 :] = impulse[-plan.history // 8 :]  # the little that precedes time zero
    bands = np.arange(wh.FIRST_BAND, wh.LAST_BAND + 1)
    bands = bands[10 ** (bands / 10) < 0.45 * plan.sample_rate]
    bins = np.round(10 ** (bands / 10) * plan.size / plan.sample_rate).astype(int)
    ratio = np.abs(np.fft.rfft(kept)[bins]) / weighting_factor(plan.bins_hz[bins])
    over, under = np.where(np.isin(bands, wh.CORE_BANDS)[:, None], wh.TOLERANCE_CORE, wh.TOLERANCE_TRANSITION).T
    if not np.all((ratio <= 1 + over) & (ratio >= 1 - under)):
        raise VibekitError(f"weighting filter out of the tolerance of ISO 8041 at {plan.sample_rate:g} Hz")


def history_blocks(source: SignalSource, plan: BlockPlan) -> Iterator[tuple[FloatArray, int]]:
    """Yield buffers [m/s²], shape (n_axes, plan.size), each with the number of new samples in it.

    The new samples follow `plan.history` old ones; before the start stands the mean of the first buffer, so that an
    offset starts no transient; after the end stand zeros. A last buffer may hold no new sample (the history's turn).
    """
    buffer, filled = np.zeros((len(source.axes), plan.size)), 0
    first = True
    for block in source.blocks(plan.hop):
        fresh = block.acceleration
        while fresh.shape[1]:
            take = min(plan.hop - filled, fresh.shape[1])
            at = plan.history + filled
            buffer[:, at : at + take] = fresh[:, :take]
            fresh, filled = fresh[:, take:], filled + take
            if filled == plan.hop:
                buffer, first = _deliverable(buffer, plan, filled, first), False
                yield buffer, filled
                buffer, filled = _carried(buffer, plan), 0
    yield _deliverable(buffer, plan, filled, first), filled


def _deliverable(buffer: FloatArray, plan: BlockPlan, filled: int, first: bool) -> FloatArray:
    buffer[:, plan.history + filled :] = 0.0
    if first and filled:
        buffer[:, : plan.history] = buffer[:, plan.history : plan.history + filled].mean(axis=1, keepdims=True)
    return buffer


def _carried(buffer: FloatArray, plan: BlockPlan) -> FloatArray:
    """Return a new buffer whose history is the end of the last one."""
    following = np.empty_like(buffer)
    following[:, : plan.history] = buffer[:, plan.hop :]
    return following


def weight(recording: Recording) -> Recording:
    """Return the Wh-weighted time signal [m/s²], shape (n_axes, n_samples), same rate; phase as the analogue filter.

    Raises:
        UsageError: the recording is weighted already.

    Source: ISO 5349-1:2001 Annex A; overlap-save filtering with the analogue response.
    """
    if recording.weighted:
        raise UsageError(f"{recording.origin.file or 'recording'}: is weighted already; weighting twice is never right")
    plan = plan_blocks(recording.sample_rate)
    response = weighting_response(plan.bins_hz)
    parts = [
        np.fft.irfft(np.fft.rfft(buffer, axis=1) * response, plan.size, axis=1)[:, plan.history :][:, :count]
        for buffer, count in history_blocks(recording, plan)
    ]
    return replace(
        recording,
        samples=np.concatenate(parts, axis=1),
        origin=recording.origin.step("weighted with Wh of ISO 5349-1"),
        weighted=True,
    )
