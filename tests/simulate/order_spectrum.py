"""Order spectra for the tests, by a route of their own: turns counted from the tachometer, spectra in turns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import Recording

FloatArray = NDArray[np.float64]

PER_TURN = 512
TURNS = 64  # per spectrum: orders are resolved to 1/64


def edges(recording: Recording) -> FloatArray:
    """Return when the tachometer rises through 0.4 [samples], interpolated."""
    pulse = recording.tach
    assert pulse is not None
    i = np.flatnonzero((pulse[:-1] < 0.4) & (pulse[1:] >= 0.4))
    return np.asarray(i + (0.4 - pulse[i]) / (pulse[i + 1] - pulse[i]))


def in_turns(signal: FloatArray, marks: FloatArray, per_turn: int = PER_TURN) -> FloatArray:
    """Return the signal at equal angles, shape (n_turns, per_turn)."""
    turns = marks.size - 1
    at = np.interp(np.arange(turns * per_turn) / per_turn, np.arange(turns + 1), marks)
    return np.interp(at, np.arange(signal.size), signal).reshape(turns, per_turn)


class Orders:
    """Amplitude of every order, r.m.s. over blocks of 64 turns."""

    def __init__(self, signal: FloatArray, marks: FloatArray, per_turn: int = PER_TURN) -> None:
        turned = in_turns(signal, marks, per_turn)
        blocks = turned[: len(turned) // TURNS * TURNS].reshape(-1, TURNS * per_turn)
        window = np.hanning(TURNS * per_turn)
        spectra = np.abs(np.fft.rfft((blocks - blocks.mean(axis=1, keepdims=True)) * window)) * 2 / window.sum()
        self.amplitude = np.sqrt(np.mean(spectra**2, axis=0))

    def at(self, order: float, width: float = 3 / TURNS) -> float:
        """Return the largest amplitude within `width` of an order."""
        low, high = (round((order + side * width) * TURNS) for side in (-1, 1))
        return float(self.amplitude[max(low, 0) : high + 1].max())

    def floor(self, low: float, high: float) -> float:
        """Return the median amplitude between two orders: the lines do not count."""
        return float(np.median(self.amplitude[round(low * TURNS) : round(high * TURNS)]))


def envelope(signal: FloatArray, rate: float, low: float, high: float) -> FloatArray:
    """Return the envelope of a band (analytic signal by the spectrum)."""
    spectrum = np.fft.fft(signal)
    f = np.fft.fftfreq(signal.size, 1 / rate)
    return np.abs(np.fft.ifft(np.where((f > low) & (f < high), 2 * spectrum, 0)))
