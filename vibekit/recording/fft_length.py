"""Lengths that fast Fourier transforms like: a power of two times a small odd number."""

from __future__ import annotations

from collections.abc import Sequence

SIMPLE = (1, 3, 5)  # what transforms like best
SMOOTH = tuple(sorted(three * five for three in (1, 3, 9, 27, 81) for five in (1, 5, 25, 125)))  # closer together


def fast_length_from(least: int, odd: Sequence[int] = SMOOTH) -> int:
    """Return the smallest length from `least` up that is one of the `odd` factors times a power of two."""
    return min(factor << (-(-max(least, 1) // factor) - 1).bit_length() for factor in odd)


def fast_length(most: int, odd: Sequence[int] = SMOOTH) -> int:
    """Return the largest length up to `most` that is one of the `odd` factors times a power of two, at least 2."""
    return max([2, *(factor << ((most // factor).bit_length() - 1) for factor in odd if factor <= most)])
