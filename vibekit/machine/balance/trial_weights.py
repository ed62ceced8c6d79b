"""Arithmetic of trial weights: influence coefficients, circles of the four-run method, and how doubt carries over."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Solve = Callable[[FloatArray], ComplexArray]

MIN_SPREAD = 1e-6  # below this share the trial angles or influence coefficients do not determine the answer


def vectors(given: FloatArray) -> ComplexArray:
    """Return readings as vectors from all amplitudes followed by all phases [degrees]."""
    amplitudes, phases = np.split(given, 2)
    return np.asarray(amplitudes * np.exp(1j * np.radians(phases)))


def influence_correction(readings: ComplexArray, weights: ComplexArray, planes: int) -> ComplexArray:
    """Return the correction weights [g], shape (planes,): -A⁻¹·O with A from the trial runs.

    Goodman 1964 (least-squares influence coefficients; from memory), as in any balancing handbook.
    """
    initial, changes = readings[:planes], readings[planes:].reshape(-1, planes) - readings[:planes]
    if planes == 1:
        effect = np.vdot(weights, changes[:, 0]) / np.vdot(weights, weights)
        matrix = np.array([[effect]])
    else:
        matrix = (changes / weights[:, None]).T
    scale = np.abs(readings).max() / np.abs(weights).max()
    if np.linalg.svd(matrix, compute_uv=False)[-1] < MIN_SPREAD * scale:
        raise np.linalg.LinAlgError
    return np.asarray(np.linalg.solve(matrix, -initial))


def determines(weights: ComplexArray) -> bool:
    """Tell whether trials without phase have one answer: three or more different angles, not mirror images."""
    size = np.abs(weights)
    rows = np.column_stack([size / size.max(), weights.real / size, weights.imag / size])
    return bool(np.linalg.svd(rows, compute_uv=False)[-1] > MIN_SPREAD) and len(weights) >= 3


def closed_form(amplitudes: FloatArray, weights: ComplexArray) -> complex | None:
    """Return a first influence coefficient H (phase of the run as found taken as zero), or None where there is none.

    |O + H·w|² = O² + |H|²|w|² + 2·O·Re(H·w) is linear in |H|², Re H and Im H.
    """
    found = amplitudes[0]
    rows = np.column_stack([np.abs(weights) ** 2, 2 * found * weights.real, -2 * found * weights.imag])
    square, real, imaginary = np.linalg.lstsq(rows, amplitudes[1:] ** 2 - found**2, rcond=None)[0]
    if square <= 0 or math.hypot(real, imaginary) == 0:
        return None
    return complex(real, imaginary) / math.hypot(real, imaginary) * math.sqrt(square)


def fit_circles(amplitudes: FloatArray, weights: ComplexArray, start: complex) -> complex:
    """Return the influence coefficient whose trial runs miss their readings least (least squares)."""
    from scipy.optimize import least_squares

    fit = least_squares(misfits, parts(start), args=(amplitudes, weights), x_scale=abs(start), xtol=1e-12, ftol=1e-12)
    return complex(*fit.x)


def parts(value: complex) -> FloatArray:
    """Return real and imaginary part."""
    return np.array([value.real, value.imag])


def misfits(unknowns: FloatArray, amplitudes: FloatArray, weights: ComplexArray) -> FloatArray:
    """Return how far each trial run lies from its reading, in the readings' unit."""
    return np.asarray(np.abs(amplitudes[0] + (unknowns[0] + 1j * unknowns[1]) * weights) - amplitudes[1:])


def covariances(solve: Solve, values: FloatArray, sigmas: FloatArray) -> FloatArray:
    """Return the covariance of real and imaginary part per plane [g²], shape (planes, 2, 2). JCGM 100:2008, 5.1.3."""
    columns = []
    for i, sigma in enumerate(sigmas):
        step = np.zeros_like(values)
        step[i] = 0.5 * sigma
        columns.append(solve(values + step) - solve(values - step))
    change = np.array(columns).T
    plane = np.stack([change.real, change.imag], axis=1)
    return np.asarray(plane @ plane.transpose(0, 2, 1))
