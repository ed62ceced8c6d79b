"""Trend: a change is significant only beyond the measurement's own doubt; alarm from the tool's own baseline."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from tests.bench.tools import result
from vibekit.bench.logbook import Entry
from vibekit.bench.trend import trend
from vibekit.errors import InputError

START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
BUDGET = [{"name": "operator", "relative": 0.08, "origin": ""}, {"name": "mounting", "relative": 0.06, "origin": ""}]
SHARED = 0.1  # root of the sum of squares of the budget


def history(
    sessions: list[list[float]], quantity: str = "a_hv_mps2", hours: bool = True, **facts: object
) -> list[Entry]:
    """Return entries of one tool: a list of runs per session, ten hours of use and ten days apart."""
    found = []
    for i, runs in enumerate(sessions):
        for j, value in enumerate(runs):
            found.append(
                Entry(
                    START + timedelta(days=10 * i, minutes=j),
                    "T-1",
                    "speed" if quantity == "spindle_rpm" else "grade",
                    {quantity: value, "note": "text"},
                    f"{i:032d}{j:032d}",
                    "0" * 64,
                    hours_used=10.0 * i if hours else None,
                    condition="loaded",
                    document={"budget": BUDGET},
                    **facts,  # type: ignore[arg-type]
                )
            )
    return found


def test_straight_growth_is_found_with_its_size() -> None:
    """Exactly 10 % per session in the logarithm, six sessions: exp(0.5) - 1 = 65 %."""
    found = trend(history([[4.0 * math.exp(0.1 * i)] * 3 for i in range(6)]), "T-1")
    assert found.change_pct == pytest.approx(100 * math.expm1(0.5), rel=1e-6)
    assert found.significant is True
    assert found.alarm is True
    assert found.against == "hours used"


def test_uncertainty_of_the_change_is_that_of_the_weighted_line() -> None:
    """Against numpy.polyfit(cov="unscaled") with the sessions' known standard uncertainties."""
    rng = np.random.default_rng(1)
    values = [(5.0 * np.exp(0.02 * i + 0.05 * rng.standard_normal(3))).tolist() for i in range(5)]
    found = trend(history(values), "T-1")
    logs = [np.log(v) for v in values]
    pooled = math.sqrt(sum(((v - v.mean()) ** 2).sum() for v in logs) / 10)
    u = math.hypot(SHARED, pooled / math.sqrt(3))
    line, covariance = np.polyfit(10.0 * np.arange(5), [v.mean() for v in logs], 1, w=np.full(5, 1 / u), cov="unscaled")
    assert found.change_pct == pytest.approx(100 * math.expm1(40 * line[0]))
    expected = 100 * math.exp(40 * line[0]) * 2 * 40 * math.sqrt(covariance[0, 0])
    assert found.change_uncertainty_pct == pytest.approx(expected)


def test_what_every_session_shares_cancels_in_a_change() -> None:
    """One sensor (8 % of its own) reads 5/4 of 5/4 too; mounted anew (6 %) each time. JCGM 100:2008 eq. 16, r = 1."""
    for serials, u in ((("S-1", "S-1"), 0.06), (("S-1", "S-2"), SHARED), ((None, None), SHARED)):
        entries = [
            replace(entry, document={"budget": [{**BUDGET[0], "cause": "sensor", "key": key}, BUDGET[1]]})
            for entry, key in zip(history([[4.0], [5.0]]), serials, strict=True)
        ]
        found = trend(entries, "T-1")
        assert found.change_uncertainty_pct == pytest.approx(100 * 2 * 1.25 * math.sqrt(2) * math.hypot(u, 0.1))


def test_axes_in_turn_are_one_value_of_their_session() -> None:
    """x, y, z of 2, 3, 6 m/s² make 7, twice that later 14 (ISO 5349-1 eq. 1): +100 %, though every axis is a run."""
    entries = []
    for session, scale in enumerate((1.0, 2.0)):
        for i, (axis, value) in enumerate(zip("xyz", (2.0, 3.0, 6.0), strict=True)):
            run = result("T-1", 1.7 * scale * value, run=i, grade={"a_hw_mps2": {axis: scale * value}})
            when = START + timedelta(days=10 * session, minutes=i)
            quantities = {"a_hv_mps2": 1.7 * scale * value}
            entries.append(
                Entry(
                    when, "T-1", "grade", quantities, run.sha256, "0" * 64, condition="loaded", document=run.to_dict()
                )
            )
    found = trend(entries, "T-1")
    assert [point.value for point in found.points] == pytest.approx([7.0, 14.0])
    assert found.change_pct == pytest.approx(100.0)
    assert "axes_joined" in {notice.code for notice in found.notices}


def simulated(rng: np.random.Generator, growth: float, sessions: int) -> list[list[float]]:
    """Sessions whose own error is as budgeted, with 5 % run scatter."""
    means = [growth * i / (sessions - 1) + SHARED * rng.standard_normal() for i in range(sessions)]
    return [(4.0 * np.exp(mean + 0.05 * rng.standard_normal(3))).tolist() for mean in means]


def test_a_stated_scatter_of_runs_holds_where_no_session_repeats() -> None:
    """Two sessions of one run: u of the change = √2·√(shared² + stated²), relative (JCGM 100:2008 eq. 12)."""
    stated = [*BUDGET, {"name": "repeatability of runs", "relative": 0.3, "origin": "stated"}]
    entries = [replace(entry, document={"budget": stated}) for entry in history([[4.0], [5.0]])]
    found = trend(entries, "T-1")
    assert found.change_uncertainty_pct == pytest.approx(100 * 2 * 1.25 * math.sqrt(2) * math.hypot(SHARED, 0.3))


def test_an_unchanged_tool_is_called_changed_in_about_5_percent() -> None:
    rng = np.random.default_rng(2)
    said = sum(bool(trend(history(simulated(rng, 0.0, 5)), "T-1").significant) for _ in range(400))
    low, high = stats.binom.interval(0.999, 400, 0.05)
    assert said <= high
    assert said >= 1  # a test that never says so would be blind; the enlarged doubt may keep it below 5 %
    assert low >= 0


def test_a_doubled_magnitude_is_found_and_alarms() -> None:
    rng = np.random.default_rng(3)
    found = [trend(history(simulated(rng, math.log(2), 6)), "T-1") for _ in range(100)]
    assert sum(bool(t.significant) for t in found) >= 95
    assert sum(bool(t.alarm) for t in found) >= 80


def test_alarm_is_rare_on_an_unchanged_tool() -> None:
    rng = np.random.default_rng(4)
    assert (
        sum(bool(trend(history(simulated(rng, 0.0, 6)), "T-1").alarm) for _ in range(400)) <= 8
    )  # 3 s: 0.1 %, 2 % kept


def test_one_session_states_no_change() -> None:
    found = trend(history([[4.0, 4.1, 4.2]]), "T-1")
    assert (found.change_pct, found.significant, found.alarm) == (None, None, None)
    assert [n.code for n in found.notices] == ["one_session"]


def test_dates_where_hours_are_missing() -> None:
    found = trend(history([[4.0], [4.4]], hours=False), "T-1")
    assert found.against == "days"
    assert [p.x for p in found.points] == [0.0, 10.0]
    assert found.change_pct == pytest.approx(10.0)
    assert found.significant is False  # 10 % is within the doubt of two single runs


def test_a_quantity_without_own_doubt_is_judged_by_its_scatter() -> None:
    """Against scipy.stats.linregress: significant where the two-sided p-value is below 5 %."""
    rng = np.random.default_rng(7)
    seen = set()
    for _ in range(40):
        values = (0.3 + 0.02 * np.arange(6) + 0.04 * rng.standard_normal(6)).tolist()
        found = trend(history([[v] for v in values], "imbalance.accessory"), "T-1", "imbalance.accessory")
        line = stats.linregress(10.0 * np.arange(6), values)
        assert found.significant == (line.pvalue < 0.05)
        assert found.change_pct == pytest.approx(100 * 50 * line.slope / values[0])
        seen.add(found.significant)
    assert seen == {True, False}
    assert trend(history([[0.1], [0.2]], "imbalance.accessory"), "T-1", "imbalance.accessory").significant is None


def test_a_falling_speed_alarms_too() -> None:
    found = trend(history([[9000.0], [8990.0], [9010.0], [7000.0]], "spindle_rpm"), "T-1", "spindle_rpm")
    assert found.alarm is True and found.alarm_low is not None
    assert trend(history([[4.0], [2.0]]), "T-1").alarm is False  # less vibration is no alarm


def test_other_terms_are_left_out_and_said() -> None:
    entries = history([[4.0, 4.0], [4.0, 4.0]]) + history([[9.0]], position="front handle")
    found = trend(entries, "T-1")
    assert len(found.points) == 4
    assert [n.code for n in found.notices] == ["other_terms"]
    assert len(trend(entries, "T-1", position="front handle").points) == 1


@pytest.mark.parametrize(
    ("tag", "quantity", "says"), [("T-9", "a_hv_mps2", "T-1"), ("T-1", "note", "a_hv_mps2"), ("T-1", "x", "a_hv_mps2")]
)
def test_what_the_log_has_is_named(tag: str, quantity: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        trend(history([[4.0]]), tag, quantity)


def test_times_of_files_are_said_to_be_such_where_the_trend_goes_by_days() -> None:
    """A copy of a recording may have the time of the copy: hours used do not suffer from that."""
    runs = [[4.0], [4.1], [4.2]]
    by_days = trend(history(runs, hours=False, recorded_from="file time"), "T-1")
    assert [n.value for n in by_days.notices if n.code == "time_of_file"] == [3]
    for told in (history(runs, hours=False), history(runs, recorded_from="file time")):
        assert "time_of_file" not in {n.code for n in trend(told, "T-1").notices}
