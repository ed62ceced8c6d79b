"""Declared emission values: verification of a maker's a and K, and a K of one's own from runs and operators.

Sources: EN 12096:1997 (verification: measured value at most a + K) and ISO 20643 / ISO 28927 Annex B (K = 1.65·σ_R with
σ_R at least 0.06·a_h + 0.3 m/s²), both from memory, the floor of σ_R doubtful. A declared value holds for the
operation of its test code; use in earnest can shake less or more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from vibekit.handarm.uncertainty import standard_deviation

K_PER_SIGMA = 1.65
SERIES_VARIATION = 0.15  # a series of runs is valid below this coefficient of variation ...
SERIES_DEVIATION_MPS2 = 0.30  # ... or below this standard deviation; ISO 28927-1 (from memory)
OPERATORS, RUNS = 3, 5  # of a whole series; ISO 28927-1 (from memory)

Verification = Literal["verified", "not verified", "cannot tell", "compared only"]


@dataclass(frozen=True)
class DeclaredCheck:
    """A declared a and K [m/s²] held against a measured value."""

    declared_mps2: float
    declared_uncertainty_mps2: float | None
    verdict: Verification
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """Return the check as document data."""
        return {
            "declared_vibration_mps2": self.declared_mps2,
            "declared_uncertainty_mps2": self.declared_uncertainty_mps2,
            "verdict": self.verdict,
            "reason": self.reason,
        }


def verify_declared(
    declared: float, k: float | None, measured: float, no_verification: str | None = None
) -> DeclaredCheck:
    """Return whether a measured total value bears out a declared a and K [m/s²].

    K holds the doubt of measuring already, that of the measured value is not added. `no_verification` says why the
    recordings can only be compared: they were not made under the test code that a and K hold for.

    Source: EN 12096:1997 (from memory).
    """
    if k is None:
        return DeclaredCheck(declared, None, "cannot tell", "the tool sheet states no K (declared_uncertainty_mps2)")
    top, below = declared + k, measured <= declared + k
    found = f"{measured:.2f} is {'at most' if below else 'more than'} a + K = {top:.2f} m/s²"
    if no_verification:
        return DeclaredCheck(declared, k, "compared only", f"{found}; {no_verification}")
    return DeclaredCheck(declared, k, "verified" if below else "not verified", found)


@dataclass(frozen=True)
class EmissionSeries:
    """Runs of several operators as a test code takes them; `k_mps2` goes with the declared value `a_mps2`.

    `valid`: every operator's runs agree; `complete`: there are three operators with five runs each.
    """

    a_mps2: float
    sigma_r_mps2: float
    k_mps2: float
    operators: int
    valid: bool
    complete: bool

    def to_dict(self) -> dict[str, Any]:
        """Return the series as document data."""
        return dict(vars(self))


def emission_series(runs_by_operator: Sequence[Sequence[float]]) -> EmissionSeries:
    """Return a, σ_R and K of one position from total values of runs, operator by operator [m/s²].

    σ_R is the root of the mean variance of an operator's runs and the variance of the operators' means, and never
    less than the floor.

    Raises:
        ValueError: an operator has fewer than two runs.

    Source: ISO 20643 / ISO 28927 Annex B (from memory; the floor of σ_R doubtful); runs as in ISO 28927-1.
    """
    if not runs_by_operator or any(len(runs) < 2 for runs in runs_by_operator):
        raise ValueError("an emission series needs at least two runs of every operator")
    means = [math.fsum(runs) / len(runs) for runs in runs_by_operator]
    a = math.fsum(means) / len(means)
    within = math.fsum(standard_deviation(runs) ** 2 for runs in runs_by_operator) / len(means)
    between = standard_deviation(means) ** 2 if len(means) > 1 else 0.0
    sigma = max(math.sqrt(within + between), 0.06 * a + 0.3)
    return EmissionSeries(
        a,
        sigma,
        K_PER_SIGMA * sigma,
        len(means),
        all(series_valid(runs) for runs in runs_by_operator),
        len(means) >= OPERATORS and all(len(runs) >= RUNS for runs in runs_by_operator),
    )


def series_valid(runs: Sequence[float]) -> bool:
    """Tell whether runs of one operator agree well enough for a test code. ISO 28927-1 (from memory)."""
    deviation = standard_deviation(runs)
    return deviation < SERIES_DEVIATION_MPS2 or deviation < SERIES_VARIATION * math.fsum(runs) / len(runs)
