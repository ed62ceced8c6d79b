"""Uncertainty of a magnitude: a budget of named relative parts, combined as the GUM does (JCGM 100:2008, 5.1.2)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.toolsheet import ToolSheet

COVERAGE = 2.0  # k of the expanded uncertainty, about 95 % (JCGM 100:2008, 6.3)

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


# ISO 5349-2:2001 clauses 6.2 and 7 name these sources and give no figures: sizes are common practice, no source,
# save repeatability, where the test codes' s_R >= 0.06·a_h + 0.3 m/s² (from memory) suggests the order of size.
CALIBRATION = UncertaintyPart("calibration", 0.025, "default: common practice, no source")
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

_T_68 = (1.84, 1.32, 1.20, 1.14, 1.11, 1.09, 1.08, 1.07, 1.06)  # Student t for 68.27 %, JCGM 100:2008 Table G.2


def known_parts(facts: RecordingFacts, full_band: bool, tool: ToolSheet | None = None) -> tuple[UncertaintyPart, ...]:
    """Return the budget of one recording: each part as its sidecar, else bench sheet, else tool sheet states it, else
    the default.

    The repeatability stands in it only if stated: from two runs on it is measured. `full_band`: the recording covers
    the one-third-octave bands up to 1250 Hz.
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
    return tuple(_replaced(part, *stated[key]) if key in stated else part for key, part in parts.items())


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
    return UncertaintyPart(part.name, pct / 100.0 / COVERAGE, f"stated {where} (k = 2)")


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


def ends(value: float, expanded: float) -> tuple[float, float]:
    """Return the ends, 2.3 and 97.7 % (k = 2), of a value that is not negative: value ± expanded uncertainty.

    Of a quantity that falls or rises with the value, such as an allowed time, the ends are those of the value put
    through it. Source: JCGM 101:2008 6.4.7 (normal, where estimate and uncertainty are all that one knows).
    """
    return max(0.0, value - expanded), value + expanded
