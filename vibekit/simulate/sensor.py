"""The sensor and its flaws: mounting resonance, range, own low-pass or none, noise, bits, clock, gravity, drop-outs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import UsageError
from vibekit.simulate.arrays import ComplexArray, FloatArray, Grid, frequencies
from vibekit.units import STANDARD_GRAVITY as G


@dataclass(frozen=True)
class Sensor:
    """A sensor with its recorder; lengths of the flat band in `band_hz`.

    `range_mps2` where it clips, hard or soft; `noise_density` [m/s²/√Hz]; `bits` of the stored value; `low_pass` corner
    as a share of the sample rate (None: no filter, everything above folds back) of `order`; `mounting_hz`, `mounting_q`
    resonance of sensor on its mounting; `clock_jitter` r.m.s. scatter of sample times per step; `dropouts_per_min`
    stretches of lost samples (held value); `dc_shift` offset gained per overload, share of range; `slew_mps3` largest
    slope that the amplifier before the low-pass can follow.
    """

    name: str
    range_mps2: float
    noise_density: float
    bits: int
    low_pass: float | None
    order: int
    mounting_hz: float
    mounting_q: float
    mounting: str
    soft_clipping: bool = False
    clock_jitter: float = 0.0
    gravity: bool = False
    dropouts_per_min: float = 0.0
    dc_shift: float = 0.0
    slew_mps3: float | None = None
    mass_g: float = 10.0

    def low_pass_hz(self, rate: float) -> float | None:
        """Return the corner of the own low-pass [Hz]."""
        return None if self.low_pass is None else self.low_pass * rate

    def response(self, f: FloatArray) -> ComplexArray:
        """Return the gain of the mounting: 1 / (1 - (f/f_m)² + j·f/(Q·f_m))."""
        x = f / self.mounting_hz
        return np.asarray(1.0 / (1.0 - x * x + 1j * x / self.mounting_q))

    def filter(self, f: FloatArray, rate: float) -> ComplexArray:
        """Return the gain of the own low-pass, Butterworth of its order (poles as in any textbook)."""
        corner = self.low_pass_hz(rate)
        gain = np.ones(f.size, dtype=np.complex128)
        if corner is None:
            return gain
        s = 1j * f / corner
        for k in range(self.order):
            pole = np.exp(1j * math.pi * (2 * k + self.order + 1) / (2 * self.order))
            gain = gain / (s - pole) * (-pole)
        return gain


SENSORS = {
    "instrument": Sensor("instrument", 50.0 * G, 50e-6 * G, 24, 0.45, 8, 14000.0, 8.0, "hose clamp block"),
    # MEMS on a small board, taped or screwed to the handle; figures of such parts, see reference tables of sensors
    "board": Sensor("board", 16.0 * G, 160e-6 * G, 16, 0.42, 2, 3600.0, 5.0, "screwed board", mass_g=15.0),
    "phone": Sensor(
        "phone",
        8.0 * G,
        300e-6 * G,
        14,
        0.40,
        2,
        240.0,
        3.0,
        "strapped to the forearm side of the handle",
        clock_jitter=0.12,
        gravity=True,
        mass_g=190.0,
    ),
    "ideal": Sensor("ideal", 1e5, 0.0, 32, 0.49, 12, 1e6, 0.7, "ideal", mass_g=0.0),
}


@dataclass(frozen=True)
class Sensed:
    """What the sensor gave: samples [m/s²], shape (3, n), the times they were taken [s], the share clipped."""

    samples: FloatArray
    times_s: FloatArray
    clipped: float


def sensor(name: str) -> Sensor:
    """Return a sensor by name.

    Raises:
        UsageError: there is no such sensor.
    """
    if name not in SENSORS:
        raise UsageError(f"no sensor {name!r}: choose one of {', '.join(SENSORS)}")
    return SENSORS[name]


def sense(kind: Sensor, spectrum: ComplexArray, grid: Grid, rng: np.random.Generator) -> Sensed:
    """Return what a sensor makes of the handle's acceleration, given as the rfft of the computed samples.

    In the order of life: mounting, gravity, range, own low-pass, sampling by its clock, noise, offset, stored bits.
    """
    n, inner, rate, lead, n_out = grid.n, grid.inner, grid.rate, grid.lead, grid.n_out
    f = frequencies(n, inner)
    heard = np.fft.irfft(spectrum * kind.response(f), n)
    if kind.gravity:
        heard += G * np.array([[0.83], [0.35], [-0.43]])
    over = np.abs(heard) > kind.range_mps2
    clipped = float(over[:, lead:].mean(axis=1).max())
    if clipped or kind.soft_clipping:
        heard = _limit(heard, kind)
    if kind.dc_shift:
        heard = heard + kind.dc_shift * kind.range_mps2 * _decaying(over, inner)
    if kind.slew_mps3 is not None:
        heard = np.stack([slewed(row, kind.slew_mps3 / inner) for row in heard])
    if kind.low_pass is not None:
        heard = np.fft.irfft(np.fft.rfft(heard) * kind.filter(f, rate), n)
    times = _clock(kind, rate, n_out, rng)
    samples = _sample(heard, lead + times * inner)
    samples += kind.noise_density * math.sqrt(rate / 2.0) * rng.standard_normal(samples.shape)
    samples = _drop(samples, kind, rate, rng)
    step = kind.range_mps2 / 2.0 ** (kind.bits - 1)
    samples = np.clip(np.round(samples / step) * step, -kind.range_mps2, kind.range_mps2)
    return Sensed(samples, times, clipped)


def _limit(signal: FloatArray, kind: Sensor) -> FloatArray:
    if kind.soft_clipping:
        return np.asarray(signal / (1.0 + np.abs(signal / kind.range_mps2) ** 4) ** 0.25)
    return np.clip(signal, -kind.range_mps2, kind.range_mps2)


def slewed(signal: FloatArray, step: float) -> FloatArray:
    """Return what an amplifier makes of a signal when it can change by at most `step` from sample to sample."""
    out, here = [], float(signal[0])
    for wanted in signal.tolist():
        here = min(max(wanted, here - step), here + step)
        out.append(here)
    return np.array(out)


def _decaying(over: NDArray[np.bool_], rate: float) -> FloatArray:
    """Return the offset that overloads of a piezo element leave: each adds, all decay over half a second."""
    n = over.shape[1]
    t = np.arange(n) / rate
    starts = np.diff(over.astype(float), axis=1, prepend=0.0) > 0
    kernel = np.fft.rfft(np.exp(-t / 0.5), 2 * n)
    return np.fft.irfft(np.fft.rfft(starts.astype(float), 2 * n) * kernel, 2 * n)[:, :n]


def _clock(kind: Sensor, rate: float, n: int, rng: np.random.Generator) -> FloatArray:
    """Return sample times [s]: even, or each step scattered and now and then late, as event-driven phones give."""
    if not kind.clock_jitter:
        return np.arange(n) / rate
    steps = 1.0 + kind.clock_jitter * rng.standard_normal(n)
    steps = np.maximum(steps, 0.2) + (rng.random(n) < 0.01) * rng.uniform(0.5, 2.0, n)
    times = np.cumsum(steps)
    return np.asarray((times - times[0]) / (times[-1] - times[0]) * (n - 1) / rate)


def _sample(signal: FloatArray, position: FloatArray) -> FloatArray:
    """Return the signal at any positions [samples]: exact on the grid, cubic Lagrange between."""
    base = np.clip(np.floor(position).astype(np.int64), 1, signal.shape[1] - 3)
    t = position - base
    if not np.any(t):
        return signal[:, base].copy()
    weights = (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )
    return np.asarray(sum(w * signal[:, base + k - 1] for k, w in enumerate(weights)))


def _drop(samples: FloatArray, kind: Sensor, rate: float, rng: np.random.Generator) -> FloatArray:
    """Hold the last value over lost stretches of 20 to 200 ms."""
    n = samples.shape[1]
    for _ in range(rng.poisson(kind.dropouts_per_min * n / rate / 60.0) if kind.dropouts_per_min else 0):
        start = int(rng.integers(1, n))
        stop = min(n, start + int(rng.uniform(0.02, 0.2) * rate))
        samples[:, start:stop] = samples[:, start - 1 : start]
    return samples


def tach_channel(turns: FloatArray, grid: Grid, jitter_turns: FloatArray) -> FloatArray:
    """Return a tachometer channel: 0.8 while the mark passes (a fifth of a turn), 0 else, with finite edges.

    `turns` of the marked shaft at the inner rate; `jitter_turns`, one per turn, scatters the edges. The edge lasts one
    output sample, so that interpolating between samples finds its time.
    """
    position = grid.lead + np.arange(grid.n_out) * grid.factor
    here = np.interp(position, np.arange(turns.size), turns)
    per_sample = np.maximum(np.gradient(here), 1e-9)
    whole = np.floor(here).astype(np.int64)
    phase = here - whole + jitter_turns[np.clip(whole - whole[0], 0, jitter_turns.size - 1)]
    turning = per_sample > 1e-6
    rise = np.clip((phase - 0.1) / per_sample + 0.5, 0.0, 1.0)
    fall = np.clip((0.3 - phase) / per_sample + 0.5, 0.0, 1.0)
    return np.asarray(0.8 * np.minimum(rise, fall) * turning)
