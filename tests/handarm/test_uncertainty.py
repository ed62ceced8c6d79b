"""The uncertainty budget against the GUM's rules, with Student's t from SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats

from vibekit.handarm import uncertainty as unc


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 9, 10, 11, 12, 20, 60, 500])
def test_students_t(n: int) -> None:
    """JCGM 100:2008 Table G.2: t for 68.27 % and n - 1 degrees of freedom, printed to two decimals."""
    assert unc.student_t(n) == pytest.approx(scipy.stats.t.ppf((1 + 0.6827) / 2, n - 1), abs=0.0055)


def test_standard_deviation_of_a_sample() -> None:
    values = [3.1, 4.7, 2.2, 9.4]
    assert unc.standard_deviation(values) == pytest.approx(np.std(values, ddof=1), rel=1e-12)


def test_scatter_of_runs_goes_into_the_mean() -> None:
    """JCGM 100:2008 4.2.3: the mean of n runs has u = s / sqrt(n), for few runs times t (G.3); here over the mean."""
    runs = [0.9, 1.0, 1.1]
    part = unc.repeatability_part(runs)
    assert part.relative == pytest.approx(1.32 * 0.1 / math.sqrt(3) / 1.0)
    assert part.name == unc.REPEATABILITY.name
    assert "3 runs" in part.origin


@pytest.mark.parametrize("runs", [[4.0], [0.0, 0.0], [0.0]])
def test_one_run_and_a_tool_that_stands_still_take_the_default(runs: list[float]) -> None:
    assert unc.repeatability_part(runs) == unc.REPEATABILITY


def test_a_stated_calibration_replaces_the_default() -> None:
    """A certificate states U with k = 2 (JCGM 100:2008 6.2.1): u = U / 2."""
    stated, default = unc.calibration_part(3.0), unc.calibration_part(None)
    assert stated.name == default.name == "calibration"
    assert stated.relative == pytest.approx(0.03 / 2)
    assert default.relative == pytest.approx(unc.DEFAULT_CALIBRATION_PCT / 200)
    assert "stated" in stated.origin and "default" in default.origin


def test_expanded_uncertainty_of_a_value() -> None:
    """JCGM 100:2008 eq. 18 with k = 2: parts of 3 and 4 % of 10 m/s² make U = 2·0.05·10 = 1.0 m/s²."""
    parts = [unc.UncertaintyPart("a", 0.03, "certificate"), unc.UncertaintyPart("b", 0.04, "guess")]
    assert unc.expanded(10.0, parts) == pytest.approx(1.0)
    assert parts[0].to_dict() == {"name": "a", "standard_pct": pytest.approx(3.0), "origin": "certificate"}
