"""The true hand-arm vibration of a simulated run, from the noise-free signal, by a route of its own."""

from __future__ import annotations

from typing import Any

import numpy as np

from vibekit.simulate.arrays import ComplexArray, FloatArray, frequencies

AXES = ("x", "y", "z")


def weighting_gain(f: FloatArray) -> ComplexArray:
    """Return Wh at frequencies [Hz] from its analogue definition.

    ISO 5349-1:2001 Annex A, with the exact parameters of ISO 8041: f1 = 10^0.8, f2 = 10^3.1, f3 = f4 = 100/2π Hz,
    Q1 = Q2 = 1/√2, Q4 = 0.64.
    """
    s = 2j * np.pi * f
    w1, w2 = 2 * np.pi * 10**0.8, 2 * np.pi * 10**3.1
    w4 = 100.0
    root = np.sqrt(2.0)
    band = s**2 * w2**2 / ((s**2 + root * w1 * s + w1**2) * (s**2 + root * w2 * s + w2**2))
    return np.asarray(band * (s + w4) * w4 / (s**2 + s * w4 / 0.64 + w4**2))


def true_magnitude(spectrum: ComplexArray, n: int, rate: float, part: slice) -> tuple[dict[str, float], float]:
    """Return a_hw per axis and a_hv [m/s²] over `part` of the n samples whose rfft is given.

    The whole signal is weighted as a spectrum, so no filter design is involved. a_hv: ISO 5349-1:2001 eq. 1.
    """
    weighted = np.fft.irfft(spectrum * weighting_gain(frequencies(n, rate)), n)[:, part]
    squares = np.mean(weighted**2, axis=1)
    return dict(zip(AXES, np.sqrt(squares).tolist(), strict=True)), float(np.sqrt(squares.sum()))


def speed_track(time_s: FloatArray, hz: dict[str, FloatArray], step_s: float = 0.1) -> dict[str, Any]:
    """Return the speed of every shaft on a coarse grid: time_s, and rpm per shaft."""
    grid = np.arange(time_s[0] + step_s / 2, time_s[-1], step_s)
    tracks = {name: np.round(60.0 * np.interp(grid, time_s, track), 2).tolist() for name, track in hz.items()}
    return {"time_s": np.round(grid, 4).tolist(), "rpm": tracks}
