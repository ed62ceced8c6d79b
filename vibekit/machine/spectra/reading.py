"""Reading one line where it is expected: level, over the noise, found or not, and what cannot be told apart.

Everything here is a pure function of spectra and numbers; units follow the spectrum (Hz or orders).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

import numpy as np

from vibekit.machine.spectra.spectrum import Spectrum, as_density, line_level, noise_floor
from vibekit.recording.recording import FloatArray

_LEAST_DB = 5.0  # a bump lower than this over its surroundings is as likely the shape of a resonance (no source)
_CHANCE = 1e-3  # of calling noise a line in one reading
_FLOOR_LINES = 40.0  # the floor is a median over so many resolutions


@dataclass(frozen=True)
class FlooredSpectrum:
    """A spectrum with its local noise floor, `floor` of the shape of `spectrum.values`."""

    spectrum: Spectrum
    floor: FloatArray

    @property
    def over_floor_db(self) -> FloatArray:
        """Decibels over the floor, shape (n_axes, n_bins)."""
        tiny = np.finfo(np.float64).tiny
        factor = 20.0 if self.spectrum.scaling == "amplitude" else 10.0
        return np.asarray(factor * np.log10(np.maximum(self.spectrum.values, tiny) / self.floor))


@dataclass(frozen=True)
class LineReading:
    """What stands near an expected frequency.

    `frequency` of the peak, between bins [Hz or orders]; `amplitude` r.m.s. [unit], `over_floor_db`, shape (n_axes,);
    `axis` index of the axis on which it stands out most; `found` whether it stands over the noise by more than chance;
    `needed_db` what that takes. Out of the spectrum's band: `found` False, values NaN.
    """

    expected: float
    frequency: float
    amplitude: FloatArray
    over_floor_db: FloatArray
    axis: int
    found: bool
    needed_db: float

    @property
    def in_band(self) -> bool:
        """Whether the spectrum reaches this line at all."""
        return bool(np.isfinite(self.frequency))

    @property
    def best_db(self) -> float:
        """Decibels over the floor on the axis where it stands out most."""
        return float(self.over_floor_db[self.axis])


@dataclass(frozen=True)
class SidebandFamily:
    """Sidebands around a carrier: `lower` and `upper` readings, nearest first; `ratio` of their r.m.s. sum to it.

    `ratio` is taken on the carrier's clearest axis over the sidebands found; None where the carrier is not found.
    """

    carrier: LineReading
    lower: tuple[LineReading, ...]
    upper: tuple[LineReading, ...]
    ratio: float | None

    @property
    def found(self) -> int:
        """How many sidebands stand over the noise."""
        return sum(reading.found for reading in (*self.lower, *self.upper))


def with_floor(spectrum: Spectrum) -> FlooredSpectrum:
    """Return an amplitude spectrum with its local noise floor."""
    width = max(16, round(_FLOOR_LINES * spectrum.bins_per_resolution))
    return FlooredSpectrum(spectrum, noise_floor(spectrum.values, width))


def dense(floored: FlooredSpectrum) -> FlooredSpectrum:
    """Return an amplitude spectrum and its floor as densities [(m/s²)²/Hz]."""
    spectrum = floored.spectrum
    return FlooredSpectrum(as_density(spectrum), np.square(floored.floor) / spectrum.resolution)


def needed_db(averages: int, bins: int, chance: float = _CHANCE) -> float:
    """Return how far over the median the largest of `bins` noise bins comes with probability `chance` [dB].

    The mean of K segments' |X|² is a chi-square of 2K degrees of freedom; its quantile by Wilson & Hilferty (1931),
    the segments counted as if independent (Hann, half overlapped: 5 % fewer, Welch 1967).
    """
    k = max(1.0, averages / 1.056)
    t = sqrt(-2.0 * log(min(0.5, chance / max(bins, 1))))
    z = t - (2.30753 + 0.27061 * t) / (1.0 + 0.99229 * t + 0.04481 * t * t)  # Hastings, normal quantile to 3e-3
    high = (1.0 - 1.0 / (9.0 * k) + z / sqrt(9.0 * k)) ** 3
    median = (1.0 - 1.0 / (9.0 * k)) ** 3
    return max(_LEAST_DB, 10.0 * float(np.log10(high / median)))


def read_line(floored: FlooredSpectrum, expected: float, tolerance: float = 0.0) -> LineReading:
    """Return the strongest line within `tolerance` (share of `expected`) of a frequency, at least one resolution wide.

    `expected` in the spectrum's unit (Hz, or orders of its shaft). Slip of bearings goes into `tolerance`
    (`ExpectedLine.tolerance` has it).
    """
    spectrum = floored.spectrum
    spacing, count = spectrum.spacing, spectrum.values.shape[-1]
    reach = max(tolerance * expected, 0.5 * spectrum.resolution)
    first, last = round((expected - reach) / spacing), round((expected + reach) / spacing)
    if first < 2 or last > count - 3:
        nothing = np.full(spectrum.values.shape[0], np.nan)
        return LineReading(expected, float("nan"), nothing, nothing, 0, False, float("nan"))
    over = floored.over_floor_db[:, first - 1 : last + 2]
    inner = over[:, 1:-1]
    axis, offset = np.unravel_index(int(np.argmax(inner)), inner.shape)
    index = first + int(offset)
    peaked = inner[axis, offset] >= over[axis, offset] and inner[axis, offset] >= over[axis, offset + 2]
    needed = needed_db(spectrum.averages, inner.size)
    return LineReading(
        expected,
        between_bins(spectrum.values[axis], index) * spacing,
        line_level(spectrum, index),
        floored.over_floor_db[:, index],
        int(axis),
        bool(peaked and inner[axis, offset] >= needed),
        needed,
    )


def between_bins(values: FloatArray, index: int) -> float:
    """Return the fractional bin of a peak, by a parabola through the logarithms of three bins (exact for Gaussians)."""
    if not 0 < index < values.size - 1:
        return float(index)
    a, b, c = (log(max(float(values[index + d]), 1e-300)) for d in (-1, 0, 1))
    curve = a - 2.0 * b + c
    return index + (max(-0.5, min(0.5, 0.5 * (a - c) / curve)) if curve < 0 else 0.0)


def read_sidebands(
    floored: FlooredSpectrum, carrier: float, spacing: float, count: int = 3, tolerance: float = 0.0
) -> SidebandFamily:
    """Return the sidebands at `carrier` ± k·`spacing`, k = 1..count, around the carrier as it is found.

    Sidebands keep their distance to the carrier exactly, so that they are looked for around the carrier's own place,
    even where slip moved it off by up to `tolerance` (share of `carrier`).
    """
    centre = read_line(floored, carrier, tolerance)
    place = centre.frequency if centre.found else carrier
    lower = tuple(read_line(floored, place - k * spacing) for k in range(1, count + 1))
    upper = tuple(read_line(floored, place + k * spacing) for k in range(1, count + 1))
    ratio = None
    if centre.found:
        squares = [r.amplitude[centre.axis] ** 2 for r in (*lower, *upper) if r.found]
        ratio = sqrt(sum(squares)) / float(centre.amplitude[centre.axis])
    return SidebandFamily(centre, lower, upper, ratio)


def peaks(floored: FlooredSpectrum, most: int = 200) -> tuple[LineReading, ...]:
    """Return the lines that stand over the floor by more than chance, the clearest `most`, rising in frequency."""
    spectrum = floored.spectrum
    over = floored.over_floor_db.max(axis=0)
    needed = needed_db(spectrum.averages, spectrum.values.size)
    half = max(1, round(spectrum.bins_per_resolution))
    if over.size <= 4 * half:  # too few bins for a line to stand out from its neighbours
        return ()
    inside = over[2 * half : -2 * half]
    neighbours = np.lib.stride_tricks.sliding_window_view(over[half:-half], 2 * half + 1).max(axis=-1)
    index = 2 * half + np.flatnonzero((inside >= needed) & (inside == neighbours))
    index = np.sort(index[np.argsort(-over[index])][:most])
    found = []
    for i in index:
        axis = int(np.argmax(floored.over_floor_db[:, i]))
        place = between_bins(spectrum.values[axis], int(i)) * spectrum.spacing
        found.append(
            LineReading(place, place, line_level(spectrum, int(i)), floored.over_floor_db[:, i], axis, True, needed)
        )
    return tuple(found)
