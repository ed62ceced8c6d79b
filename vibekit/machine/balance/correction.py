"""Balancing from trial weights: residual unbalance and correction, with phase or without, each with its doubt.

What unbalance does: a mass `m` at radius `r` turning at ω pulls with m·r·ω² once per turn, and while speed and mounting
stay the same the vibration answers in proportion and at a fixed lag. So a reading is R = H·U with one complex influence
coefficient H per plane and place, and a weight of known size and angle measures H. Angles of weights and phases of
readings are counted in the same sense; weight angles start at the trial weight's zero.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.errors import Notice, UsageError, document
from vibekit.machine.balance.trial_weights import (
    ComplexArray,
    FloatArray,
    closed_form,
    covariances,
    determines,
    fit_circles,
    influence_correction,
    misfits,
    parts,
    vectors,
)

COVERAGE = 2.0  # k of expanded uncertainties, about 95 % (JCGM 100:2008, 6.3)
_MIN_CHANGE = 0.3  # a trial should change the reading by 30 % or 30 degrees (common practice, no source)

CAUTIONS = (
    Notice(
        "never_unguarded",
        "caution",
        "run the tool only with its guard on and nobody in the plane of rotation: a weight that comes off flies",
        remedy="fix the weight so that it cannot come off, and start with a small one",
    ),
    Notice("unplug_first", "caution", "unplug the tool or take the battery out before adding or removing a weight"),
)
_TRIALS_OFF = Notice(
    "trial_weights_off",
    "info",
    "the correction holds with every trial weight taken off and at the speed of the readings",
)


@dataclass(frozen=True)
class Reading:
    """Once-per-turn vibration in any one unit, with its phase [degrees] where a phase mark was read."""

    amplitude: float
    phase_deg: float | None = None


@dataclass(frozen=True)
class TrialRun:
    """One run with one trial weight [g, degrees]; `responses` holds a reading per plane."""

    mass_g: float
    angle_deg: float
    responses: tuple[Reading, ...]

    @property
    def weight(self) -> complex:
        """The trial weight as a vector [g]."""
        return cmath.rect(self.mass_g, math.radians(self.angle_deg))


@dataclass(frozen=True)
class Rotor:
    """Where weights sit and what turns: radius per plane (one value serves all) [mm], mass [kg], speed [1/min]."""

    radius_mm: tuple[float, ...] = ()
    mass_kg: float | None = None
    rpm: float | None = None

    def radius(self, plane: int) -> float | None:
        """Return the radius of a plane [mm], or None."""
        return self.radius_mm[min(plane, len(self.radius_mm) - 1)] if self.radius_mm else None


@dataclass(frozen=True)
class ReadingDoubt:
    """Expanded uncertainty (k = 2) of every reading. The defaults are common practice, no source."""

    amplitude_pct: float = 5.0
    phase_deg: float = 5.0


@dataclass(frozen=True)
class PlaneCorrection:
    """The weight to add in one plane; None where the readings do not determine it."""

    plane: int
    correction_g: float | None = None
    angle_deg: float | None = None
    expanded_uncertainty_g: float | None = None
    expanded_uncertainty_deg: float | None = None
    left_g: float | None = None
    radius_mm: float | None = None

    @property
    def residual_g_mm(self) -> float | None:
        """Unbalance found in the plane, before the correction [g·mm]."""
        return _product(self.correction_g, self.radius_mm)

    @property
    def left_g_mm(self) -> float | None:
        """Unbalance that the doubt of the readings may leave after the correction [g·mm], k = 2."""
        return _product(self.left_g, self.radius_mm)

    def to_dict(self) -> dict[str, Any]:
        """Return the correction as document data."""
        return {
            "plane": self.plane + 1,
            "correction_g": self.correction_g,
            "angle_deg": self.angle_deg,
            "expanded_uncertainty_g": self.expanded_uncertainty_g,
            "expanded_uncertainty_deg": self.expanded_uncertainty_deg,
            "residual_g_mm": self.residual_g_mm,
            "may_stay_g": self.left_g,
            "may_stay_g_mm": self.left_g_mm,
        }


@dataclass(frozen=True)
class BalanceResult:
    """Corrections per plane and what the unbalance found amounts to."""

    method: str
    planes: tuple[PlaneCorrection, ...]
    grade_mm_s: float | None
    trial_force_n: tuple[float | None, ...]
    largest_misfit: float | None
    notices: tuple[Notice, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the whole `balance` document; with two planes the plane's own keys hold one value per plane."""
        keys = ("correction_g", "angle_deg", "expanded_uncertainty_g", "expanded_uncertainty_deg", "residual_g_mm")
        rows = [plane.to_dict() for plane in self.planes]
        body = {key: rows[0][key] if len(rows) == 1 else [row[key] for row in rows] for key in keys}
        body |= {"grade_mm_s": self.grade_mm_s, "method": self.method, "planes": rows}
        body |= {"trial_force_n": list(self.trial_force_n), "largest_misfit": self.largest_misfit}
        return document("balance", body, self.notices)


def balance(
    initial: Sequence[Reading],
    trials: Sequence[TrialRun],
    rotor: Rotor | None = None,
    doubt: ReadingDoubt | None = None,
) -> BalanceResult:
    """Return the correction: influence coefficients where the readings have phases, else the four-run method.

    One plane: one initial reading and one trial or more. Two planes: two initial readings, then a trial in each plane
    in turn with two responses. Without phase: one plane, three trials or more at different angles.

    Raises:
        UsageError: readings with and without phase mixed, or a number of trials or responses that does not fit.
    """
    rotor, doubt = rotor or Rotor(), doubt or ReadingDoubt()
    readings = [*initial, *(reading for trial in trials for reading in trial.responses)]
    _validate(initial, trials, readings)
    phased = initial[0].phase_deg is not None
    amplitudes = np.array([r.amplitude for r in readings], dtype=np.float64)
    sigma = doubt.amplitude_pct / 100.0 / COVERAGE * amplitudes
    if not phased:
        return _without_phase(amplitudes, sigma, trials, rotor)
    values = np.concatenate([amplitudes, [r.phase_deg or 0.0 for r in readings]])
    sigmas = np.concatenate([sigma, np.full(len(readings), doubt.phase_deg / COVERAGE)])
    weights = [trial.weight for trial in trials]
    return _with_phase(values, sigmas, weights, len(initial), rotor, _weak_trials(readings, len(initial)))


def grade_mm_s(unbalance_g_mm: float, mass_kg: float, rpm: float) -> float:
    """Return the balance quality grade of an unbalance: e·ω with e = U/m [mm/s]. ISO 21940-11:2016 5.2, 6."""
    return unbalance_g_mm / mass_kg * 1e-3 * 2.0 * math.pi * rpm / 60.0


def _validate(initial: Sequence[Reading], trials: Sequence[TrialRun], readings: Sequence[Reading]) -> None:
    planes = len(initial)
    phased = [reading.phase_deg is not None for reading in readings]
    if planes not in (1, 2):
        raise UsageError(f"{planes} initial readings: give one per plane, for one or two planes")
    if any(phased) and not all(phased):
        raise UsageError("readings with and without phase are mixed: give every one as AMPLITUDE@PHASE or none")
    if any(len(trial.responses) != planes for trial in trials):
        raise UsageError(f"responses per trial: {planes} needed, one per plane")
    if planes == 2 and not all(phased):
        raise UsageError("two planes need phases: give readings as AMPLITUDE@PHASE")
    needed = 2 if planes == 2 else 1 if phased[0] else 3
    if len(trials) < needed or (planes == 2 and len(trials) > 2):
        how = "exactly 2, one in each plane" if planes == 2 else f"at least {needed}"
        raise UsageError(f"trials given: {len(trials)}; this method needs {how}")
    numbers = [r.amplitude for r in readings] + [r.phase_deg or 0.0 for r in readings] + [t.angle_deg for t in trials]
    if not all(math.isfinite(n) for n in numbers) or any(r.amplitude < 0 for r in readings):
        raise UsageError("readings must be finite numbers, amplitudes not below zero")
    if not all(math.isfinite(trial.mass_g) and trial.mass_g > 0 for trial in trials):
        raise UsageError("a trial weight must be greater than zero")
    if any(reading.amplitude == 0 for reading in initial):
        raise UsageError("an initial reading of zero leaves nothing to correct")


def _with_phase(
    values: FloatArray,
    sigmas: FloatArray,
    weights: Sequence[complex],
    planes: int,
    rotor: Rotor,
    notices: tuple[Notice, ...],
) -> BalanceResult:
    def solve(given: FloatArray) -> ComplexArray:
        return influence_correction(vectors(given), np.array(weights), planes)

    method = f"influence coefficients, {'one plane' if planes == 1 else 'two planes'}"
    try:
        solution = solve(values)
    except np.linalg.LinAlgError:
        return _undetermined(
            method, planes, "the trial weights did not change the readings enough to tell their effect"
        )
    return _result(method, solution, covariances(solve, values, sigmas), rotor, weights, None, notices)


def _without_phase(
    amplitudes: FloatArray, sigma: FloatArray, trials: Sequence[TrialRun], rotor: Rotor
) -> BalanceResult:
    """Four-run method: the amplitudes of the run as found and of three or more trials at different angles."""
    method = "four-run, without phase"
    weights = np.array([trial.weight for trial in trials])
    if not determines(weights):
        raise UsageError("the trials need at least three different angles, such as 0, 120 and 240 degrees")
    start = closed_form(amplitudes, weights)
    if start is None:
        return _undetermined(method, 1, "the circles of the runs do not meet: the readings contradict each other")

    def solve(given: FloatArray) -> ComplexArray:
        return np.array([-given[0] / fit_circles(given, weights, start)])

    solution = solve(amplitudes)
    misfit = misfits(parts(-amplitudes[0] / solution[0]), amplitudes, weights)
    sigma = np.maximum(sigma, math.sqrt(float(misfit @ misfit) / (len(trials) - 2)))
    largest = float(np.abs(misfit).max())
    spread = covariances(solve, amplitudes, sigma)
    return _result(method, solution, spread, rotor, weights, largest, (_misfit_notice(largest),))


def _result(
    method: str,
    solution: ComplexArray,
    spread: FloatArray,
    rotor: Rotor,
    weights: Sequence[complex] | ComplexArray,
    misfit: float | None,
    notices: tuple[Notice, ...],
) -> BalanceResult:
    planes = tuple(_plane(i, complex(w), spread[i], rotor.radius(i)) for i, w in enumerate(solution))
    found = [plane.residual_g_mm for plane in planes]
    known = rotor.mass_kg is not None and rotor.rpm is not None and None not in found
    grade = grade_mm_s(math.fsum(f or 0 for f in found), rotor.mass_kg or 1, rotor.rpm or 0) if known else None
    if grade is not None and len(planes) > 1:
        notices = (*notices, _SUMMED)
    forces = tuple(_force(abs(w), rotor.radius(i if len(planes) > 1 else 0), rotor.rpm) for i, w in enumerate(weights))
    return BalanceResult(method, planes, grade, forces, misfit, (*CAUTIONS, _TRIALS_OFF, *notices, *_unsure(planes)))


_SUMMED = Notice(
    "planes_summed", "info", "the grade is of the two planes' unbalances added without regard to angle: an upper bound"
)


def _plane(index: int, weight: complex, covariance: FloatArray, radius_mm: float | None) -> PlaneCorrection:
    size = abs(weight)
    along = np.array([weight.real, weight.imag]) / size
    across = np.array([-along[1], along[0]])
    mass, side = (math.sqrt(max(0.0, float(d @ covariance @ d))) for d in (along, across))
    angle = COVERAGE * math.degrees(math.atan2(side, size))
    left = COVERAGE * math.hypot(mass, side)
    turned = math.degrees(cmath.phase(weight)) % 360.0
    return PlaneCorrection(index, size, turned, COVERAGE * mass, min(angle, 180.0), left, radius_mm)


def _force(mass_g: float, radius_mm: float | None, rpm: float | None) -> float | None:
    """Return the pull of a weight at speed, m·r·ω² [N]."""
    return None if radius_mm is None or rpm is None else mass_g * radius_mm * 1e-6 * (2.0 * math.pi * rpm / 60.0) ** 2


def _undetermined(method: str, planes: int, why: str) -> BalanceResult:
    refusal = Notice(
        "not_determined", "refusal", why, remedy="use a larger trial weight or another place, and read again"
    )
    empty = tuple(PlaneCorrection(i) for i in range(planes))
    return BalanceResult(method, empty, None, (), None, (*CAUTIONS, refusal))


def _weak_trials(readings: Sequence[Reading], planes: int) -> tuple[Notice, ...]:
    """Return a caution for each trial that changed too little to measure its influence well."""
    vectors = [cmath.rect(r.amplitude, math.radians(r.phase_deg or 0.0)) for r in readings]
    notices = []
    for run in range(1, len(vectors) // planes):
        here = vectors[run * planes : (run + 1) * planes]
        change = max(abs(v - o) / abs(o) for v, o in zip(here, vectors, strict=False))
        if change < _MIN_CHANGE:
            message = f"trial {run} changed the readings by {100 * change:.0f} % only"
            notices.append(Notice("weak_trial", "caution", message, change, _MIN_CHANGE, "use a larger trial weight"))
    return tuple(notices)


def _misfit_notice(largest: float) -> Notice:
    message = f"the runs miss a common point by up to {largest:.3g} (in the unit of the readings)"
    return Notice("circles_miss", "info", message, largest)


def _unsure(planes: tuple[PlaneCorrection, ...]) -> tuple[Notice, ...]:
    """Return a caution for a correction that may leave as much unbalance as it removes."""
    poor = [
        p for p in planes if p.left_g is not None and p.correction_g is not None and p.left_g >= 0.5 * p.correction_g
    ]
    return tuple(
        Notice(
            "correction_unsure",
            "caution",
            f"plane {p.plane + 1}: the doubt of the readings may leave up to {p.left_g:.3g} g after the correction",
            value=p.left_g,
            limit=p.correction_g,
            remedy="use a larger trial weight, read again at a steady speed",
        )
        for p in poor
    )


def _product(a: float | None, b: float | None) -> float | None:
    return None if a is None or b is None else a * b
