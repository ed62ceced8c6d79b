"""Uncertainty of a magnitude: a budget of named relative parts, combined as the GUM does (JCGM 100:2008, 5.1.2)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from vibekit.recording.sidecar import RecordingFacts

COVERAGE = 2.0  # k of the expanded uncertainty, about 95 % (JCGM 100:2008, 6.3)


@dataclass(frozen=True)
class UncertaintyPart:
    """One part of the budget: relative standard uncertainty [-] of a_hv, and why it has that size."""

    name: str
    relative: float
    origin: str

    def to_dict(self) -> dict[str, Any]:
        """Return the part as document data."""
        return {"name": self.name, "standard_pct": 100.0 * self.relative, "origin": self.origin}


# ISO 5349-2:2001 clauses 6.2 and 7 name these sources and give no figures: sizes are common practice, no source,
# save repeatability, where the test codes' s_R >= 0.06·a_h + 0.3 m/s² (from memory) suggests the order of size.
DEFAULT_CALIBRATION_PCT = 5.0  # expanded, k = 2
MOUNTING = UncertaintyPart("mounting and sensor band", 0.05, "default: common practice, no source (ISO 5349-2 6.2.2)")
ALIGNMENT = UncertaintyPart(
    "axis alignment", 0.01, "default: common practice, no source (the total hardly depends on it)"
)
POSITION = UncertaintyPart("position on the grip", 0.05, "default: common practice, no source (ISO 5349-2 7.2)")
OPERATOR = UncertaintyPart("operator's grip and push", 0.08, "default: common practice, no source (ISO 5349-2 7.2)")
REPEATABILITY = UncertaintyPart("repeatability of runs", 0.10, "default for one run: common practice, no source")
BAND = UncertaintyPart("sampling and band", 0.01, "default for 6.3 to 1250 Hz covered: common practice, no source")
BAND_CUT = UncertaintyPart(
    "sampling and band", 0.05, "default for a band that ends below 1250 Hz: what it leaves out is not known, no source"
)
WEIGHTING = UncertaintyPart(
    "weighting", 0.002, "largest deviation from the analogue curve at any midband and rate, as tested: 0.02 dB"
)
SINGLE_AXIS_RELATIVE = (1.7 - 1.0) / math.sqrt(12.0)  # rectangular over the multiplier's range, ISO 5349-1 (1.0 to 1.7)

_T_68 = (1.84, 1.32, 1.20, 1.14, 1.11, 1.09, 1.08, 1.07, 1.06)  # Student t for 68.27 %, JCGM 100:2008 Table G.2


def calibration_part(stated_pct: float | None) -> UncertaintyPart:
    """Return the calibration's part from the stated expanded uncertainty [%], or the default."""
    pct = DEFAULT_CALIBRATION_PCT if stated_pct is None else stated_pct
    origin = "default: common practice, no source" if stated_pct is None else "stated with the recording (k = 2)"
    return UncertaintyPart("calibration", pct / 100.0 / COVERAGE, origin)


def known_parts(facts: RecordingFacts, full_band: bool) -> tuple[UncertaintyPart, ...]:
    """Return the budget of one recording, parts that its sheet states in place of the defaults.

    The repeatability stands in it only if stated: from two runs on it is measured. `full_band`: the recording covers
    the one-third-octave bands up to 1250 Hz.
    """
    stated = facts.uncertainty
    parts = (
        calibration_part(facts.calibration_uncertainty_pct),
        _replaced(MOUNTING, stated.mounting_pct),
        _replaced(ALIGNMENT, stated.alignment_pct),
        _replaced(BAND if full_band else BAND_CUT, stated.band_pct),
        _replaced(WEIGHTING, stated.weighting_pct),
        _replaced(POSITION, stated.position_pct),
        _replaced(OPERATOR, stated.operator_pct),
    )
    repeatability = stated.repeatability_pct
    return parts if repeatability is None else (*parts, _replaced(REPEATABILITY, repeatability))


def _replaced(part: UncertaintyPart, stated_pct: float | None) -> UncertaintyPart:
    """Return the part with the stated expanded uncertainty [%] in place of the default, if there is one."""
    if stated_pct is None:
        return part
    return UncertaintyPart(part.name, stated_pct / 100.0 / COVERAGE, "stated in the sheet (k = 2)")


def with_repeatability(parts: Sequence[UncertaintyPart]) -> tuple[UncertaintyPart, ...]:
    """Return the budget of a single run: with the default repeatability where none is stated."""
    return (*without_repeatability(parts), run_scatter(parts))


def without_repeatability(parts: Iterable[UncertaintyPart]) -> tuple[UncertaintyPart, ...]:
    """Return what all runs of a tool share: the budget without the scatter from run to run."""
    return tuple(part for part in parts if part.name != REPEATABILITY.name)


def run_scatter(parts: Iterable[UncertaintyPart]) -> UncertaintyPart:
    """Return a budget's scatter from run to run, or the default where none is stated."""
    return next((part for part in parts if part.name == REPEATABILITY.name), REPEATABILITY)


def repeatability_part(magnitudes: Sequence[float]) -> UncertaintyPart:
    """Return the part of run-to-run scatter in the mean of runs: t·s/(√n·mean), or the default for one run.

    Source: JCGM 100:2008, 4.2.3 and G.3 (small samples).
    """
    n = len(magnitudes)
    mean = math.fsum(magnitudes) / n
    if n < 2 or mean == 0:
        return REPEATABILITY
    spread = standard_deviation(magnitudes) / (mean * math.sqrt(n))
    return UncertaintyPart("repeatability of runs", student_t(n) * spread, f"from {n} runs, Student's t")


def student_t(n: int) -> float:
    """Return Student's t for 68.27 % and n - 1 degrees of freedom.

    Source: JCGM 100:2008 Table G.2; from ten degrees of freedom on 1 + 1 / (2·degrees), the first terms of the
    expansion for many degrees (Abramowitz & Stegun 26.7.5 at one standard deviation), right to 0.003.
    """
    degrees = n - 1
    return _T_68[degrees - 1] if degrees <= len(_T_68) else 1.0 + 0.5 / degrees


def standard_deviation(values: Sequence[float]) -> float:
    """Return the sample standard deviation (n - 1)."""
    mean = math.fsum(values) / len(values)
    return math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))


def combined(parts: Iterable[UncertaintyPart]) -> float:
    """Return the combined relative standard uncertainty of independent parts [-]. JCGM 100:2008 eq. 10, 12."""
    return math.sqrt(math.fsum(part.relative**2 for part in parts))


def expanded(value: float, parts: Iterable[UncertaintyPart]) -> float:
    """Return the expanded uncertainty (k = 2) of a value with relative parts, in the value's unit."""
    return COVERAGE * combined(parts) * value
