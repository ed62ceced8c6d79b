"""Runs within operators: GUM H.5, effective degrees of freedom, and times drawn by Monte Carlo (JCGM 101)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
import scipy.stats

from vibekit.handarm import uncertainty as unc
from vibekit.handarm.nested import mean_of_means, nested_doubt
from vibekit.handarm.summary import allowed_time
from vibekit.recording.sidecar import RecordingFacts, SensorFacts, UncertaintyFacts
from vibekit.recording.toolsheet import ToolSheet

DRAWS = 1_000_000
TAIL = scipy.stats.norm.cdf(-2.0)
NO_OPERATOR = unc.known_parts(RecordingFacts(uncertainty=UncertaintyFacts(operator_pct=0.0)), full_band=True)
USUAL = unc.known_parts(RecordingFacts(), full_band=True)

# JCGM 100:2008 Table H.9, from memory; it reproduces the results printed there (57, 18, 85, 128 µV; F = 2.25).
# Means of five voltages on each of ten days, µV over 10 V, and their standard deviations, µV.
MEANS_UV = (172, 116, 13, 144, 106, 31, 60, 125, 163, 41)
DEVIATIONS_UV = (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)


def observations(mean: float, deviation: float) -> list[float]:
    """Five values with that mean and sample standard deviation."""
    shape = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    return list(mean + deviation * shape / shape.std(ddof=1))


def test_nested_observations_of_the_gum() -> None:
    """JCGM 100:2008 H.5.2: u of the mean is 57 µV/√10 = 18 µV, nine degrees of freedom; pooled it would be 13 µV."""
    days = [observations(m + 1000.0, s) for m, s in zip(MEANS_UV, DEVIATIONS_UV, strict=True)]
    assert 5**0.5 * np.std(MEANS_UV, ddof=1) == pytest.approx(128, abs=0.5)  # H.27a
    assert scipy.stats.f_oneway(*days).statistic == pytest.approx(2.25, abs=0.02)
    budget = nested_doubt(days, NO_OPERATOR).budget
    assert mean_of_means(days) == pytest.approx(1097, abs=0.5)
    assert budget[-1].relative * mean_of_means(days) == pytest.approx(18, abs=0.5)
    assert budget[-1].degrees_of_freedom == 9.0
    assert unc.REPEATABILITY.name not in {part.name for part in budget}  # it is in the spread of the means


def part(u: float, degrees: float = math.inf) -> unc.UncertaintyPart:
    return unc.UncertaintyPart("", u, "", degrees_of_freedom=degrees)


@pytest.mark.parametrize(
    ("parts", "combined", "degrees"),
    [
        ([(0.25, 9), (0.57, 4), (0.82, 14)], 1.03, 19.0),  # G.4.1, in percent
        ([(25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)], 31.7, 16.7),  # H.1.6, in nm
    ],
)
def test_effective_degrees_of_the_gum(parts: list[tuple[float, float]], combined: float, degrees: float) -> None:
    """JCGM 100:2008 examples (from memory; the first also follows from its own figures)."""
    known = [part(u, n) for u, n in parts]
    assert unc.combined(known) == pytest.approx(combined, abs=0.05)
    assert unc.effective_degrees(known) == pytest.approx(degrees, abs=0.1)
    k = scipy.stats.t.ppf(1 - TAIL, unc.effective_degrees(known))
    assert unc.coverage_factor(known) == pytest.approx(k)


@pytest.mark.parametrize(("degrees", "k"), [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)])
def test_coverage_factor_of_the_table(degrees: int, k: float) -> None:
    """JCGM 100:2008 Table G.2, column of 95.45 %; for infinite degrees of freedom 2.000."""
    assert unc.coverage_factor([part(0.1, degrees)]) == pytest.approx(k, abs=0.005)
    assert unc.coverage_factor([part(0.1)]) == 2.0
    assert unc.coverage_factor([]) == 2.0


def drawn(by_operator: Sequence[Sequence[float]], seed: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Draw magnitudes by JCGM 101: the usual parts normal (6.4.7), the operators' mean from Student's t (6.4.9.2)."""
    rng, means = np.random.default_rng(seed), [float(np.mean(runs)) for runs in by_operator]
    a, n = float(np.mean(means)), len(means)
    shared = [p.relative for p in USUAL if p.name != unc.OPERATOR.name]
    of_mean = float(np.std(means, ddof=1)) / n**0.5
    return np.asarray(
        a * (1 + np.linalg.norm(shared) * rng.standard_normal(DRAWS)) + of_mean * rng.standard_t(n - 1, DRAWS)
    )


@pytest.mark.parametrize(
    "by_operator",
    [
        [[4.0], [6.0], [8.0]],
        [[4.0] * 5, [6.0] * 5, [8.0] * 5],
        [[4.0, 5.0], [6.5, 7.0]],
        [[3.0, 3.1, 3.5], [4.0, 4.4, 4.2], [3.3, 3.9, 3.0], [5.0, 5.5, 4.9], [3.0, 3.6, 3.3]],
    ],
)
def test_low_end_of_the_time_against_monte_carlo(by_operator: list[list[float]]) -> None:
    """JCGM 101:2008: of the times drawn (ISO 5349-1 eq. 2), at most 2.5 % are shorter than the low end."""
    doubt = nested_doubt(by_operator, USUAL)
    a = mean_of_means(by_operator)
    low = allowed_time(a, doubt.reach * a, 2.5).low_s
    shorter = drawn(by_operator, 3) > 2.5 * (28800 / low) ** 0.5 if low else None
    assert shorter is not None and 0.02 < np.mean(shorter) <= 0.025
    assert doubt.reach >= unc.coverage_factor(doubt.budget) * unc.combined(doubt.budget)


def test_three_operators_who_differ_by_far() -> None:
    """Means 4, 6, 8 m/s²: u of their mean is 2/√3 whatever the runs (GUM H.5.2.4); k for the effective degrees."""
    for runs in (1, 5):
        budget = nested_doubt([[a] * runs for a in (4.0, 6.0, 8.0)], USUAL).budget
        shared = 6.0 * unc.combined([p for p in USUAL if p.name != unc.OPERATOR.name])
        u = math.hypot(2 / 3**0.5, shared)
        degrees = 2 * (u / (2 / 3**0.5)) ** 4
        assert unc.effective_degrees(budget) == pytest.approx(degrees)
        assert unc.expanded(6.0, budget) == pytest.approx(scipy.stats.t.ppf(1 - TAIL, degrees) * u)


@pytest.mark.parametrize(
    ("operators", "runs", "between"),
    [(1, 2, 0.08), (1, 3, 0.08)]  # of one operator nothing but the assumed 8 % is known
    + [(*who, between) for who in ((2, 1), (2, 3), (3, 1), (3, 5), (6, 3)) for between in (0.08, 0.3)],
)
def test_low_end_holds_for_invented_people(operators: int, runs: int, between: float) -> None:
    """Drawn people, runs and systematic errors: the low end is longer than the true time in at most 2.5 %."""
    rng = np.random.default_rng(operators + 10 * runs)
    shared = unc.combined([p for p in USUAL if p.name != unc.OPERATOR.name])
    trials, longer = 600, 0
    for _ in range(trials):
        people = 1 + between * rng.standard_normal((operators, 1)) + 0.1 * rng.standard_normal((operators, runs))
        measured = (people * (1 + shared * rng.standard_normal())).tolist()
        longer += mean_of_means(measured) * (1 + nested_doubt(measured, USUAL).reach) < 1.0
    assert scipy.stats.binomtest(longer, trials, 0.025, alternative="greater").pvalue > 0.001


def test_one_operator_keeps_the_assumed_part() -> None:
    budget = nested_doubt([[4.0, 4.2, 4.1]], USUAL).budget
    assert unc.OPERATOR in budget
    assert budget[-1].relative == pytest.approx(0.1 / 3**0.5 / 4.1)  # JCGM 100:2008 4.2.3, no further factor
    assert (budget[-1].degrees_of_freedom, budget[-1].name) == (2.0, unc.REPEATABILITY.name)


def test_two_who_agree_by_chance_prove_nothing() -> None:
    """The operator's assumed 8 % stays, over √2, beside the scatter of their runs, pooled (JCGM 100:2008 4.2.4)."""
    budget = nested_doubt([[4.0, 5.0], [5.0, 4.0]], USUAL).budget
    found = {p.name: p for p in budget}
    assert found[unc.OPERATOR.name].relative == pytest.approx(0.08 / 2**0.5)
    assert found[unc.REPEATABILITY.name].relative == pytest.approx(0.5**0.5 / 2 / 4.5)
    assert found[unc.REPEATABILITY.name].degrees_of_freedom == 2.0


@pytest.mark.parametrize("runs", [[[4.0]], [[0.0, 0.0]]])
def test_one_run_and_a_tool_that_stands_still_take_the_default(runs: list[list[float]]) -> None:
    assert nested_doubt(runs, USUAL).budget[-1] == unc.REPEATABILITY


def test_parts_say_whose_they_are() -> None:
    facts = RecordingFacts(operator="A", position="Rear-handle", calibration_uncertainty_pct=4.0)
    sensor = SensorFacts(mounting="Hose clamp block", serial="S-12")
    parts = {p.name: p for p in unc.known_parts(facts, True, ToolSheet("T-1"), sensor)}
    assert {name: (p.cause, p.key) for name, p in parts.items()} == {
        "calibration": ("sensor", "S-12"),
        "mounting and sensor band": ("mounting", "hose clamp block"),
        "axis alignment": ("mounting", "hose clamp block"),
        "sampling and band": ("sensor", "S-12"),
        "weighting": ("sensor", "the weighting used for all"),
        "position on the grip": ("position", "T-1, rear handle"),
        "operator's grip and push": ("operator", "A"),
    }
    assert {p.key for p in USUAL} == {None, "the weighting used for all"}
    assert all(unc.UncertaintyPart.restored(p.stored()) == p for p in parts.values())
