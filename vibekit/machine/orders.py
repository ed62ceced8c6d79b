"""Order tracking: samples at even angles of a shaft, so that its lines stand still while its speed wanders."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra import Spectrum, amplitude_spectrum, fast_length
from vibekit.machine.speed import SpeedEstimate
from vibekit.recording.recording import FloatArray

_OVERSAMPLING = 4


@dataclass(frozen=True)
class AngleSignal:
    """Samples at even angles: `samples` shape (n_axes, n), `per_turn` of shaft `of`, whose mean speed is `hz` [Hz]."""

    samples: FloatArray
    per_turn: int
    of: str
    hz: float

    @property
    def turns(self) -> float:
        """Turns of the shaft that the samples cover."""
        return self.samples.shape[-1] / self.per_turn


def to_angle(samples: FloatArray, sample_rate: float, speed: SpeedEstimate, shaft: str) -> AngleSignal | None:
    """Return `samples` (n_axes, n_samples) at even angles of `shaft`; None where its speed is never known.

    The longest stretch with a known speed is taken. Interpolation: fourfold oversampling in the frequency domain, then
    linear, its mean gain made good. Samples per turn: the power of two that keeps the rate at the mean speed.
    """
    time = np.arange(samples.shape[-1]) / sample_rate
    hz = speed.at(time, shaft) if shaft in speed.ratios else np.full(time.size, np.nan)
    start, stop = _longest_run(np.isfinite(hz))
    stop = start + fast_length(stop - start) if stop - start > 2 else start
    if stop - start < sample_rate / 4:
        return None
    hz = hz[start:stop]
    angle = np.concatenate([[0.0], np.cumsum(0.5 * (hz[1:] + hz[:-1]) / sample_rate)])
    mean_hz = float(angle[-1]) * sample_rate / (angle.size - 1)
    per_turn = 1 << max(3, int(np.ceil(np.log2(sample_rate / mean_hz))))
    wanted = np.arange(int(angle[-1] * per_turn)) / per_turn
    position = np.interp(wanted, angle, np.arange(angle.size, dtype=np.float64)) * _OVERSAMPLING
    fine = _oversampled(samples[:, start:stop])
    index = np.arange(fine.shape[-1], dtype=np.float64)
    resampled = np.stack([np.interp(position, index, row) for row in fine])
    return AngleSignal(resampled, per_turn, shaft, mean_hz)


def order_spectrum(signal: AngleSignal, turns: float = 32.0) -> Spectrum:
    """Return the r.m.s. amplitude spectrum over orders of the shaft [m/s²], segments of about `turns` turns."""
    spectrum = amplitude_spectrum(signal.samples, float(signal.per_turn), 1.5 / turns, frequency_unit="orders")
    return replace(spectrum, of=signal.of)


def _longest_run(known: NDArray[np.bool_]) -> tuple[int, int]:
    """Return first and last + 1 index of the longest stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    if edges.size == 0:
        return 0, 0
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])


def _oversampled(samples: FloatArray) -> FloatArray:
    """Return the band-limited signal at four times the rate, raised by what linear interpolation will take away.

    Linear interpolation between samples at rate r is a filter of gain sinc²(f/r): 3 % at 0.8 of half the first rate.
    """
    n = samples.shape[-1]
    spectrum = np.fft.rfft(samples, axis=-1)
    spectrum *= _OVERSAMPLING / np.sinc(np.arange(spectrum.shape[-1]) / (n * _OVERSAMPLING)) ** 2
    fine: FloatArray = np.fft.irfft(spectrum, n * _OVERSAMPLING, axis=-1)
    return fine
