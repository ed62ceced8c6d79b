"""Declared values and runs: the rules of reference table emission_rules (EN 12096, ISO 20643; from memory there)."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from vibekit.handarm.emission import emission_series, series_valid, verify_declared
from vibekit.handarm.uncertainty import UncertaintyPart, combined


def test_verification_rule() -> None:
    """EN 12096: verified when the measured value is at most a + K, else not."""
    assert verify_declared(6.0, 1.5, 7.5).verdict == "verified"
    assert verify_declared(6.0, 1.5, 7.51).verdict == "not verified"
    assert verify_declared(6.0, None, 5.0).verdict == "cannot tell"


def test_published_pair_verifies_itself() -> None:
    """A published declaration (HSE circular 246/31 appendix, found): a = 8.0, K = 2.3; 12 to 16 m/s² in use."""
    assert verify_declared(8.0, 2.3, 10.3).verdict == "verified"
    assert verify_declared(8.0, 2.3, 14.0).verdict == "not verified"
    assert verify_declared(8.0, 2.3, 14.0, "in use, not under its test code").verdict == "compared only"


def test_k_from_runs() -> None:
    """K = 1.65·σ_R, σ_R = max(s_R, 0.06·a + 0.3), s_R² = mean of the operators' variances + variance of their means."""
    calm = emission_series([[5.0, 5.0, 5.0], [5.0, 5.0, 5.0]])
    assert calm.k_mps2 == pytest.approx(1.65 * 0.6)
    assert calm.valid and not calm.complete
    wild = emission_series([[2.0, 8.0], [5.0, 5.0]])
    assert wild.sigma_r_mps2 == pytest.approx(((18.0 + 0.0) / 2 + 0.0) ** 0.5)
    assert not wild.valid
    one = emission_series([[2.0, 8.0]])
    assert (one.sigma_r_mps2, one.operators) == (pytest.approx(18.0**0.5), 1)
    with pytest.raises(ValueError, match="two runs"):
        emission_series([[5.0]])


def test_sigma_against_the_analysis_of_variance() -> None:
    """ISO 5725-2 (from memory): s_R² = s_r² + s_L², from the mean squares of a one-way layout.

    The test code's s_R² has the variance of the means with the s_r²/n that is in it: larger by just that.
    """
    rng = np.random.default_rng(3)
    runs = 10.0 + 2.0 * rng.standard_normal((3, 1)) + rng.standard_normal((3, 5))
    within = np.mean(np.var(runs, axis=1, ddof=1))
    between = 5 * np.var(runs.mean(axis=1), ddof=1)  # mean square between operators
    assert between / within == pytest.approx(scipy.stats.f_oneway(*runs).statistic)
    reproducibility = within + (between - within) / 5
    series = emission_series(runs.tolist())
    assert series.sigma_r_mps2**2 == pytest.approx(reproducibility + within / 5)
    assert series.complete and series.operators == 3
    assert series.k_mps2 == pytest.approx(1.65 * series.sigma_r_mps2)


def test_a_check_carries_what_was_compared_and_why() -> None:
    """EN 12096 with a = 6, K = 1.5: 7.5 is the last that is verified."""
    for k, measured, against, verdict, words in (
        (1.5, 7.5, None, "verified", "7.50 is at most a + K = 7.50"),
        (1.5, 8.51, None, "not verified", "8.51 is more than a + K = 7.50"),
        (1.5, 5.0, "other work", "compared only", "5.00 is at most a + K = 7.50 m/s²; other work"),
        (None, 5.0, None, "cannot tell", "declared_uncertainty_mps2"),
    ):
        check = verify_declared(6.0, k, measured, against)
        assert (check.verdict, check.declared_mps2, check.declared_uncertainty_mps2) == (verdict, 6.0, k)
        assert words in check.reason
        assert check.to_dict() == {
            "declared_vibration_mps2": 6.0,
            "declared_uncertainty_mps2": k,
            "verdict": verdict,
            "reason": check.reason,
        }


@pytest.mark.parametrize(
    ("runs", "valid"),
    [
        ([0.9, 1.1, 1.3], True),  # s = 0.20 m/s² is 18 % of 1.1: small in itself
        ([9.0, 10.0, 11.0], True),  # s = 1.0 m/s² is 10 % of 10: small for its mean
        ([8.0, 10.0, 12.0], False),  # s = 2.0 m/s² is 20 %
        ([1.5, 2.0, 2.5], False),  # s = 0.5 m/s² is 25 %
    ],
)
def test_runs_agree_by_either_rule(runs: list[float], valid: bool) -> None:
    """ISO 28927-1 (from memory): coefficient of variation below 0.15 or standard deviation below 0.30 m/s²."""
    assert series_valid(runs) == valid


def test_a_is_the_mean_over_operators() -> None:
    """Means of 4 and 7 m/s² count once each, however many runs they hold: a = 5.5, sigma floor 0.06·5.5 + 0.3."""
    series = emission_series([[4.0, 4.0, 4.0, 4.0], [7.0, 7.0]])
    assert series.a_mps2 == pytest.approx(5.5)
    assert series.sigma_r_mps2 == pytest.approx(4.5**0.5)  # of the means 4 and 7; no operator's runs differ


def test_combination_against_a_worked_example() -> None:
    """Root sum of squares (JCGM 100:2008 eq. 12): 3, 4 and 12 % combine to 13 %."""
    assert combined([UncertaintyPart("", r, "") for r in (0.03, 0.04, 0.12)]) == pytest.approx(0.13)
