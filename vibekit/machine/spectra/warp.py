"""A clock that runs with the tool: on it the lines of a turning shaft stand still while its speed changes.

A line of 4 kHz on a shaft that loses 30 % of its speed within a second sweeps through 120 Hz in a frame of 0.1 s, and
drowns. Where the speed is known roughly, samples taken at even steps of the shaft's own clock let it stand again, and
what is left to read is only how far the rough speed was off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import FloatArray

_KNOT_S = 0.0025  # between knots the clock runs evenly
_SLOWEST = 0.25  # of the median speed: below, the clock runs on at this rate, or all noise would fold
_CHUNK = 1 << 18


@dataclass(frozen=True)
class Warped:
    """Samples, shape (n_axes, n), at `sample_rate` of a clock on which the shaft always turns at `reference_hz`.

    `knots_s` and `clock_s` the same moments in seconds and on the clock; `hz` the speed that the clock went by.
    """

    samples: NDArray[np.float32]
    sample_rate: float
    reference_hz: float
    knots_s: FloatArray
    clock_s: FloatArray
    hz: FloatArray

    def time_s(self, at: FloatArray) -> FloatArray:
        """Return the time [s] of samples `at` (may lie between)."""
        return np.asarray(np.interp(at / self.sample_rate, self.clock_s, self.knots_s))

    def speed_hz(self, at: FloatArray) -> FloatArray:
        """Return the speed by which the clock ran at samples `at` [Hz]."""
        return np.asarray(np.interp(at / self.sample_rate, self.clock_s, self.hz))


def warped(samples: FloatArray, sample_rate: float, time_s: FloatArray, hz: FloatArray) -> Warped:
    """Return `samples`, shape (n_axes, n_samples), on the clock of a shaft with the track `time_s`, `hz` (no NaN).

    Between samples by straight line: the images that this leaves of a line at an eighth of the rate lie 34 dB lower,
    on other places, and levels are not read here. There are as many samples per turn as at the median speed.
    """
    n = samples.shape[-1]
    reference = float(np.median(hz))
    knots = np.arange(int(n / sample_rate / _KNOT_S) + 2, dtype=np.float64) * _KNOT_S
    speed: FloatArray = np.maximum(np.interp(knots, time_s, hz), _SLOWEST * reference)
    clock = np.zeros(knots.size)
    np.cumsum(0.5 * (speed[1:] + speed[:-1]) * (_KNOT_S / reference), out=clock[1:])
    count = int(np.interp((n - 2) / sample_rate, knots, clock) * sample_rate)
    result = np.empty((samples.shape[0], count), dtype=np.float32)
    for first in range(0, count, _CHUNK):
        part = np.arange(first, min(first + _CHUNK, count))
        position = np.interp(part / sample_rate, clock, knots) * sample_rate
        whole = position.astype(np.intp)
        share = position - whole
        for i, axis in enumerate(samples):
            low = axis[whole]
            result[i, part[0] : part[-1] + 1] = low + share * (axis[whole + 1] - low)
    return Warped(result, sample_rate, reference, knots, clock, speed)
