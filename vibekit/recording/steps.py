"""Energies of short steps of a recording, and what is done with rows and masks of them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import BoolArray


@dataclass(frozen=True)
class StepEnergies:
    """Mean squares per step of `step_s` [m²/s⁴], shape (n_steps,): weighted total, its slow part, flat and steep.

    `flat` is unweighted, `steep` rises with the square of the frequency on top.
    """

    step_s: float
    weighted: FloatArray
    slow: FloatArray
    flat: FloatArray
    steep: FloatArray


def runs(on: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield first and one past last of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def without_short(on: BoolArray, least: int) -> BoolArray:
    """Return the mask with stretches of True shorter than `least` steps gone, then gaps as short closed."""
    kept = on.copy()
    for first, stop in runs(on):
        if stop - first < least:
            kept[first:stop] = False
    for first, stop in runs(~kept):
        if stop - first < least and first > 0 and stop < on.size:
            kept[first:stop] = True
    return kept


def running_mean(values: FloatArray, width: int) -> FloatArray:
    """Return the mean over `width` neighbours, fewer at the ends."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    at = np.arange(values.size)
    first, stop = np.maximum(at - width // 2, 0), np.minimum(at - width // 2 + width, values.size)
    return np.asarray((sums[stop] - sums[first]) / (stop - first))


def largest(values: FloatArray, before: int, after: int) -> FloatArray:
    """Return the largest of each value, `before` earlier and `after` later ones."""
    padded = np.pad(values, (before, after))
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, before + after + 1).max(axis=-1))
