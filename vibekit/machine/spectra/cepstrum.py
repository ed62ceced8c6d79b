"""Sideband families found blindly: the cepstrum turns lines of even distance into one peak.

A carrier modulated at the rate m stands among lines at distances of m. The spectrum of the logarithmic spectrum shows
that distance as one peak at the quefrency 1/m and its multiples, whatever the carrier is (Randall 2011, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.machine.spectra.reading import FlooredSpectrum
from vibekit.recording.recording import FloatArray

_MULTIPLE = 0.6
_CLEAR = 5.0  # times the median of the cepstrum that a peak must reach


@dataclass(frozen=True)
class LineSpacing:
    """Lines of even distance `spacing` [Hz or orders]; `clear` how many times the median of the cepstrum they reach."""

    spacing: float
    clear: float


def _first_of_its_multiples(cepstrum: FloatArray, best: int, least: int) -> int:
    """Return the lowest quefrency of which `best` is a multiple with nearly as high a peak: the family's own."""
    for part in (4, 3, 2):
        centre = best // part
        near = slice(max(least, centre - 8), centre + 9)
        if centre > least and cepstrum[near].max() > _MULTIPLE * cepstrum[best]:
            return near.start + int(np.argmax(cepstrum[near]))
    return best


def line_spacing(
    floored: FlooredSpectrum, least: float, most: float, band: tuple[float, float] | None = None
) -> LineSpacing | None:
    """Return the distance between lines of a family, from `least` to `most`, in the spectrum's unit; None if none.

    `band` restricts the carriers, for instance to the surroundings of a mesh. Decibels over the floor, summed over axes
    and with nothing below the floor counted, stand in for the logarithmic spectrum: they have no slope to leak.
    """
    spectrum = floored.spectrum
    low, high = band if band is not None else (0.0, float(spectrum.frequency[-1]))
    part = slice(max(1, int(low / spectrum.spacing)), int(high / spectrum.spacing))
    over = np.maximum(floored.over_floor_db[:, part], 0.0).sum(axis=0)
    if over.size < 16:
        return None
    n = 8 * over.size
    cepstrum = np.abs(np.fft.rfft((over - over.mean()) * np.hanning(over.size), n))
    spacings = n * spectrum.spacing / np.maximum(np.arange(cepstrum.size), 1)
    inside = np.flatnonzero((spacings >= least) & (spacings <= most))
    inside = inside[inside > 8]
    if inside.size < 3:
        return None
    best = _first_of_its_multiples(cepstrum, int(inside[np.argmax(cepstrum[inside])]), int(inside[0]))
    clear = float(cepstrum[best] / np.median(cepstrum[inside]))
    return LineSpacing(float(spacings[best]), clear) if clear >= _CLEAR else None
