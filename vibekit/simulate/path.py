"""From forces inside the tool to acceleration at the handle: rigid body on the hand, handle and housing modes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.simulate.arrays import TAU, ComplexArray, FloatArray, Vector, frequencies
from vibekit.simulate.specimen import Specimen, X, Y, Z

Shape = Callable[[FloatArray], ComplexArray | FloatArray]

_BLOCK = 32768
HAND_MASS_KG = 0.6  # of hand and forearm that moves with the handle (order of ISO 10068 impedances, from memory)
HAND_HZ = 11.0
LOOSE_HANDLE_KG = 0.35  # a side handle and the skin of the palm on it (no source)
HAND_DAMPING = 0.4


@dataclass(frozen=True)
class Force:
    """A force [N] at `point` ("head" or "motor") along `direction`, shape (n,).

    With a `shape` the signal is what the force arises from (a displacement error, impulses per sample interval) and
    shape(frequency [Hz]) turns its spectrum into that of a force.
    """

    signal: FloatArray
    point: str
    direction: Vector
    shape: Shape | None = None


@dataclass(frozen=True)
class Mode:
    """One mode: frequency [Hz], damping ratio, modal mass [kg], and its shape at handle, head and motor."""

    hz: float
    damping: float
    mass_kg: float
    handle: Vector
    head: Vector
    motor: Vector


def modes_of(specimen: Specimen) -> tuple[Mode, ...]:
    """Return the modes of a specimen held in the hand: three rigid, then handle and housing.

    Frequencies of plastic housings of 1.5 to 3 kg; common practice, no source. Shapes couple the axes.
    """
    total = specimen.mass_kg + HAND_MASS_KG
    head, motor = specimen.kind.levers
    hand = HAND_HZ * math.sqrt(2.7 / total)
    unit = np.eye(3)
    rigid = [
        Mode(hand, HAND_DAMPING, total, _t(unit[i]), _t(unit[i] * (1.0 if i == Y else head)), _t(unit[i] * motor))
        for i in (X, Y, Z)
    ]
    m, s, p = specimen.mass_kg, specimen.stiffness, specimen.phases
    tuned = s * (1.0 + 0.05 * math.cos(p[0])), s * (1.0 + 0.05 * math.cos(p[1]))
    flexible = [
        Mode(345.0 * tuned[0], 0.05, 2.5 * m, (0.3, 0.1, 1.0), (0.3, 0.1, -0.6), (0.2, 0.0, 0.4)),
        Mode(560.0 * tuned[1], 0.05, 2.5 * m, (1.0, 0.2, 0.2), (-0.5, 0.2, 0.2), (0.4, 0.1, 0.1)),
        Mode(1180.0 * s, 0.04, 1.6 * m, (0.4, 0.8, 0.3), (0.3, 0.7, 0.3), (0.3, -0.6, 0.2)),
        Mode(2250.0 * s, 0.035, 0.9 * m, (0.5, 0.3, 0.5), (0.5, -0.4, 0.5), (-0.4, 0.3, 0.5)),
        Mode(3900.0 * s, 0.03, 0.6 * m, (0.3, 0.4, -0.5), (0.6, 0.5, -0.4), (0.5, 0.4, 0.4)),
        Mode(6100.0 * s, 0.025, 0.5 * m, (0.4, 0.3, 0.3), (0.6, 0.4, 0.5), (0.5, -0.4, 0.4)),
        Mode(8900.0 * s, 0.02, 0.4 * m, (0.3, 0.2, 0.3), (0.5, 0.4, 0.5), (0.4, 0.4, -0.4)),
    ]
    return (*rigid, *flexible, *_resonance(specimen), *_loose_handle(specimen))


def _t(vector: FloatArray) -> Vector:
    return float(vector[0]), float(vector[1]), float(vector[2])


def _resonance(specimen: Specimen) -> Iterable[Mode]:
    """Yield the fault of a housing mode that stands on the output shaft's no-load rate, amplifying by its size."""
    q = specimen.size("resonance")
    if q > 0:
        hz = 1.01 * specimen.speeds_hz[specimen.output]
        yield Mode(hz, 0.5 / q, 2.5 * specimen.mass_kg, (0.2, 0.1, 1.0), (0.2, 0.1, 0.9), (0.0, 0.0, 0.15))


def _loose_handle(specimen: Specimen) -> Iterable[Mode]:
    """Yield the free motion of a handle that has play: it takes its own impacts, softly held by the palm."""
    if specimen.size("mount.loose") > 0:
        for unit in np.eye(3):
            yield Mode(55.0, 0.5, LOOSE_HANDLE_KG, _t(unit), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


def handle_spectrum(forces: Sequence[Force], modes: Sequence[Mode], n: int, rate: float) -> ComplexArray:
    """Return the spectrum of the handle's acceleration [m/s²] (rfft of n samples), shape (3, n // 2 + 1)."""
    spectra, gains = _channels(forces, modes, n, rate)
    handle = np.array([mode.handle for mode in modes])
    out = np.empty((3, n // 2 + 1), dtype=np.complex128)
    f = frequencies(n, rate)
    for start in range(0, f.size, _BLOCK):
        part = slice(start, start + _BLOCK)
        modal = gains @ np.stack([spectrum[part] for spectrum in spectra])
        out[:, part] = handle.T @ (modal * accelerances(modes, f[part]))
    return out


def accelerances(modes: Sequence[Mode], f: FloatArray) -> ComplexArray:
    """Return modal acceleration per modal force [1/kg], shape (n_modes, n_frequencies): -ω²/(m(ω0² - ω² + 2jζω0ω))."""
    w = TAU * f
    rows = []
    for mode in modes:
        w0 = 2.0 * math.pi * mode.hz
        rows.append(-(w**2) / (mode.mass_kg * (w0 * w0 - w**2 + 2j * mode.damping * w0 * w)))
    return np.array(rows)


def _channels(
    forces: Sequence[Force], modes: Sequence[Mode], n: int, rate: float
) -> tuple[list[ComplexArray], FloatArray]:
    """Return spectra of independent force channels and how each drives each mode, shape (n_modes, n_channels).

    Plain forces at one point along one axis share a channel; each shaped force has its own.
    """
    plain: dict[tuple[str, int], FloatArray] = {}
    spectra: list[ComplexArray] = []
    columns: list[FloatArray] = []
    f = frequencies(n, rate)
    for force in forces:
        if force.shape is not None:
            spectra.append(np.fft.rfft(force.signal, n) * force.shape(f))
            columns.append(np.array([np.dot(getattr(mode, force.point), force.direction) for mode in modes]))
            continue
        for axis, share in enumerate(force.direction):
            if share:
                key = (force.point, axis)
                plain[key] = plain[key] + share * force.signal if key in plain else share * force.signal
    for (point, axis), signal in plain.items():
        spectra.append(np.fft.rfft(signal, n))
        columns.append(np.array([getattr(mode, point)[axis] for mode in modes]))
    return spectra, np.stack(columns, axis=1)
