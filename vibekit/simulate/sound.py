"""What a microphone hears of the same tool: surfaces that shake, the fan, and the room."""

from __future__ import annotations

import math

import numpy as np

from vibekit.simulate.arrays import ComplexArray, FloatArray, Grid, frequencies


def sound_channel(spectrum: ComplexArray, grid: Grid, rng: np.random.Generator) -> FloatArray:
    """Return a microphone channel (raw, ±1.0), shape (n_out,).

    A small body radiates below about 500 Hz as its surface accelerates, weakly and rising with frequency, above as its
    velocity; a short echo of the room and room noise are added; a cardboard-cheap low end cuts below 80 Hz.
    """
    f = frequencies(grid.n, grid.inner)
    ratio = f / 500.0
    radiation = ratio / (1.0 + 1j * ratio) ** 2 * (1j * f) / (80.0 + 1j * f)
    delays = rng.uniform(0.004, 0.02, 3)
    room = 1.0 + sum(0.25 * np.exp(-2j * math.pi * f * delay) for delay in delays)
    below = 1.0 / (1.0 + (f / (0.45 * grid.rate)) ** 16)
    source = spectrum[0] + 0.8 * spectrum[1] + 0.9 * spectrum[2]
    pressure = np.fft.irfft(source * radiation * room * below, grid.n)[grid.recorded]
    noise = np.convolve(rng.standard_normal(grid.n_out + 7), np.ones(8) / 8.0, mode="valid")
    heard = 0.01 * pressure + 0.004 * noise
    return np.asarray(np.clip(heard, -1.0, 1.0))
