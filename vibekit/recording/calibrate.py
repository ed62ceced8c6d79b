"""Calibrating a chain: from a calibrator's tone, or from rests in several attitudes against gravity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.errors import Notice, RecordingLimitError, document
from vibekit.recording.recording import FloatArray, Recording
from vibekit.units import STANDARD_GRAVITY

CALIBRATOR_HZ = (79.577, 159.155)  # 500 and 1000 rad/s, 10 m/s² r.m.s.: ISO 8041 in-situ check (from memory)
CALIBRATOR_UNCERTAINTY_PCT = 3.0  # expanded, of a usual field calibrator (common practice, no source)
LOCAL_GRAVITY_PCT = 0.3  # 9.78 to 9.83 m/s² over the Earth against 9.80665 m/s²
MAX_DRIFT_PCT = 5.0  # before to after (common practice, no source)

_SEGMENT_S = 0.5
_MIN_TONE_S = 2.0
_IMPURE_PCT = 20.0  # above this it is no calibrator's tone
_UNSTEADY_PCT = 2.0
_SAME_ATTITUDE = 0.17  # relative distance of two mean vectors of one attitude: about 10 degrees
_STILL = 0.02  # r.m.s. of a frame at rest, of gravity
_FRAME_S = 0.25
_REST_FRAMES = 4


@dataclass(frozen=True)
class CalibrationResult:
    """What one unit of the file is in m/s², per axis; `full_scale_mps2` is the one value for all axes."""

    method: str
    files: tuple[str, ...]
    full_scale_mps2: float
    sensitivity_mps2_per_unit: dict[str, float | None]
    offset: dict[str, float | None]
    cross_axis: dict[str, float | None]
    expanded_uncertainty_pct: float
    details: dict[str, Any]
    notices: tuple[Notice, ...] = ()

    @property
    def full_scale(self) -> str:
        """The full scale as a sidecar writes it."""
        return f"{self.full_scale_mps2:.5g} m/s2"

    def to_dict(self) -> dict[str, Any]:
        """Return the `calibrate` document."""
        body = {
            "method": self.method,
            "files": list(self.files),
            "full_scale": self.full_scale,
            "full_scale_mps2": self.full_scale_mps2,
            "sensitivity": self.sensitivity_mps2_per_unit,
            "offset": self.offset,
            "cross_axis": self.cross_axis,
            "expanded_uncertainty_pct": self.expanded_uncertainty_pct,
            **self.details,
        }
        return document("calibrate", body, self.notices)


def refused_document(files: Sequence[str], reason: str) -> dict[str, Any]:
    """Return the `calibrate` document of recordings that cannot give a calibration, and why."""
    keys = ("full_scale", "full_scale_mps2", "sensitivity", "offset", "cross_axis", "expanded_uncertainty_pct")
    remedy = "a steady tone of at least 2 s, or six attitudes held still for 2 s each"
    notice = Notice("no_calibration", "refusal", reason, remedy=remedy)
    return document("calibrate", {"method": None, "files": list(files), **dict.fromkeys(keys)}, [notice])


def tone_calibration(
    recording: Recording,
    level_mps2: float,
    frequency_hz: float | None = None,
    level_uncertainty_pct: float = CALIBRATOR_UNCERTAINTY_PCT,
) -> CalibrationResult:
    """Return the calibration from a calibrator's tone of `level_mps2` r.m.s. in an uncalibrated recording.

    The axis with the largest tone is the one that was excited. A sine is fitted by least squares to each half second
    (IEEE 1057 three-parameter fit at the frequency of the whole, from memory); the scatter over the segments is the
    stability, the residual against the tone the impurity, the tone in the other axes the cross-axis share.

    Raises:
        RecordingLimitError: too short, no tone, impure or unsteady.
    """
    if recording.duration_s < _MIN_TONE_S:
        raise RecordingLimitError(f"{recording.origin.file}: {recording.duration_s:.2f} s: a tone needs 2 s or more")
    row, frequency = _find_tone(recording, frequency_hz)
    phasors, residuals = _fit_segments(recording, frequency)
    rms = np.abs(phasors) / math.sqrt(2.0)
    tone = float(rms[row].mean())
    if tone <= 0:
        raise RecordingLimitError(f"{recording.origin.file}: holds no tone")
    stability = 100.0 * float(rms[row].std(ddof=1)) / tone
    impurity = 100.0 * float(np.sqrt(np.mean(residuals[row] ** 2))) / tone
    if impurity > _IMPURE_PCT or stability > _UNSTEADY_PCT:
        raise RecordingLimitError(
            f"{recording.origin.file}: no steady pure tone: {frequency:.2f} Hz on {recording.axes[row]}, impurity "
            f"{impurity:.3g} % (at most {_IMPURE_PCT:g}), scatter {stability:.3g} % (at most {_UNSTEADY_PCT:g})"
        )
    scale = level_mps2 / tone
    uncertainty = math.hypot(level_uncertainty_pct, 2.0 * stability / math.sqrt(rms.shape[1]))
    axis = recording.axes[row]
    means = recording.samples.mean(axis=1)
    others = {n: 100.0 * float(rms[i].mean()) / tone for i, n in enumerate(recording.axes) if i != row}
    return CalibrationResult(
        "tone",
        (recording.origin.file,),
        scale,
        {name: scale if name == axis else None for name in recording.axes},
        {name: float(scale * m) for name, m in zip(recording.axes, means, strict=True)},
        {f"{axis} to {name}": share for name, share in others.items()},
        uncertainty,
        {
            "axis": axis,
            "frequency_hz": frequency,
            "level_mps2": level_mps2,
            "impurity_pct": impurity,
            "stability_pct": stability,
            "segments": int(rms.shape[1]),
        },
        tuple(_tone_notices(recording, axis, frequency, impurity, others)),
    )


def _find_tone(recording: Recording, frequency_hz: float | None) -> tuple[int, float]:
    """Return the row and the frequency [Hz] of the strongest line, refined between the lines of a Hann spectrum."""
    samples = recording.samples - recording.samples.mean(axis=1, keepdims=True)
    window = np.hanning(recording.n_samples)
    spectrum = np.abs(np.fft.rfft(samples * window, axis=1))
    step = recording.sample_rate / recording.n_samples
    f = np.arange(spectrum.shape[1]) * step
    wanted = (f > 10.0) if frequency_hz is None else np.abs(f - frequency_hz) < 0.03 * frequency_hz
    if not wanted.any():
        raise RecordingLimitError(f"{recording.origin.file}: sample rate cannot carry {frequency_hz} Hz")
    row, peak = np.unravel_index(int(np.argmax(np.where(wanted, spectrum, 0.0))), spectrum.shape)
    line = int(np.clip(peak, 1, spectrum.shape[1] - 2))
    left, middle, right = np.log(np.maximum(spectrum[row, line - 1 : line + 2], 1e-300))
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return int(row), float((line + shift) * step)


def _fit_segments(recording: Recording, frequency: float) -> tuple[Any, FloatArray]:
    """Return complex amplitude and residual r.m.s. of a sine in each segment, shape (n_axes, n_segments)."""
    size = max(round(_SEGMENT_S * recording.sample_rate), 8)
    count = recording.n_samples // size
    segments = recording.samples[:, : count * size].reshape(len(recording.axes) * count, size).T
    angle = 2.0 * np.pi * frequency * np.arange(size) / recording.sample_rate
    basis = np.stack([np.cos(angle), np.sin(angle), np.ones(size)], axis=1)
    fit = np.linalg.lstsq(basis, segments, rcond=None)[0]
    residual = np.sqrt(np.mean((segments - basis @ fit) ** 2, axis=0))
    shape = (len(recording.axes), count)
    return (fit[0] - 1j * fit[1]).reshape(shape), residual.reshape(shape)


def _tone_notices(
    recording: Recording, axis: str, frequency: float, impurity: float, others: dict[str, float]
) -> list[Notice]:
    found = []
    if not any(abs(frequency - hz) < 0.02 * hz for hz in CALIBRATOR_HZ):
        found.append(
            Notice(
                "unusual_frequency",
                "caution",
                f"the tone is at {frequency:.2f} Hz; calibrators give 79.58 or 159.2 Hz",
                frequency,
                CALIBRATOR_HZ[0],
                "make sure that this is the calibrator",
            )
        )
    if impurity > 5.0:
        message = f"{impurity:.2g} % of the signal is not the tone"
        found.append(Notice("impure_tone", "caution", message, impurity, 5.0, "seat the sensor well"))
    for name, share in others.items():
        if share > 5.0:
            message = f"axis {name} shows {share:.2g} % of the tone on {axis}"
            found.append(Notice("cross_axis", "caution", message, share, 5.0, "seat the sensor straight"))
    if others:
        found.append(
            Notice(
                "one_axis_calibrated",
                "info",
                f"only axis {axis} was excited: the full scale holds for the other axes if they are built alike",
                remedy="calibrate each axis, and compare",
            )
        )
    return found


def rest_vectors(recording: Recording) -> FloatArray:
    """Return the mean vectors of the rests in a recording, shape (n_rests, 3), in the recording's own unit.

    At rest a frame of 0.25 s scatters by less than 2 % of the vector's length; frames that follow each other in one
    attitude for a second or longer make one rest.
    """
    size = max(round(_FRAME_S * recording.sample_rate), 2)
    count = recording.n_samples // size
    frames = recording.samples[:, : count * size].reshape(3, count, size)
    means, scatter = frames.mean(axis=2).T, np.sqrt(frames.var(axis=2).sum(axis=0))
    length = np.linalg.norm(means, axis=1)
    still = scatter < _STILL * np.median(length)
    rests: list[list[FloatArray]] = [[]]
    for mean, quiet in zip(means, still, strict=True):
        same = rests[-1] and np.linalg.norm(mean - rests[-1][0]) < _SAME_ATTITUDE * np.median(length)
        if rests[-1] and not (quiet and same):
            rests.append([])
        if quiet:
            rests[-1].append(mean)
    kept = [np.mean(rest[1:-1], axis=0) for rest in rests if len(rest) >= _REST_FRAMES]
    if not kept:
        raise RecordingLimitError(f"{recording.origin.file}: is nowhere at rest for a second")
    return np.array(kept)


def rest_calibration(vectors: FloatArray, files: Sequence[str] = ()) -> CalibrationResult:
    """Return the calibration from mean vectors at rest, shape (n, 3), in any unit: each is as long as gravity.

    Fitted by least squares: |T (v - b)| = g with offset b and T upper triangular (scale on the diagonal, cross-axis
    above it; a turn of the whole sensor cannot be seen). Six attitudes give offset and scale, nine or more cross-axis.

    Raises:
        RecordingLimitError: fewer than six attitudes, or attitudes too much alike.
    """
    vectors = np.asarray(vectors, dtype=np.float64)
    distinct = _distinct(vectors)
    name = ", ".join(files) or "rests"
    if distinct < 6:
        raise RecordingLimitError(f"{name}: {distinct} different attitudes at rest: at least six are needed")
    whole = distinct >= 9
    offset, transform, residual, condition = _fit_ellipsoid(vectors, whole)
    if condition > 1e4:
        raise RecordingLimitError(f"{name}: the attitudes are too much alike: lay the sensor on each of its six sides")
    scale = np.diag(transform)
    mean_scale = float(np.cbrt(np.prod(scale)))
    spread = 100.0 * float(np.max(np.abs(scale / mean_scale - 1.0)))
    axes = ("x", "y", "z")
    pairs = {"x to y": (0, 1), "x to z": (0, 2), "y to z": (1, 2)}
    free = vectors.shape[0] - (9 if whole else 6)
    fit_pct = 100.0 * math.sqrt(float(np.sum(residual**2)) / free) / STANDARD_GRAVITY if free else 0.0
    left = float(np.sqrt(np.mean(residual**2))) if free else None
    return CalibrationResult(
        "rests",
        tuple(files),
        mean_scale,
        {axis: float(s) for axis, s in zip(axes, scale, strict=True)},
        {axis: float(s * b) for axis, s, b in zip(axes, scale, offset, strict=True)},
        {key: 100.0 * float(transform[i, j] / transform[j, j]) if whole else None for key, (i, j) in pairs.items()},
        math.sqrt(LOCAL_GRAVITY_PCT**2 + (2.0 * fit_pct) ** 2 + spread**2),
        {"rests": int(vectors.shape[0]), "attitudes": distinct, "residual_mps2": left},
        tuple(_rest_notices(whole, free, spread, vectors.shape[0])),
    )


def _distinct(vectors: FloatArray) -> int:
    kept: list[FloatArray] = []
    for vector in vectors:
        if all(np.linalg.norm(vector - other) > _SAME_ATTITUDE * np.linalg.norm(vector) for other in kept):
            kept.append(vector)
    return len(kept)


def _fit_ellipsoid(vectors: FloatArray, whole: bool) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return offset, upper-triangular transform, residuals [m/s²] and the condition of the fit."""
    from scipy.optimize import least_squares

    middle = (vectors.max(axis=0) + vectors.min(axis=0)) / 2.0
    unit = float(np.median(np.linalg.norm(vectors - middle, axis=1)))
    normal = (vectors - middle) / unit
    rows, columns = np.triu_indices(3)
    free = np.ones(6, dtype=bool) if whole else rows == columns

    def unpack(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        transform = np.zeros((3, 3))
        transform[rows[free], columns[free]] = parameters[3:]
        return parameters[:3], transform

    def residuals(parameters: FloatArray) -> FloatArray:
        offset, transform = unpack(parameters)
        return np.asarray(np.linalg.norm((normal - offset) @ transform.T, axis=1) - 1.0)

    start = np.concatenate([np.zeros(3), np.eye(3)[rows[free], columns[free]]])
    fit = least_squares(residuals, start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    offset, transform = unpack(fit.x)
    signs = np.sign(np.diag(transform))
    condition = float(np.linalg.cond(fit.jac))
    return (
        middle + unit * offset,
        signs[:, None] * transform * STANDARD_GRAVITY / unit,
        fit.fun * STANDARD_GRAVITY,
        condition,
    )


def _rest_notices(whole: bool, free: int, spread: float, count: int) -> list[Notice]:
    found = []
    if free == 0:
        message = f"{count} rests are just enough for the fit: nothing is left to show how far they scatter"
        found.append(Notice("no_residual", "info", message, count, count + 1, "lay the sensor on each side twice"))
    if not whole:
        found.append(
            Notice(
                "cross_axis_unknown",
                "info",
                f"{count} rests give offset and scale; cross-axis sensitivity needs nine attitudes or more",
                count,
                9,
                "add rests on edges and corners",
            )
        )
    if spread > 2.0:
        found.append(
            Notice(
                "axes_differ",
                "caution",
                f"the axes differ from their mean scale by up to {spread:.2g} %: one full scale does not fit all",
                spread,
                2.0,
                "the difference is in the uncertainty",
            )
        )
    return found


def drift_notice(before: CalibrationResult, after: CalibrationResult) -> tuple[float, list[Notice]]:
    """Return the drift of the scale from before to after [%], and a caution where it is too large."""
    drift = 100.0 * (after.full_scale_mps2 / before.full_scale_mps2 - 1.0)
    if abs(drift) <= MAX_DRIFT_PCT:
        return drift, []
    message = f"the scale drifted by {drift:+.2g} % between the two calibrations: what was recorded between is in doubt"
    return drift, [Notice("drift", "caution", message, drift, MAX_DRIFT_PCT, "look at sensor, cable and mounting")]
