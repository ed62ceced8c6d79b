"""Daily exposure against published worked examples and exact inversions."""

from __future__ import annotations

import json

import pytest

import vibekit as vk
from tests.reference import rows
from vibekit.errors import UsageError
from vibekit.handarm.exposure import ExposureTask, day_of, time_to_reach, weekly_exposure
from vibekit.handarm.uncertainty import UncertaintyPart

EXAMPLES = rows("exposure_examples")


@pytest.mark.parametrize("example", EXAMPLES, ids=[row["name"] for row in EXAMPLES])
def test_worked_examples(example: dict[str, str]) -> None:
    """Sources and status stand in each row of the table."""
    day = vk.daily_exposure([(a, 3600.0 * hours) for a, hours in json.loads(example["tasks_[a_m_s2,T_h]"])])
    assert day.a8_mps2 == pytest.approx(float(example["A8_computed"]), abs=6e-5)
    assert day.points == pytest.approx(float(example["points_computed"]), abs=6e-3)


def test_printed_results_of_the_examples() -> None:
    """The results as printed: 3.4 m/s² (ISO 5349-1), 288 + 256 + 121 = 665 points (CEN/TR 15350), 150 points (L140)."""
    iso = vk.daily_exposure([(2, "1h"), (3.5, "3h"), (10, "30m")])
    assert f"{iso.a8_mps2:.1f}" == "3.4"
    en = vk.daily_exposure([(12, "1h"), (8, "2h"), (11, "30m")])
    assert [round(task.points) for task in en.tasks] == [288, 256, 121]
    assert round(vk.daily_exposure([(5, "3h")]).points) == 150


def test_points_table() -> None:
    """Points 2·a²·T[h], printed to one decimal (guidance table; computed)."""
    for row in rows("points_table"):
        for minutes in (5, 30, 60, 480):
            day = vk.daily_exposure([(float(row["a_m_s2"]), f"{minutes}m")])
            assert day.points == pytest.approx(float(row[f"{minutes}_min"]), abs=0.051)


def test_times_to_the_values() -> None:
    for row in rows("time_to_limits"):
        a = float(row["a_m_s2"])
        assert time_to_reach(a, 2.5) == pytest.approx(3600 * float(row["T_h_to_2.5"]), abs=0.2)
        assert time_to_reach(a, 5.0) == pytest.approx(3600 * float(row["T_h_to_5.0"]), abs=0.2)


def test_a_value_exactly_reached_counts_as_reached() -> None:
    for a, time in ((2.5, "8h"), (5.0, "2h"), (10.0, "30m")):
        day = vk.daily_exposure([(a, time)])
        assert day.verdict == "above action value"
        assert day.time_left_s(2.5) == 0.0
    assert vk.daily_exposure([(5.0, "8h")]).verdict == "above limit value"
    assert vk.daily_exposure([(2.499, "8h")]).verdict == "below action value"


def test_time_left_inverts_exposure() -> None:
    day = vk.daily_exposure([(2, "1h"), (3.1, "90m"), (4.2, "10m")])
    for task in day.tasks:
        left = day.time_left_s(2.5, task)
        assert left is not None
        later = day_of([*day.tasks, ExposureTask(task.a_hv_mps2, left)])
        assert later.a8_mps2 == pytest.approx(2.5, rel=1e-12)


def test_uncertainty_against_a_monte_carlo_run() -> None:
    """JCGM 101 (Monte Carlo) against the analytic propagation."""
    import numpy as np

    parts = [(UncertaintyPart("all", 0.1, "", key="A"),), (UncertaintyPart("all", 0.15, "", key="B"),)]
    tasks = [ExposureTask(6.0, 3600, 1.2, budget=parts[0]), ExposureTask(3.0, 7200, 0.9, budget=parts[1])]
    rng = np.random.default_rng(2)
    a = rng.normal([6.0, 3.0], [0.6, 0.45], (200_000, 2))
    a8 = np.sqrt((a**2 * [3600, 7200]).sum(axis=1) / 28800)
    assert day_of(tasks).expanded_uncertainty_mps2 == pytest.approx(2 * a8.std(), rel=0.02)


@pytest.mark.parametrize(
    "task", [(-1.0, "1h"), (float("nan"), "1h"), (float("inf"), "1h"), (3.0, "25h"), (3.0, -5.0), (3.0, "soon")]
)
def test_impossible_tasks(task: tuple[float, str]) -> None:
    with pytest.raises(UsageError):
        vk.daily_exposure([task])


def test_more_than_a_day_in_sum() -> None:
    with pytest.raises(UsageError, match="24 h"):
        vk.daily_exposure([(1, "13h"), (1, "12h")])
    with pytest.raises(UsageError):
        vk.daily_exposure([])


def test_weekly_average_of_equal_days_is_the_day() -> None:
    """UK SI 2005/1093 Schedule 1 Part II: five equal 8 h days average to the day; one day alone to day/sqrt(5)."""
    assert weekly_exposure([2.7] * 5) == pytest.approx(2.7)
    assert weekly_exposure([2.7]) == pytest.approx(2.7 / 5**0.5)
    with pytest.raises(UsageError):
        weekly_exposure([1.0] * 8)


def test_white_finger_years() -> None:
    """ISO 5349-1:2001 Annex C, table rounded to years (from memory): 26 m/s² 1 year, 14: 2, 7: 4, 3.7: 8."""
    for row in rows("white_finger"):
        years = vk.daily_exposure([(float(row["A8"]), "8h")]).white_finger_years
        if row["table_Dy_years"]:
            assert years is not None
            assert round(years) == float(row["table_Dy_years"])
    assert vk.daily_exposure([(1.0, "8h")]).white_finger_years is None


def test_shortening_one_task_brings_the_day_down_to_the_value() -> None:
    day = vk.daily_exposure([(4, "2h"), (8, "1h"), (1, "1h")])
    for i, task in enumerate(day.tasks):
        cut = day.cut_s(2.5, task)
        if i != 1:  # 4 m/s² for 2 h and 1 m/s² for 1 h hold less than the excess
            assert cut is None
            continue
        assert cut is not None
        shorter = list(day.tasks)
        shorter[i] = ExposureTask(task.a_hv_mps2, task.time_s - cut)
        assert day_of(shorter).a8_mps2 == pytest.approx(2.5, rel=1e-9)
