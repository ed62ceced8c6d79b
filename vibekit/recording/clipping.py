"""Clipping, from the distribution of amplitudes: at a known ceiling, or flat tops below it; hard, soft, one-sided."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from vibekit.recording.measures import Histogram

AT_CEILING = 0.999  # of a known ceiling
_TOPS = (0.002, 0.01, 0.03, 0.06)  # of half the span: how thick a flat top may be
_PILED = 5.0  # times as many samples in the top layer as in the next: a sine has 2.41 = 1 / (sqrt(2) - 1)
_LEAST = 20  # samples in the top layer; a quarter of it in the thinnest one
_FULL = 0.05  # share of the amplitude levels that must occur for the distribution to say anything
_LEVELS = 200.0  # least span in steps of the resolution


_CELLS = 20  # between the middle and an end, of which ...
_FILLED = (
    0.75  # ... so many hold samples, unless a tone in step with the rate meets the same few values again and again
)


@dataclass(frozen=True)
class Clipping:
    """Clipped samples of one axis, where they stand [m/s²], and how they were found."""

    samples: int
    level_mps2: float | None = None
    how: str = "none"


def find_clipping(histogram: Histogram, low: float, high: float, lsb: float, ceiling: float | None) -> Clipping:
    """Return the clipping of one axis; `ceiling` [m/s²] is a known end of range.

    A chain that runs out of range stacks samples: all that would have gone beyond lie in a thin layer at the end.
    In a layer of thickness d at the top of an unclipped sine there are 1 / (sqrt(2) - 1) = 2.41 times the samples of
    the layer below it (its density goes with 1 / sqrt(1 - u²)), in any random or impulsive signal fewer than as many.
    A soft limit makes the layer thicker, not thinner, so several thicknesses are looked at; each side by itself.
    """
    total = int(histogram.counts.sum())
    if total == 0 or high <= low:
        return Clipping(0)
    if ceiling is not None and max(high, -low) <= 1.0001 * ceiling and max(high, -low) >= AT_CEILING * ceiling:
        at_end = AT_CEILING * ceiling
        count = histogram.between(at_end, np.inf) + histogram.between(-np.inf, -at_end)
        return Clipping(max(count, 1), ceiling, "at the end of the range")
    if not _tells(histogram, low, high, lsb, total):
        return Clipping(0)
    top = _piled(histogram, low, high, lsb, upper=True) if _filled(histogram, (low + high) / 2, high) else 0
    bottom = _piled(histogram, low, high, lsb, upper=False) if _filled(histogram, low, (low + high) / 2) else 0
    if top + bottom == 0:
        return Clipping(0)
    sides = "both sides" if top and bottom else "the upper side" if top else "the lower side"
    return Clipping(top + bottom, high if top >= bottom else low, f"flat tops on {sides}")


def _tells(histogram: Histogram, low: float, high: float, lsb: float, total: int) -> bool:
    """Tell whether enough different amplitudes occur; a tone in step with the rate or a coarse signal says nothing."""
    levels = min((high - low) / histogram.width, total / 4.0)
    if lsb > 0:
        steps = (high - low) / lsb
        if steps < _LEVELS:
            return False
        levels = min(levels, steps)
    return bool(np.count_nonzero(histogram.counts) >= _FULL * levels)


def all_levels_occur(histogram: Histogram, low: float, high: float) -> bool:
    """Tell whether a signal passes through all its amplitudes, as anything does but a tone in step with the rate."""
    middle = (low + high) / 2
    return high > low and _filled(histogram, low, middle) and _filled(histogram, middle, high)


def _filled(histogram: Histogram, low: float, high: float) -> bool:
    edges = np.linspace(low, high, _CELLS + 1)
    filled = [histogram.between(a, b) > 0 for a, b in pairwise(edges)]
    return sum(filled) >= _FILLED * _CELLS


def _piled(histogram: Histogram, low: float, high: float, lsb: float, upper: bool) -> int:
    """Return the samples in the thinnest piled-up layer at one end, 0 where there is none."""
    half = (high - low) / 2.0
    for share in _TOPS:
        thick = max(share * half, 2.0 * lsb, 3.0 * histogram.width)
        if upper:
            first, second = histogram.between(high - thick, np.inf), histogram.between(high - 2 * thick, high - thick)
        else:
            first, second = histogram.between(-np.inf, low + thick), histogram.between(low + thick, low + 2 * thick)
        if first >= (_LEAST if share > _TOPS[0] else _LEAST / 4) and first > _PILED * max(second, 1):
            return first
    return 0
