"""Lengths for transforms, against the search that SciPy does."""

from __future__ import annotations

from hypothesis import given, strategies as st
from scipy.fft import next_fast_len, prev_fast_len

from vibekit.recording.fft_length import SIMPLE, fast_length, fast_length_from


@given(st.integers(2, 3_000_000))
def test_small_factors_and_no_waste(size: int) -> None:
    below, above = fast_length(size), fast_length_from(size)
    assert below <= size <= above
    assert next_fast_len(below, real=True) == below  # both are lengths that SciPy calls fast: factors 2, 3 and 5 only
    assert next_fast_len(above, real=True) == above
    assert 0.94 * prev_fast_len(size, real=True) <= below
    assert above <= 1.07 * next_fast_len(size, real=True)


@given(st.integers(2, 3_000_000))
def test_simplest_factors(size: int) -> None:
    length = fast_length_from(size, SIMPLE)
    assert size <= length < 1.34 * size
    odd = length >> ((length & -length).bit_length() - 1)
    assert odd in SIMPLE
