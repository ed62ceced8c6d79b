"""One-third-octave bands from FFT bins, base ten, as IEC 61260-1 defines the band edges."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vibekit.handarm.weighting import BlockPlan, ComplexArray, fast_length, weighting_response
from vibekit.recording.recording import FloatArray
from vibekit.standards import hand_arm_weighting as wh

NOMINAL_HZ = tuple(nominal for nominal, _ in wh.PRINTED_FACTORS)
_FADE_S = 1.0  # over which neighbouring blocks fade into each other
_BLOCK_S = 6.0  # per transform, at least
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


class BandEnergies:
    """One-third-octave energies of a recording from its thinned weighted signal, block by block.

    Weighted, because that is the signal there is: the weighting is divided out again at the bins.
    """

    def __init__(self, plan: BlockPlan, n_axes: int) -> None:
        frame, fade = plan.frame // plan.every, math.ceil(_FADE_S * plan.thinned_rate)
        size = fast_length(max(math.ceil(_BLOCK_S * plan.thinned_rate), frame + fade))
        self._hop = (size - fade) // frame * frame
        self._fade = size - self._hop
        self.block_frames = self._hop // frame
        self.fade_frames = -(-self._fade // frame)
        self._window = crossfade(self._fade, self._hop)
        self._sums = _BandSums(plan, size)
        self._signal, self._work = np.zeros((n_axes, size)), np.empty((n_axes, size))
        self._spectrum = np.empty((n_axes, size // 2 + 1), dtype=np.complex128)
        self._filled = self._fade
        self._blocks: list[FloatArray] = []

    def add(self, thinned: FloatArray) -> None:
        """Take in what follows [m/s²], shape (n_axes, n)."""
        while thinned.shape[1]:
            take = min(self._signal.shape[1] - self._filled, thinned.shape[1])
            self._signal[:, self._filled : self._filled + take] = thinned[:, :take]
            thinned, self._filled = thinned[:, take:], self._filled + take
            if self._filled == self._signal.shape[1]:
                self._close()

    def finished(self) -> FloatArray:
        """Return the energies [m²/s⁴ · samples of the recording], shape (n_blocks, n_axes, n_bands).

        What stands in the fade at the end of the last block is counted out in one more.
        """
        more = self._filled > self._hop
        self._signal[:, self._filled :] = 0.0
        self._close()
        if more:
            self._signal[:, self._fade :] = 0.0
            self._close()
        return np.stack(self._blocks)

    def _close(self) -> None:
        np.multiply(self._signal, self._window, out=self._work)
        self._blocks.append(self._sums(np.fft.rfft(self._work, out=self._spectrum)))
        self._signal[:, : self._fade] = self._signal[:, self._hop :]
        self._filled = self._fade


class _BandSums:
    """Unweighted energies per band from the bins of the weighted signal, by Parseval's theorem.

    What `band_matrix` says, with sums over stretches of bins in place of a product with a matrix of mostly zeros.
    """

    def __init__(self, plan: BlockPlan, size: int) -> None:
        self._bins, shares = band_matrix(plan.thinned_rate, size)
        response = np.abs(weighting_response(np.arange(self._bins.stop) * (plan.thinned_rate / size))) ** 2
        response[0] = 1.0  # no band reaches zero
        self._factors = 2.0 / size * plan.every / response
        ends = [np.flatnonzero(share)[[0, -1]] for share in shares.T]
        self._ends: NDArray[np.intp] = np.array(ends, dtype=np.intp).reshape(-1, 2)
        self._missing = 1.0 - shares[self._ends, np.arange(len(ends))[:, None]]
        self._bounds: NDArray[np.intp] = (self._ends + np.array([0, 1])).reshape(-1)

    def __call__(self, spectrum: ComplexArray) -> FloatArray:
        """Return the energies, shape (n_axes, n_bands)."""
        bins = spectrum[:, self._bins]
        if not len(self._ends):
            return np.empty((len(bins), 0))
        power = (np.square(bins.real) + np.square(bins.imag)) * self._factors
        whole = np.add.reduceat(power, self._bounds[:-1], axis=1)[:, ::2]
        return np.asarray(whole - (power[:, self._ends] * self._missing).sum(axis=2))
