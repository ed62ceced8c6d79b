"""Array types and the few helpers that every part of the simulation uses."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.fft_length import fast_length_from

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Vector = tuple[float, float, float]

TAU = 2.0 * math.pi


@dataclass(frozen=True)
class Grid:
    """Samples in time: `n_out` recorded at `rate` [Hz], computed `factor` times as densely.

    The computed signal has n samples, of which `lead` come before the recording starts.
    """

    rate: float
    factor: int
    lead: int
    n_out: int
    n: int

    @property
    def inner(self) -> float:
        """The rate of computation [Hz]."""
        return self.factor * self.rate

    @property
    def end(self) -> int:
        """The computed sample after the last recorded one."""
        return self.lead + self.n_out * self.factor

    @property
    def recorded(self) -> slice:
        """The computed samples that an ideal recorder keeps."""
        return slice(self.lead, self.end, self.factor)


def frequencies(n: int, rate: float) -> FloatArray:
    """Return the frequencies [Hz] of the rfft of n samples."""
    return np.asarray(np.fft.rfftfreq(n, 1.0 / rate), dtype=np.float64)


def good_length(n: int) -> int:
    """Return the next length with small prime factors, for the transforms; what noise a seed gives hangs on it."""
    return fast_length_from(n, (1, 3, 5, 9, 15, 25, 27, 45, 75))
