"""Where impacts ring: the band whose envelope is most impulsive, by spectral kurtosis.

A struck race or tooth rings the structure for a few milliseconds, over and over. In the band of that ringing the
signal comes in bursts: its envelope has a high fourth moment. Gaussian noise gives 0, a steady tone -1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.machine.spectra.spectrum import band_envelope, fast_length, noise_floor
from vibekit.recording.recording import FloatArray

_WIDTHS = (1, 2, 3, 4, 6, 8, 12, 16, 24)  # the band is divided into so many equal parts, as in a 1/3-binary tree
_BLOCKS = 6  # the median over parts of the recording: a single knock shows in one of them only
_FLOOR_BINS = 512  # of the whole recording's transform: a local floor of some 40 Hz
_LINES_AT_MOST = 3.0  # of the floor: noise alone passes it in 1 of 500 bins (Rayleigh, over its median)
_LOWEST_SHARE = 0.04  # of the sample rate: below, shaft and mesh lines stand rather than ringing


@dataclass(frozen=True)
class ImpactBand:
    """A band [Hz], its spectral kurtosis on the axis `axis` where it is largest, and what noise alone would reach."""

    band_hz: tuple[float, float]
    kurtosis: float
    axis: int
    by_chance: float

    @property
    def impulsive(self) -> bool:
        """Whether the band holds bursts beyond chance."""
        return self.kurtosis > self.by_chance


def spectral_kurtosis(squared_envelope: FloatArray) -> FloatArray:
    """Return <e⁴>/<e²>² - 2 over the last axis, of a squared envelope e² (Antoni, MSSP 20, 2006, from memory)."""
    mean = squared_envelope.mean(axis=-1)
    fourth = (squared_envelope**2).mean(axis=-1)
    return np.asarray(fourth / np.maximum(mean**2, np.finfo(np.float64).tiny) - 2.0)


def impact_band(
    samples: FloatArray,
    sample_rate: float,
    highest_hz: float | None = None,
    least_width_hz: float = 0.0,
    wider: bool = False,
) -> ImpactBand:
    """Return the band with the largest spectral kurtosis of `samples`, shape (n_axes, n_samples).

    One transform is cut into bands of several widths (Antoni 2007's grid, from memory); `highest_hz` bounds them to
    what the sensor carries; `least_width_hz` keeps a band wide enough for the modulation looked for, up to a quarter of
    the whole, or where it must be `wider`, up to all of it.
    """
    samples = np.atleast_2d(samples)
    n = fast_length(samples.shape[-1])
    transform = np.fft.rfft(samples[:, :n] - samples[:, :n].mean(axis=-1, keepdims=True), axis=-1)
    top = min(highest_hz or sample_rate / 2.0, 0.49 * sample_rate)
    bottom = min(_LOWEST_SHARE * sample_rate, 0.25 * top)
    best: ImpactBand | None = None
    fewest = 4 if not wider else max(1, min(4, int((top - bottom) / max(least_width_hz, 1.0))))
    for parts in (parts for parts in _WIDTHS if parts >= fewest):
        width = (top - bottom) / parts
        if width < least_width_hz and best is not None:
            break
        for i in range(parts):
            band = (bottom + i * width, bottom + (i + 1) * width)
            envelope, _ = band_envelope(transform, n, sample_rate, band)
            block = envelope.shape[-1] // _BLOCKS
            cut = envelope[:, : block * _BLOCKS].reshape(envelope.shape[0], _BLOCKS, block)
            kurtosis = np.median(spectral_kurtosis(cut), axis=1)
            axis = int(np.argmax(kurtosis))
            # Gaussian noise: standard deviation 2/√N of the kurtosis of N independent values (Antoni 2006)
            chance = 4.0 * 2.0 / np.sqrt(block)
            if best is None or kurtosis[axis] - chance > best.kurtosis - best.by_chance:
                best = ImpactBand(band, float(kurtosis[axis]), axis, float(chance))
    assert best is not None
    return best


def levelled(samples: FloatArray) -> FloatArray:
    """Return `samples`, shape (n_axes, n_samples), with its noise brought to one level and lines cut down to it.

    Every bin of the whole transform is divided by the local floor, so that each part of the band says as much about
    when things happen as it can: in noise of one level the squared envelope weighs each by its share of impacts over
    noise. Bins that stand out stay three times the floor, so that gears and fan do not outweigh the rest.
    """
    n = fast_length(samples.shape[-1])
    transform = np.fft.rfft(samples[..., :n], axis=-1)
    size = np.abs(transform)
    floor = noise_floor(size, _FLOOR_BINS)
    return np.asarray(np.fft.irfft(transform / np.maximum(floor, size / _LINES_AT_MOST), n, axis=-1))
