"""One-third-octave bands from FFT bins, base ten, as IEC 61260-1 defines the band edges."""

from __future__ import annotations

import numpy as np

from vibekit.recording.recording import FloatArray
from vibekit.standards import hand_arm_weighting as wh

NOMINAL_HZ = tuple(nominal for nominal, _ in wh.PRINTED_FACTORS)
_EDGE = 10**0.05  # half a band, IEC 61260-1:2014 eq. 6 and 7 with G = 10^0.3, b = 3


def band_numbers(sample_rate: float) -> FloatArray:
    """Return the band numbers n (midband 10^(n/10) Hz) from 6.3 to 1250 Hz whose upper edge lies below Nyquist."""
    numbers = np.arange(wh.FIRST_BAND, wh.LAST_BAND + 1)
    return np.asarray(numbers[10 ** (numbers / 10) * _EDGE <= sample_rate / 2])


def nominal_centres(sample_rate: float) -> tuple[float, ...]:
    """Return the nominal midbands that go with `band_numbers` [Hz]."""
    return NOMINAL_HZ[: len(band_numbers(sample_rate))]


def band_matrix(sample_rate: float, size: int) -> tuple[slice, FloatArray]:
    """Return the bins needed and the share of each in each band, shape (n_bins, n_bands).

    A bin stands for the interval of one resolution around it and is shared between bands where an edge cuts it.
    Applied to a one-sided power spectrum it gives the power per band.
    """
    resolution = sample_rate / size
    midband = 10 ** (band_numbers(sample_rate) / 10)
    last = int(np.ceil(midband[-1] * _EDGE / resolution)) + 1 if midband.size else 1
    bins = slice(0, min(last + 1, size // 2 + 1))
    centre = np.arange(bins.stop) * resolution
    low, high = centre - resolution / 2, centre + resolution / 2
    overlap = np.minimum(high[:, None], midband * _EDGE) - np.maximum(low[:, None], midband / _EDGE)
    return bins, np.clip(overlap / resolution, 0.0, 1.0)


def crossfade(history: int, hop: int) -> FloatArray:
    """Return the window of a block, shape (history + hop,): neighbours overlap by `history`, squares sum to one.

    So every sample counts exactly once in the sum of the blocks' energies. The fade sin(π/2·sin²) keeps a strong line
    out of far bands: over 1 s it meets class 1 of IEC 61260-1 down to 6.3 Hz, a plain sine fade misses it by 14 dB.
    Source of the shape: Vorbis I specification, 4.3.1.
    """
    fade = np.sin(0.5 * np.pi * np.sin(0.5 * np.pi * (np.arange(history) + 0.5) / history) ** 2)
    return np.concatenate([fade, np.ones(hop - history), fade[::-1]])
