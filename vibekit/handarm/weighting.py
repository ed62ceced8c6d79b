"""Wh: the analogue definition, and exact filtering of sampled signals by overlap-save.

The sampled filter is the analogue response itself, taken at the bins of a long FFT. Its impulse response has died away
(below 6e-6, 105 dB down) within `HISTORY_S`, so filtering blocks that carry that much history is linear filtering
without wrap-around: right at every sample rate, the same however the file is read, and without a design step that could
go stale. What a sampled signal cannot have, the response at exactly half the rate, rings for some samples before and
after a jump; the jump from a block's end to its start is kept away by `GUARD_S` of what follows.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibekit.errors import UsageError, VibekitError
from vibekit.recording.fft_length import SIMPLE, fast_length_from
from vibekit.recording.recording import FloatArray, Recording, SignalSource
from vibekit.standards import hand_arm_weighting as wh

ComplexArray = NDArray[np.complex128]

HISTORY_S = 0.43  # slowest pole pair: 6.31 Hz, Q 0.707: exp(-2π·6.31·0.707·0.43) = 5.8e-6
GUARD_S = 0.02  # three times as long as the sharpest edge in a response (160 Hz wide) rings
SETTLING_S = 0.3  # exp(-2π·6.31·0.707·0.3) = 2e-4: the start-up transient is over
FRAMES_PER_S = 8  # short-time levels
STEPS_PER_FRAME = 8  # where the running second may start
_BLOCK_S = (1.5, 3.0)  # signal per FFT: long beside the history, ...
_CACHED = (
    40_960  # ... but no more than this per phase where it can be: several rows still stay in the processor's cache
)
_ROWS = 8  # transforms at once: side by side they take 0.6 of the time, and threads wait for each other less often
_PHASES_FROM_HZ = 22_000.0  # of each phase: what folds onto 1250 Hz from there is 70 dB down in Wh
_THIN_FROM_HZ = 3_200.0  # after thinning: holds the 1250 Hz band (upper edge 1413 Hz) below 0.9 of half the rate


def weighting_response(frequency_hz: ArrayLike) -> ComplexArray:
    """Return the complex response of Wh, band limiting included [-], shape of `frequency_hz` [Hz].

    Source: ISO 5349-1:2001 Annex A, eq. A.1 and A.2 (H = Hb·Hw), exact parameters.
    """
    return np.asarray(band_limiting_response(frequency_hz) * slope_response(frequency_hz))


def slope_response(frequency_hz: ArrayLike) -> ComplexArray:
    """Return the complex response of Wh without its band limiting [-]. Source: ISO 5349-1:2001 eq. A.2, K = 1."""
    s = 2j * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    w3, w4 = 2 * np.pi * wh.F3_HZ, 2 * np.pi * wh.F4_HZ
    return np.asarray((s + w3) * w4**2 / ((s**2 + w4 / wh.Q4 * s + w4**2) * w3))


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
    """How a recording is cut for filtering: `hop` samples between `history` earlier and `guard` later ones.

    One `phases`th of the samples of the band-limited signal is enough for its level and peak, and of those one
    `thinning`th for the weighted signal; both are powers of two, 1 at low rates, and divide `step`. A hop is whole
    frames.
    """

    sample_rate: float
    step: int
    history: int
    hop: int
    guard: int
    phases: int
    thinning: int

    @property
    def frame(self) -> int:
        """Samples per frame."""
        return STEPS_PER_FRAME * self.step

    @property
    def size(self) -> int:
        """Samples per FFT."""
        return self.history + self.hop + self.guard

    @property
    def bins_hz(self) -> FloatArray:
        """Frequencies of the FFT [Hz], shape (size // 2 + 1,)."""
        return np.arange(self.size // 2 + 1, dtype=np.float64) * (self.sample_rate / self.size)

    @property
    def every(self) -> int:
        """Samples of the recording per sample of the thinned signal."""
        return self.phases * self.thinning

    @property
    def thinned_rate(self) -> float:
        """Samples per second of the thinned signal [Hz]."""
        return self.sample_rate / self.every

    @property
    def hops(self) -> int:
        """Hops per buffer."""
        return max(1, _ROWS // self.phases)

    @property
    def room(self) -> int:
        """Samples per buffer whose levels are taken."""
        return self.hops * self.hop


@lru_cache(maxsize=8)
def plan_blocks(sample_rate: float) -> BlockPlan:
    """Return the block plan for a rate, its filter checked against the standard's tolerance band.

    Raises:
        VibekitError: the filter would leave the tolerance (a defect, never expected).
    """
    phases = _halvings(sample_rate, _PHASES_FROM_HZ)
    thinning = _halvings(sample_rate / phases, _THIN_FROM_HZ)
    unit = phases * thinning
    step = unit * max(1, round(sample_rate / (FRAMES_PER_S * STEPS_PER_FRAME) / unit))
    frame, history, guard = (
        STEPS_PER_FRAME * step,
        math.ceil(HISTORY_S * sample_rate),
        unit * math.ceil(GUARD_S * sample_rate / unit),
    )
    shortest, wanted = (math.ceil(seconds * sample_rate) for seconds in _BLOCK_S)
    size = fast_length_from(max(shortest, min(wanted, _CACHED * phases), frame + history + guard), SIMPLE)
    hop = (size - history - guard) // frame * frame
    plan = BlockPlan(sample_rate, step, size - hop - guard, hop, guard, phases, thinning)
    _verify(plan)
    return plan


def _halvings(rate: float, least: float) -> int:
    """Return the largest power of two that leaves at least `least` of a rate, at least 1."""
    return 1 << max(0, math.floor(math.log2(rate / least)))


def _verify(plan: BlockPlan) -> None:
    """Compare the filter as it will act (impulse response cut to the history) with the analogue curve and tolerance."""
    impulse = np.fft.irfft(weighting_response(plan.bins_hz), plan.size)
    kept = np.concatenate([impulse[: plan.history], np.zeros(plan.hop), impulse[-plan.guard :]])
    bands = np.arange(wh.FIRST_BAND, wh.LAST_BAND + 1)
    bands = bands[10 ** (bands / 10) < 0.45 * plan.sample_rate]
    bins = np.round(10 ** (bands / 10) * plan.size / plan.sample_rate).astype(int)
    ratio = np.abs(np.fft.rfft(kept)[bins]) / weighting_factor(plan.bins_hz[bins])
    over, under = np.where(np.isin(bands, wh.CORE_BANDS)[:, None], wh.TOLERANCE_CORE, wh.TOLERANCE_TRANSITION).T
    if not np.all((ratio <= 1 + over) & (ratio >= 1 - under)):
        raise VibekitError(f"weighting filter out of the tolerance of ISO 8041 at {plan.sample_rate:g} Hz")


def history_blocks(source: SignalSource, plan: BlockPlan) -> Iterator[tuple[FloatArray, int]]:
    """Yield buffers [m/s²], shape (n_axes, history + room + guard), each with the number of samples it gives.

    The samples that a buffer gives follow `plan.history` earlier ones. Before the start and after the end stands the
    mean of the samples in the first and the last buffer, so that an offset starts no transient; right after the end
    their mirror image, so that a recording cut off in full motion does not ring before its end.
    """
    buffer, filled = np.zeros((len(source.axes), plan.history + plan.room + plan.guard)), 0
    first = True
    for block in source.blocks(plan.room):
        fresh = block.acceleration
        while fresh.shape[1]:
            take = min(plan.room + plan.guard - filled, fresh.shape[1])
            at = plan.history + filled
            buffer[:, at : at + take] = fresh[:, :take]
            fresh, filled = fresh[:, take:], filled + take
            if filled == plan.room + plan.guard:
                yield _deliverable(buffer, plan, filled, first), plan.room
                buffer, filled, first = _carried(buffer, plan), plan.guard, False
    while filled or first:
        count = min(filled, plan.room)
        yield _deliverable(buffer, plan, filled, first), count
        buffer, filled, first = _carried(buffer, plan), filled - count, False


def rows_of(buffer: FloatArray, plan: BlockPlan, count: int) -> FloatArray:
    """Return the stretches that hold the `count` samples of a buffer, shape (n_axes, n_rows, size); a view."""
    stretches = np.lib.stride_tricks.sliding_window_view(buffer, plan.size, axis=1)[:, :: plan.hop]
    return stretches[:, : max(1, -(-count // plan.hop))]


def _deliverable(buffer: FloatArray, plan: BlockPlan, filled: int, first: bool) -> FloatArray:
    new = buffer[:, plan.history : plan.history + filled]
    if first and filled:
        buffer[:, : plan.history] = new.mean(axis=1, keepdims=True)
    if 0 < filled < plan.room + plan.guard:
        end = plan.history + filled
        buffer[:, end:] = new.mean(axis=1, keepdims=True)
        mirrored = buffer[:, end - 1 - plan.guard : end - 1][:, ::-1]
        buffer[:, end : end + plan.guard] = mirrored[:, : buffer.shape[1] - end]
    return buffer


def _carried(buffer: FloatArray, plan: BlockPlan) -> FloatArray:
    """Return a new buffer that begins with the end of the last one."""
    following = np.empty_like(buffer)
    following[:, : plan.history + plan.guard] = buffer[:, plan.room :]
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
    parts = []
    for buffer, count in history_blocks(recording, plan):
        filtered = np.fft.irfft(np.fft.rfft(rows_of(buffer, plan, count)) * response, plan.size)
        parts.append(filtered[:, :, plan.history : plan.history + plan.hop].reshape(len(recording.axes), -1)[:, :count])
    return replace(
        recording,
        samples=np.concatenate(parts, axis=1),
        origin=recording.origin.step("weighted with Wh of ISO 5349-1"),
        weighted=True,
    )
