"""Parts of a recording: when the trigger is on, from the level track alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import FloatArray

BoolArray = NDArray[np.bool_]

FRAME_S = 0.125  # usual length of a level frame
_SMOOTH_S = 1.0  # events shorter than half of this (a tool put down hard) change no state
_SPAN_DB = 30.0  # levels further below the loudest are all alike: silence and handling are both "off"
_CONTRAST_DB = 12.0  # a running tool changes its level less than fourfold between no load and load (no source)
_CLEAR_DB = 26.0  # from twentyfold on a quiet part is off even if it is not quiet in itself (no source)
_QUIET_MPS2 = 1.0  # a tool at rest in the hand or on the bench (no source)


@dataclass(frozen=True)
class Trigger:
    """Which frames have the trigger on; without contrast the whole recording is one state and `on` is all True."""

    on: BoolArray
    single_state: bool
    contrast_db: float | None = None
    threshold_mps2: float | None = None


def trigger_on(levels: FloatArray, frame_s: float = FRAME_S) -> Trigger:
    """Return which frames have the tool running, from r.m.s. levels [m/s²] of frames of `frame_s` seconds.

    What switching does to the level: it rises by 20 dB and more within a second, stays up while the tool runs and
    falls as it coasts down; a bump is as loud but short; another tool nearby lifts the floor, not the top. So the
    levels (running median over 1 s) are split in two where the classes lie furthest apart in decibels (Otsu 1979).
    The split stands when the classes are 12 dB apart and the lower one is quiet in itself (below 1 m/s²), or 26 dB
    apart; otherwise it was one between no load and load, and the lower class is split again. Without any split that
    stands the recording is one state, running (or silent) throughout.
    """
    levels = np.asarray(levels, dtype=np.float64)
    return split(running_median(levels, max(1, 2 * round(_SMOOTH_S / frame_s / 2) + 1)))


def split(smooth: FloatArray) -> Trigger:
    """Return which levels [m/s²] have the tool running, from levels that are free of bumps: see `trigger_on`."""
    one_state = Trigger(np.ones(smooth.shape, dtype=bool), True)
    if smooth.size < 2 or smooth.max() <= 0:
        return one_state
    decibels = 20.0 * np.log10(np.maximum(smooth, 1e-12))
    decibels = np.maximum(decibels, decibels.max() - _SPAN_DB)
    considered = decibels
    while considered.size > 1 and np.ptp(considered) > 0:
        threshold = otsu(considered)
        on = decibels > threshold
        if not on.any():
            break
        contrast = middle(decibels[on]) - middle(decibels[~on])
        quiet = middle(smooth[~on]) < _QUIET_MPS2
        if contrast >= _CONTRAST_DB and (quiet or contrast >= _CLEAR_DB):
            return Trigger(on, False, contrast, float(10.0 ** (threshold / 20.0)))
        lower = decibels[~on]
        if lower.size == considered.size:
            break
        considered = lower
    return one_state


def middle(values: FloatArray) -> float:
    """Return the middle one of the sorted values; numpy's median loads masked arrays, a tenth of a start."""
    return float(np.sort(values)[values.size // 2])


def medians(values: FloatArray) -> FloatArray:
    """Return the median over the last axis, as numpy's; NaN where nothing is there."""
    n, ordered = values.shape[-1], np.sort(values, axis=-1)
    if n == 0:
        return np.full(values.shape[:-1], np.nan)
    return np.asarray((ordered[..., (n - 1) // 2] + ordered[..., n // 2]) / 2)


def running_median(values: FloatArray, width: int) -> FloatArray:
    """Return the median over `width` (odd) neighbours; the ends are held."""
    half = width // 2
    if half == 0 or values.size == 0:
        return values
    padded = np.pad(values, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    return np.asarray(np.partition(windows, half, axis=-1)[:, half])


def otsu(values: FloatArray) -> float:
    """Return the threshold of largest variance between the two classes (Otsu 1979, eq. 14)."""
    ordered = np.sort(values)
    below = np.arange(1, ordered.size)
    sums = np.cumsum(ordered)
    mean_low, mean_high = sums[:-1] / below, (sums[-1] - sums[:-1]) / (ordered.size - below)
    best = int(np.argmax(below * (ordered.size - below) * (mean_high - mean_low) ** 2))
    return float((ordered[best] + ordered[best + 1]) / 2.0)
