"""Uncertainty of a magnitude: a budget of named relative parts, combined as the GUM does (JCGM 100:2008, 5.1.2)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.conditions import plain_term
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.toolsheet import ToolSheet

FloatArray = NDArray[np.float64]

COVERAGE = 2.0  # k of the expanded uncertainty where degrees of freedom are infinite (JCGM 100:2008, 6.3)
TAIL = 0.022750131948179195  # of a normal beyond two standard deviations: 95.45 % lie within
_STRATA = 4096  # of chi-square: the far end is right to 1 % for one degree of freedom

# sensor: calibration and its band; mounting: once per session; recording: of this recording alone (checks, runs)
Cause = Literal["sensor", "mounting", "position", "operator", "day", "time", "recording"]


@dataclass(frozen=True)
class UncertaintyPart:
    """One part of the budget: relative standard uncertainty [-] of a_hv, and why it has that size.

    `cause` says what errs; two results share the error where cause and `key` (which sensor, which operator) agree.
    A `key` of None is not known and counts as shared. `degrees_of_freedom`: infinite for a stated or assumed size.
    """

    name: str
    relative: float
    origin: str
    cause: Cause = "recording"
    key: str | None = None
    degrees_of_freedom: float = math.inf

    def to_dict(self) -> dict[str, Any]:
        """Return the part as document data; infinite degrees of freedom are None."""
        degrees = self.degrees_of_freedom
        return {
            "name": self.name,
            "standard_pct": 100.0 * self.relative,
            "origin": self.origin,
            "cause": self.cause,
            "key": self.key,
            "degrees_of_freedom": degrees if math.isfinite(degrees) else None,
        }

    def stored(self) -> dict[str, Any]:
        """Return the part as plain data that `restored` reads back; JSON has no infinite number."""
        return {**vars(self), "degrees_of_freedom": self.to_dict()["degrees_of_freedom"]}

    @classmethod
    def restored(cls, data: Mapping[str, Any]) -> UncertaintyPart:
        """Return the part that `stored` wrote, or an earlier version without cause."""
        degrees = data.get("degrees_of_freedom")
        return cls(**{**data, "degrees_of_freedom": math.inf if degrees is None else degrees})


# ISO 5349-2:2001 clauses 6.2 and 7 name these sources and give no figures: sizes are common practice, no source,
# save repeatability, where the test codes' s_R >= 0.06·a_h + 0.3 m/s² (from memory) suggests the order of size.
CALIBRATION = UncertaintyPart("calibration", 0.025, "default: common practice, no source", "sensor")
MOUNTING = UncertaintyPart(
    "mounting and sensor band", 0.05, "default: common practice, no source (ISO 5349-2 6.2.2)", "mounting"
)
ALIGNMENT = UncertaintyPart(
    "axis alignment", 0.01, "default: common practice, no source (the total hardly depends on it)", "mounting"
)
POSITION = UncertaintyPart(
    "position on the grip", 0.05, "default: common practice, no source (ISO 5349-2 7.2)", "position"
)
OPERATOR = UncertaintyPart(
    "operator's grip and push", 0.08, "default: common practice, no source (ISO 5349-2 7.2)", "operator"
)
REPEATABILITY = UncertaintyPart("repeatability of runs", 0.10, "default for one run: common practice, no source")
BAND = UncertaintyPart(
    "sampling and band", 0.01, "default for 6.3 to 1250 Hz covered: common practice, no source", "sensor"
)
BAND_CUT = UncertaintyPart(
    "sampling and band",
    0.05,
    "default for a band that ends below 1250 Hz: what it leaves out is not known, no source",
    "sensor",
)
WEIGHTING = UncertaintyPart(
    "weighting",
    0.002,
    "largest deviation from the analogue curve at any midband and rate, as tested: 0.02 dB",
    "sensor",
    "the weighting used for all",
)


def keyed(parts: Iterable[UncertaintyPart], keys: Mapping[Cause, str | None]) -> tuple[UncertaintyPart, ...]:
    """Return the parts with the key of their cause (which sensor, which operator) where they have none."""
    return tuple(replace(part, key=part.key or keys.get(part.cause)) for part in parts)


def known_parts(
    facts: RecordingFacts, full_band: bool, tool: ToolSheet | None = None, sensor: SensorFacts | None = None
) -> tuple[UncertaintyPart, ...]:
    """Return the budget of one recording: each part as its sidecar, else bench sheet, else tool sheet states it, else
    the default.

    The repeatability stands in it only if stated: from two runs on it is measured. `full_band`: the recording covers
    the one-third-octave bands up to 1250 Hz. Keys: the sensor's serial number, how it was mounted, tool and position,
    the operator's name; None where that is not known.
    """
    parts = {
        "calibration_uncertainty_pct": CALIBRATION,
        "mounting_pct": MOUNTING,
        "alignment_pct": ALIGNMENT,
        "band_pct": BAND if full_band else BAND_CUT,
        "weighting_pct": WEIGHTING,
        "position_pct": POSITION,
        "operator_pct": OPERATOR,
    }
    stated = _stated(facts, tool)
    if "repeatability_pct" in stated:
        parts["repeatability_pct"] = REPEATABILITY
    found = (_replaced(part, *stated[key]) if key in stated else part for key, part in parts.items())
    return keyed(found, cause_keys(facts, tool, sensor))


def cause_keys(
    facts: RecordingFacts, tool: ToolSheet | None = None, sensor: SensorFacts | None = None
) -> dict[Cause, str | None]:
    """Return which sensor, mounting, position and operator a recording was made with, None where not known."""
    where = f"{tool.tag}, {plain_term(facts.position)}" if tool and facts.position else None
    return {
        "sensor": sensor.serial if sensor else None,
        "mounting": plain_term(sensor.mounting) if sensor else None,
        "position": where,
        "operator": facts.operator,
    }


def _stated(facts: RecordingFacts, tool: ToolSheet | None) -> dict[str, tuple[float, str]]:
    """Return by key each part that a sheet states: expanded uncertainty [%], and where it stands."""
    own = vars(facts.uncertainty) | {"calibration_uncertainty_pct": facts.calibration_uncertainty_pct}
    found = {key: (pct, "in the tool sheet") for key, pct in (vars(tool.uncertainty) if tool else {}).items()}
    found |= {
        key: (pct, "in the bench sheet" if key in facts.shared else "with the recording")
        for key, pct in own.items()
        if pct is not None
    }
    return {key: (pct, where) for key, (pct, where) in found.items() if pct is not None}


def _replaced(part: UncertaintyPart, pct: float, where: str) -> UncertaintyPart:
    """Return the part with a stated expanded uncertainty [%] in place of the default."""
    return replace(part, relative=pct / 100.0 / COVERAGE, origin=f"stated {where} (k = 2)")


def with_repeatability(parts: Sequence[UncertaintyPart]) -> tuple[UncertaintyPart, ...]:
    """Return the budget of a single run: with the default repeatability where none is stated."""
    return (*without_repeatability(parts), run_scatter(parts))


def without_repeatability(parts: Iterable[UncertaintyPart]) -> tuple[UncertaintyPart, ...]:
    """Return what all runs of a tool share: the budget without the scatter from run to run."""
    return tuple(part for part in parts if part.name != REPEATABILITY.name)


def run_scatter(parts: Iterable[UncertaintyPart]) -> UncertaintyPart:
    """Return a budget's scatter from run to run, or the default where none is stated."""
    return next((part for part in parts if part.name == REPEATABILITY.name), REPEATABILITY)


def mean(values: Sequence[float]) -> float:
    """Return the arithmetic mean."""
    return math.fsum(values) / len(values)


def standard_deviation(values: Sequence[float]) -> float:
    """Return the sample standard deviation (n - 1)."""
    middle = mean(values)
    return math.sqrt(math.fsum((v - middle) ** 2 for v in values) / (len(values) - 1))


def combined(parts: Iterable[UncertaintyPart]) -> float:
    """Return the combined relative standard uncertainty of independent parts [-]. JCGM 100:2008 eq. 10, 12."""
    return math.sqrt(math.fsum(part.relative**2 for part in parts))


def expanded(value: float, parts: Sequence[UncertaintyPart]) -> float:
    """Return the expanded uncertainty (95.45 %) of a value with relative parts, in the value's unit."""
    return coverage_factor(parts) * combined(parts) * value


def effective_degrees(parts: Iterable[UncertaintyPart]) -> float:
    """Return the effective degrees of freedom of a sum of parts. Welch and Satterthwaite, JCGM 100:2008 eq. G.2b."""
    known = tuple(parts)
    few = math.fsum(part.relative**4 / part.degrees_of_freedom for part in known)
    return combined(known) ** 4 / few if few > 0 else math.inf


def coverage_factor(parts: Iterable[UncertaintyPart]) -> float:
    """Return k for 95.45 %: Student's t at the effective degrees of freedom, 2 where all sizes are assumed or stated.

    Source: JCGM 100:2008 G.4.1 and Table G.2 (its column of 95.45 % ends at 2.000).
    """
    return coverage_at(effective_degrees(parts))


def coverage_at(degrees: float) -> float:
    """Return k for 95.45 % at some degrees of freedom: Student's t, 2 where they are infinite."""
    if math.isinf(degrees):
        return COVERAGE
    from scipy.special import stdtrit

    return float(stdtrit(degrees, 1.0 - TAIL))


def coverage_dict(parts: Sequence[UncertaintyPart]) -> dict[str, float | None]:
    """Return k and the effective degrees of freedom as document data; infinite degrees are None."""
    degrees = effective_degrees(parts)
    return {
        "coverage_factor": coverage_factor(parts),
        "effective_degrees_of_freedom": degrees if math.isfinite(degrees) else None,
    }


def reach(parts: Sequence[UncertaintyPart]) -> float:
    """Return how far above the value its upper end lies, relative [-]: 97.7 % of what JCGM 101 draws, at least k·u.

    A part known from few runs is drawn from Student's t (JCGM 101:2008 6.4.9.2), whose tails the effective degrees of
    freedom make too short. t is a normal whose variance is divided by chi-square per degree; that is summed in strata.
    """
    variance = math.fsum(part.relative**2 for part in parts if math.isinf(part.degrees_of_freedom))
    few = [part for part in parts if math.isfinite(part.degrees_of_freedom) and part.relative > 0]
    least = coverage_factor(parts) * combined(parts)
    if not few:
        return least
    from scipy.optimize import brentq
    from scipy.special import ndtr

    drawn = [part.relative**2 * _over_chi_square(part.degrees_of_freedom, i) for i, part in enumerate(few)]
    spread = np.sqrt(variance + np.sum(drawn, axis=0))
    high = max(least, 4.0 * float(spread.max()))
    return max(least, float(brentq(lambda x: ndtr(-x / spread).mean() - TAIL, 0.0, high, rtol=1e-6)))


@cache
def _over_chi_square(degrees: float, place: int) -> FloatArray:
    """Return ν/χ² in strata of chi-square, shape (_STRATA,); each of several parts in an order of its own."""
    from scipy.special import chdtri

    middle = (np.arange(_STRATA) + 0.5) / _STRATA
    order = np.random.default_rng(place).permutation(_STRATA) if place else np.arange(_STRATA)
    return np.asarray(degrees / chdtri(degrees, middle[order]))


def ends(value: float, expanded: float) -> tuple[float, float]:
    """Return the ends, 2.3 and 97.7 % (k = 2), of a value that is not negative: value ± expanded uncertainty.

    Of a quantity that falls or rises with the value, such as an allowed time, the ends are those of the value put
    through it. Source: JCGM 101:2008 6.4.7 (normal, where estimate and uncertainty are all that one knows).
    """
    return max(0.0, value - expanded), value + expanded
