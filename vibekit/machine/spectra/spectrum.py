"""Spectra with their scaling, unit, resolution and window stated: amplitude, density, envelope, noise floor.

Amplitudes are r.m.s. values. A line read from an amplitude spectrum has its own r.m.s. value, whatever the resolution;
noise is read from a density. Numpy's transform only: importing scipy.signal costs more than a whole analysis.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.fft_length import fast_length as fast_length
from vibekit.recording.recording import FloatArray

ComplexArray = NDArray[np.complexfloating]
Window = Literal["hann", "flattop"]
Scaling = Literal["amplitude", "density"]

# Cosine sums: Hann; flat-top of ISO 18431-2 type with the coefficients of scipy.signal.windows.flattop
# (D'Antona & Ferrero, Digital Signal Processing for Measurement Systems, 2006, p. 70), largest amplitude error 0.1 %
_COSINE_TERMS: dict[str, tuple[float, ...]] = {
    "hann": (0.5, 0.5),
    "flattop": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}
_FLOOR_HZ = 200.0  # stretch over which local noise is taken: many lines' widths, and narrower than most resonances
_RUMBLE_HZ = 200.0  # below, half an octave is narrower
_FLOOR_BINS = 16  # of a median, at least
_BAND_REACH = 0.8  # of a band's width: what its flat part can be modulated with


@dataclass(frozen=True)
class Spectrum:
    """One spectrum per axis.

    `frequency` [`frequency_unit`], shape (n_bins,), evenly spaced; `values` [`unit`], shape (n_axes, n_bins), r.m.s.
    amplitudes or densities after `scaling`; `resolution` is the equivalent noise bandwidth of a bin [`frequency_unit`],
    `averages` the number of segments whose mean squares were averaged; `of` the shaft that orders are counted on;
    `band_hz` the band that an envelope was taken of.
    """

    frequency: FloatArray
    values: FloatArray
    scaling: Scaling
    unit: str
    window: str
    resolution: float
    averages: int
    frequency_unit: str = "Hz"
    of: str | None = None
    band_hz: tuple[float, float] | None = None

    @property
    def spacing(self) -> float:
        """Distance of the bins [`frequency_unit`]."""
        return float(self.frequency[1] - self.frequency[0])

    @property
    def bins_per_resolution(self) -> float:
        """Equivalent noise bandwidth of the window in bins: 1.5 for Hann, 3.77 for flat-top (Harris 1978, Table I)."""
        return self.resolution / self.spacing


def window_values(name: str, size: int) -> FloatArray:
    """Return a periodic (DFT-even) window, shape (size,)."""
    angle = 2.0 * np.pi * np.arange(size) / size
    return np.asarray(sum((-1.0) ** k * a * np.cos(k * angle) for k, a in enumerate(_COSINE_TERMS[name])))


def noise_bandwidth_bins(window: FloatArray) -> float:
    """Return the equivalent noise bandwidth in bins: N·Σw² / (Σw)² (Harris 1978, eq. 11)."""
    return float(window.size * np.sum(window**2) / np.sum(window) ** 2)


def frames(samples: FloatArray, size: int, hop: int) -> FloatArray:
    """Return overlapping stretches as a view, shape (n_axes, n_frames, size)."""
    return np.lib.stride_tricks.sliding_window_view(samples, size, axis=-1)[..., ::hop, :]


def segment_spectra(samples: FloatArray, size: int, window: FloatArray, overlap: float = 0.5) -> Iterator[ComplexArray]:
    """Yield the transform of each windowed segment (mean removed), shape (n_axes, size // 2 + 1), few at a time."""
    hop = max(1, round(size * (1.0 - overlap)))
    for start in range(0, samples.shape[-1] - size + 1, hop):
        part = samples[..., start : start + size]
        yield np.fft.rfft((part - part.mean(axis=-1, keepdims=True)) * window, axis=-1)


def mean_square_spectrum(
    samples: FloatArray, size: int, window: FloatArray, overlap: float = 0.5
) -> tuple[FloatArray, int]:
    """Return the mean of |X|² over segments, shape (n_axes, n_bins), and their number (Welch 1967)."""
    total, count = np.zeros((samples.shape[0], size // 2 + 1)), 0
    for spectrum in segment_spectra(samples, size, window, overlap):
        total += spectrum.real**2 + spectrum.imag**2
        count += 1
    return total / max(count, 1), count


def amplitude_spectrum(
    samples: FloatArray,
    sample_rate: float,
    resolution: float | None = None,
    window: Window = "hann",
    unit: str = "m/s²",
    frequency_unit: str = "Hz",
) -> Spectrum:
    """Return the r.m.s. amplitude spectrum of `samples` [unit], shape (n_axes, n_samples), by averaged segments.

    `resolution` is the wanted equivalent noise bandwidth of a bin (default: 1/16 of the recording's length as segment,
    at most 2 s). Hann separates lines; flat-top reads a level within 0.1 % wherever the line falls between bins.
    A line's r.m.s. is √2·|X| / Σw; the bin at zero holds nothing (the mean is removed).
    """
    samples = np.atleast_2d(samples)
    size = segment_size(samples.shape[-1], sample_rate, resolution, window)
    power, count = mean_square_spectrum(samples, size, window_values(window, size))
    return scaled(power, count, size, sample_rate, window, unit, frequency_unit)


def as_density(spectrum: Spectrum) -> Spectrum:
    """Return the power spectral density [(m/s²)²/Hz] of an amplitude spectrum over Hz: its square over the bandwidth.

    2·|X|² / (fs·Σw²), as (Σw)² cancels; its integral over frequency is the mean square (Parseval).
    """
    values = np.square(spectrum.values) / spectrum.resolution
    return replace(spectrum, values=values, scaling="density", unit="(m/s²)²/Hz")


def scaled(
    power: FloatArray,
    averages: int,
    size: int,
    sample_rate: float,
    window: Window,
    unit: str = "m/s²",
    frequency_unit: str = "Hz",
) -> Spectrum:
    """Return the amplitude spectrum of a mean of |X|² over windowed segments of `size` samples.

    `power` shape (n_axes, size // 2 + 1).
    """
    w = window_values(window, size)
    one_sided = np.full(power.shape[-1], 2.0)
    one_sided[0] = 1.0
    if size % 2 == 0:
        one_sided[-1] = 1.0
    return Spectrum(
        np.arange(power.shape[-1], dtype=np.float64) * (sample_rate / size),
        np.asarray(np.sqrt(one_sided * power) / w.sum()),
        "amplitude",
        unit,
        window,
        noise_bandwidth_bins(w) * sample_rate / size,
        averages,
        frequency_unit,
    )


def segment_size(n_samples: int, sample_rate: float, resolution: float | None, window: str) -> int:
    """Return the segment length [samples] that gives `resolution`, cut to the recording, of a fast length."""
    if resolution is None:
        wanted = min(2.0 * sample_rate, max(n_samples / 8.0, 0.5 * sample_rate))
    else:
        wanted = noise_bandwidth_bins(window_values(window, 512)) * sample_rate / resolution
    return fast_length(int(min(wanted, n_samples)))


def line_level(spectrum: Spectrum, index: int) -> FloatArray:
    """Return the r.m.s. value [unit] of the line whose peak is bin `index`, shape (n_axes,), between bins within 1 %.

    The power of a line spreads over the window's main lobe; the sum over the lobe divided by the noise bandwidth in
    bins is its mean square, wherever it falls (Parseval). Lobe: ±2 bins for Hann, ±5 for flat-top. Where a neighbour
    stands closer than two lobes the sum would take it in: the peak bin with its scalloping corrected would be better;
    `lines` marks such lines as not separable.
    """
    half = 2 if spectrum.window == "hann" else 5
    low, high = max(0, index - half), min(spectrum.values.shape[-1], index + half + 1)
    power = spectrum.values[:, low:high] ** 2
    return np.asarray(np.sqrt(power.sum(axis=-1) / spectrum.bins_per_resolution))


def noise_floor(values: FloatArray, width: int = 64) -> FloatArray:
    """Return the local noise floor of amplitudes or densities, same shape: median over about `width` bins.

    Lines are narrow and few, so that the median of a stretch much wider than a line is noise. Medians of stretches
    that overlap by half are joined by straight lines.
    """
    n = values.shape[-1]
    width = min(width, n)
    hop = max(1, width // 2)
    stretches = np.lib.stride_tricks.sliding_window_view(values, width, axis=-1)[..., ::hop, :]
    medians = np.median(stretches, axis=-1)
    centres = np.arange(medians.shape[-1]) * hop + (width - 1) / 2.0
    flat = medians.reshape(-1, medians.shape[-1])
    joined = np.stack([np.interp(np.arange(n), centres, row) for row in flat])
    return np.maximum(joined.reshape(values.shape), np.finfo(np.float64).tiny)


def local_floor(power: FloatArray, spacing_hz: float) -> FloatArray:
    """Return the local noise of power, same shape: its median over 40 Hz, below 80 Hz over half an octave.

    Rumble falls steeply below some tens of Hz; a median over more than half an octave would call all of it lines.
    """
    floor = noise_floor(power, max(_FLOOR_BINS, round(_FLOOR_HZ / spacing_hz)))
    split = min(round(_RUMBLE_HZ / spacing_hz), power.shape[-1])
    centres = [2.0]
    while centres[-1] < split:
        centres.append(max(1.15 * centres[-1], centres[-1] + _FLOOR_BINS / 4))
    if len(centres) < 4:
        return floor
    half = _FLOOR_BINS // 2
    spans = [(max(1, min(int(c / 1.33), int(c) - half)), max(int(1.33 * c), int(c) + half)) for c in centres]
    medians = np.log(np.maximum([np.median(power[..., a : b + 1], axis=-1) for a, b in spans], 1e-300))
    bins = np.arange(split)
    low = np.exp([np.interp(bins, centres, row) for row in medians.reshape(len(centres), -1).T])
    share = np.square(bins / split)
    floor[..., :split] = low.reshape(*power.shape[:-1], split) * (1.0 - share) + floor[..., :split] * share
    return floor


def analytic_band(
    samples: FloatArray, sample_rate: float, band_hz: tuple[float, float], unfolded: bool = False
) -> tuple[FloatArray, float]:
    """Return the squared envelope of a band and its sample rate [Hz], by slicing one transform.

    `samples` shape (n_axes, n_samples). The slice of the one-sided transform between the band's ends, shifted to zero,
    is the band's analytic signal at the slice's own, lower rate; edges are rounded off by a tenth of the band each.
    The squared envelope rather than its root: its spectrum has the modulation and its harmonics without the root's
    mixing products (Randall & Antoni 2011, from memory).
    """
    samples = np.atleast_2d(samples)
    n = fast_length(samples.shape[-1])
    whole = np.fft.rfft(samples[:, :n] - samples[:, :n].mean(axis=-1, keepdims=True), axis=-1)
    return band_envelope(whole, n, sample_rate, band_hz, unfolded)


def band_envelope(
    transform: ComplexArray, n_samples: int, sample_rate: float, band_hz: tuple[float, float], unfolded: bool = False
) -> tuple[FloatArray, float]:
    """Return the squared envelope [unit²] of a band and its rate [Hz] from a one-sided transform of `n_samples`.

    A square reaches up to the band's width, twice what samples at that rate carry: what lies above half of it folds
    down. `unfolded` takes twice the rate.
    """
    low = max(1, round(band_hz[0] * n_samples / sample_rate))
    count = fast_length(round((band_hz[1] - band_hz[0]) * n_samples / sample_rate))
    count = min(count, transform.shape[-1] - low)
    taper = np.ones(count)
    edge = max(1, count // 10)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)
    taper[:edge], taper[-edge:] = ramp, ramp[::-1]
    size = 2 * count if unfolded else count
    analytic = np.fft.ifft(transform[..., low : low + count] * taper, size, axis=-1) * (2.0 * size / n_samples)
    return analytic.real**2 + analytic.imag**2, size * sample_rate / n_samples


def envelope_spectrum(
    samples: FloatArray,
    sample_rate: float,
    band_hz: tuple[float, float],
    resolution: float | None = None,
    unfolded: bool = False,
) -> Spectrum:
    """Return the r.m.s. amplitude spectrum of the envelope of a band [m/s²].

    The squared envelope is divided by twice the mean envelope, so that values keep the unit of acceleration: a carrier
    of r.m.s. R modulated by the depth m (1 + m·cos) gives a line of r.m.s. m·R at the modulation rate, for any m up
    to 1 exactly. Arguments as `amplitude_spectrum`; `band_hz` low and high end [Hz]; `unfolded` as `band_envelope`.
    """
    squared, rate = analytic_band(samples, sample_rate, band_hz, unfolded)
    scale = 2.0 * np.maximum(np.sqrt(squared).mean(axis=-1, keepdims=True), np.finfo(np.float64).tiny)
    spectrum = amplitude_spectrum(squared / scale, rate, resolution)
    if unfolded:  # beyond, only the rounded edges of the band beat with each other
        spectrum = up_to(spectrum, _BAND_REACH * (band_hz[1] - band_hz[0]))
    return replace(spectrum, band_hz=band_hz)


def up_to(spectrum: Spectrum, highest: float) -> Spectrum:
    """Return a spectrum up to a frequency [`frequency_unit`], at least its first eight bins."""
    bins = min(spectrum.frequency.size, max(8, int(np.searchsorted(spectrum.frequency, highest))))
    return replace(spectrum, frequency=spectrum.frequency[:bins], values=spectrum.values[:, :bins])
