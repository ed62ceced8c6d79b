"""One-third-octave bands from FFT bins, base ten, as IEC 61260-1 defines the band edges."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from vibekit.handarm.weighting import BlockPlan, ComplexArray, weighting_response
from vibekit.recording.fft_length import SIMPLE, fast_length_from
from vibekit.recording.pipeline import overlapping
from vibekit.recording.recording import FloatArray
from vibekit.standards import hand_arm_weighting as wh

NOMINAL_HZ = tuple(nominal for nominal, _ in wh.PRINTED_FACTORS)
_FADE_S = 1.0  # over which neighbouring blocks fade into each other
_BLOCK_S = 6.0  # per transform, at least
_BLOCKS = 8  # transforms at once
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


def fade_in(length: int) -> FloatArray:
    """Return a rise from 0 to 1; its square and that of its mirror image sum to one.

    sin(π/2·sin²) keeps a strong line out of far bands: over 1 s it meets class 1 of IEC 61260-1 down to 6.3 Hz, a plain
    sine fade misses it by 14 dB. Source of the shape: Vorbis I specification, 4.3.1.
    """
    return np.asarray(np.sin(0.5 * np.pi * np.sin(0.5 * np.pi * (np.arange(length) + 0.5) / max(length, 1)) ** 2))


def crossfade(history: int, hop: int) -> FloatArray:
    """Return the window of a block, shape (history + hop,): neighbours overlap by `history`, squares sum to one.

    So every sample counts exactly once in the sum of the blocks' energies.
    """
    fade = fade_in(history)
    return np.concatenate([fade, np.ones(hop - history), fade[::-1]])


class BandEnergies:
    """One-third-octave energies of a recording from its thinned weighted signal, in blocks that fade into each other.

    Weighted, because that is the signal there is: the weighting is divided out again at the bins.
    """

    def __init__(self, plan: BlockPlan) -> None:
        frame, fade = plan.frame // plan.every, math.ceil(_FADE_S * plan.thinned_rate)
        self.size = fast_length_from(max(math.ceil(_BLOCK_S * plan.thinned_rate), frame + fade), SIMPLE)
        self.hop = (self.size - fade) // frame * frame
        self.fade = self.size - self.hop
        self.block_frames = self.hop // frame
        self.fade_frames = -(-self.fade // frame)
        self._frame, self._every = frame, plan.every
        self._window, self._sums = crossfade(self.fade, self.hop), _BandSums(plan, self.size)

    def stretches(self, thinned: Iterable[FloatArray], n_axes: int) -> Iterator[FloatArray]:
        """Yield stretches of whole blocks from consecutive parts of a signal [m/s²], each of shape (n_axes, n)."""
        return overlapping(self._ended(thinned, n_axes), n_axes, self.size, self.hop, _BLOCKS)

    def counted(self, counts: FloatArray) -> FloatArray:
        """Return how many of the samples of each frame count in the energies, those at both ends in part.

        Where a recording begins and ends it is cut off: that edge, and the settling of the filter, is in no band.
        """
        n = -(-int(counts.sum()) // self._every)
        fade = min(self.fade, n // 2)
        share, lost = fade_in(fade) ** 2, np.zeros(len(counts) * self._frame)
        lost[:fade] += 1.0 - share
        lost[n - fade : n] += 1.0 - share[::-1]
        return np.asarray(np.maximum(counts - self._every * lost.reshape(-1, self._frame).sum(axis=1), 0.0))

    def _tapered(self, thinned: Iterable[FloatArray]) -> Iterator[FloatArray]:
        """Yield a signal that fades in and out over the time that it takes two blocks to fade into each other."""
        held, begun, rise = None, False, fade_in(self.fade)
        for part in thinned:
            if not begun or part.shape[1] < self.fade:
                held = part if held is None else np.concatenate([held, part], axis=1)
                if held.shape[1] < 2 * self.fade and not begun:
                    continue
                if not begun:
                    held[:, : self.fade] *= rise
                    begun = True
                part, held = held, None
            if held is not None:
                yield held
            yield part[:, : -self.fade]
            held = part[:, -self.fade :].copy()
        if held is None:
            return
        if not begun:
            rise = fade_in(held.shape[1] // 2)
            held[:, : rise.size] *= rise
        held[:, held.shape[1] - rise.size :] *= rise[::-1]
        yield held

    def _ended(self, thinned: Iterable[FloatArray], n_axes: int) -> Iterator[FloatArray]:
        """Yield a signal that fades in from silence and out into it, to the end of a block past its fade."""
        length = self.fade
        yield np.zeros((n_axes, self.fade))
        for part in self._tapered(thinned):
            length += part.shape[1]
            yield part
        blocks = -(-length // self.hop)
        yield np.zeros((n_axes, (blocks - 1) * self.hop + self.size - length))

    def energies(self, stretch: FloatArray) -> FloatArray:
        """Return the energies [m²/s⁴ · samples of the recording], shape (n_blocks, n_axes, n_bands), of a stretch."""
        blocks = np.lib.stride_tricks.sliding_window_view(stretch, self.size, axis=1)[:, :: self.hop]
        windowed = np.empty(blocks.shape[1:])
        spectra = np.empty((len(windowed), self.size // 2 + 1), dtype=np.complex128)
        return np.stack(
            [self._sums(np.fft.rfft(np.multiply(axis, self._window, out=windowed), out=spectra)) for axis in blocks],
            axis=1,
        )


class _BandSums:
    """Unweighted energies per band from the bins of the weighted signal, by Parseval's theorem.

    What `band_matrix` says, with sums over stretches of bins in place of a product with a matrix of mostly zeros.
    """

    def __init__(self, plan: BlockPlan, size: int) -> None:
        self._bins, shares = band_matrix(plan.thinned_rate, size)
        response = np.abs(weighting_response(np.arange(self._bins.stop) * (plan.thinned_rate / size))) ** 2
        response[0] = 1.0  # no band reaches zero
        self._factors = np.repeat(2.0 / size * plan.every / response, 2)  # for real and imaginary part
        ends = [np.flatnonzero(share)[[0, -1]] for share in shares.T]
        self._ends: NDArray[np.intp] = np.array(ends, dtype=np.intp).reshape(-1, 2)
        self._missing = 1.0 - shares[self._ends, np.arange(len(ends))[:, None]]
        self._bounds: NDArray[np.intp] = 2 * (self._ends + np.array([0, 1])).reshape(-1)

    def __call__(self, spectra: ComplexArray) -> FloatArray:
        """Return the energies, shape (..., n_bands), of spectra of shape (..., n_bins), which are used up."""
        if not len(self._ends):
            return np.empty((*spectra.shape[:-1], 0))
        power = spectra[..., self._bins].view(np.float64)
        np.square(power, out=power)
        power *= self._factors
        whole = np.add.reduceat(power, self._bounds[:-1], axis=-1)[..., ::2]
        ends = power[..., 2 * self._ends] + power[..., 2 * self._ends + 1]
        return np.asarray(whole - (ends * self._missing).sum(axis=-1))
