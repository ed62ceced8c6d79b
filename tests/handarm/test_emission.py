"""Declared values and runs: the rules of reference table emission_rules (EN 12096, ISO 20643; from memory there)."""

from __future__ import annotations

import pytest

from vibekit.handarm.emission import emission_series, verify_declared
from vibekit.handarm.uncertainty import UncertaintyPart, combined, repeatability_part


def test_verification_rule() -> None:
    """EN 12096: verified when the measured value is at most a + K."""
    assert verify_declared(6.0, 1.5, 7.5, 1.0).verdict == "verified"
    assert verify_declared(6.0, 1.5, 8.0, 1.0).verdict == "cannot tell"
    assert verify_declared(6.0, 1.5, 9.0, 1.0).verdict == "not verified"
    assert verify_declared(6.0, None, 5.0, 1.0).verdict == "cannot tell"


def test_published_pair_verifies_itself() -> None:
    """A published declaration (HSE circular 246/31 appendix, found): a = 8.0, K = 2.3; 12 to 16 m/s² in use."""
    assert verify_declared(8.0, 2.3, 10.3, 0.0).verdict == "verified"
    assert verify_declared(8.0, 2.3, 14.0, 2.0).verdict == "not verified"


def test_k_from_runs() -> None:
    """K = 1.65·σ_R, σ_R = max(s_R, 0.06·a + 0.3)."""
    calm = emission_series({"A": [5.0, 5.0, 5.0], "B": [5.0, 5.0, 5.0]})
    assert calm.k_mps2 == pytest.approx(1.65 * 0.6)
    assert calm.valid
    wild = emission_series({"A": [2.0, 8.0], "B": [5.0, 5.0]})
    assert wild.sigma_r_mps2 == pytest.approx(6.0**0.5)
    assert not wild.valid
    with pytest.raises(ValueError, match="two runs"):
        emission_series({"A": [5.0]})


def test_small_samples_take_students_t() -> None:
    """JCGM 100:2008 Table G.2, 68.27 %: t = 1.84 for one degree of freedom, 1.32 for two."""
    part = repeatability_part([4.0, 6.0])
    assert part.relative == pytest.approx(1.84 * 2**0.5 / 2**0.5 / 5.0)
    assert repeatability_part([4.0, 5.0, 6.0]).relative == pytest.approx(1.32 / 3**0.5 / 5.0)


def test_combination_against_a_worked_example() -> None:
    """Root sum of squares (JCGM 100:2008 eq. 12): 3, 4 and 12 % combine to 13 %."""
    assert combined([UncertaintyPart("", r, "") for r in (0.03, 0.04, 0.12)]) == pytest.approx(0.13)
