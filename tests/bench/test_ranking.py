"""Ranking: equal terms, probabilities that hold in simulation, ties, useful work."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from tests.bench.tools import result, write_run
from vibekit.bench.analysis import RunResult, analyse
from vibekit.bench.comparison import Estimate, all_pairs, places, probability_less, told_pairs
from vibekit.bench.ranking import rank
from vibekit.errors import Notice
from vibekit.handarm.uncertainty import UncertaintyPart


def test_probability_of_known_normals_against_scipy() -> None:
    """Two normal logarithms: P(a < b) = Φ((ln b - ln a)/√(ua² + ub²)) by scipy.stats.norm."""
    a, b = Estimate("a", 4.0, 0.1, 0.05), Estimate("b", 5.0, 0.08, 0.1)
    expected = stats.norm.cdf(math.log(5 / 4), scale=math.sqrt(0.1**2 + 0.05**2 + 0.08**2 + 0.1**2))
    assert probability_less(a, b) == pytest.approx(expected)
    assert probability_less(b, a) == pytest.approx(1 - expected)


def test_what_the_sheets_state_of_a_tool_decides_how_sure_the_order_is(tmp_path: Path) -> None:
    """One run each of 4 and 5 m/s², all parts stated: Φ(ln(5 / 4) / √(ua² + ub²)) by scipy.stats.norm.

    Stated are expanded uncertainties (k = 2): JCGM 100:2008 6.2.1. Also read back from JSON, as a log has it.
    """
    zero = dict.fromkeys(("mounting", "alignment", "position", "operator", "band", "weighting"), 0.0)
    runs = []
    for tag, a_hv, scatter in (("a", 4.0, 8.0), ("b", 5.0, 30.0)):
        stated = {f"uncertainty.{name}_pct": pct for name, pct in (zero | {"repeatability": scatter}).items()}
        path = write_run(tmp_path, tag, tag, a_hv, calibration_uncertainty_pct=4.0, condition="loaded", **stated)
        runs.append(RunResult.from_dict(json.loads(json.dumps(analyse(path).to_dict()))))
    expected = stats.norm.cdf(math.log(5 / 4), scale=math.sqrt(2 * 0.02**2 + 0.04**2 + 0.15**2))
    document = rank(runs).to_dict()
    assert document["pairs"][0]["probability_a_shakes_less"] == pytest.approx(expected, rel=1e-3)
    doubts = [tool["expanded_uncertainty_mps2"] / tool["a_hv_mps2"] for tool in document["tools"]]
    assert doubts == pytest.approx([2 * math.hypot(0.02, 0.04), 2 * math.hypot(0.02, 0.15)])


def test_probability_with_few_runs_is_welchs() -> None:
    """Scatter alone: the one-sided p-value of scipy.stats.ttest_ind(equal_var=False)."""
    first, second = np.log([4.0, 4.4, 4.1]), np.log([4.9, 4.3, 4.6, 5.2])
    one, two = (
        Estimate(n, math.exp(v.mean()), 0.0, v.std(ddof=1) / math.sqrt(v.size), v.size - 1)
        for n, v in (("a", first), ("b", second))
    )
    expected = stats.ttest_ind(second, first, equal_var=False, alternative="less").pvalue
    assert probability_less(one, two) == pytest.approx(expected, rel=1e-6)


def test_one_sensor_and_one_person_cancel_between_two_tools() -> None:
    """JCGM 100:2008 eq. 16 with r = 1: the shared part of the difference of logarithms is the difference of parts."""
    alone = [
        Estimate(tag, a, 0.05, 0.02, shared={"calibration: S-1": u}) for tag, a, u in (("a", 4, 0.3), ("b", 5, 0.2))
    ]
    scale = math.sqrt(2 * (0.05**2 + 0.02**2) + 0.1**2)
    assert probability_less(*alone) == pytest.approx(stats.norm.cdf(math.log(5 / 4), scale=scale))
    other = replace(alone[1], shared={"calibration: S-2": 0.2})
    scale = math.sqrt(2 * (0.05**2 + 0.02**2) + 0.3**2 + 0.2**2)
    assert probability_less(alone[0], other) == pytest.approx(stats.norm.cdf(math.log(5 / 4), scale=scale))
    both = [Estimate(tag, a, 0.0, 0.001, shared={"calibration: S-1": 0.3}) for tag, a in (("a", 4.0), ("b", 4.1))]
    assert [place.high for place in places(both).values()] == [1, 2]  # however wrong the sensor, the order stands


def test_a_bench_with_a_known_sensor_tells_more_than_one_without() -> None:
    def probability(keys: tuple[str | None, str | None]) -> float:
        parts = [(UncertaintyPart("calibration", 0.2, "", "sensor", key),) for key in keys]
        runs = [result(tag, a, budget=part) for tag, a, part in zip("ab", (4.0, 5.0), parts, strict=True)]
        return float(rank(runs).to_dict()["pairs"][0]["probability_a_shakes_less"])

    known = stats.norm.cdf(math.log(5 / 4), scale=math.sqrt(2) * 0.1)  # of the runs, 10 % each by default
    apart = stats.norm.cdf(math.log(5 / 4), scale=math.sqrt(2) * math.hypot(0.1, 0.2))
    assert probability(("S-1", "S-1")) == pytest.approx(known)
    assert probability(("S-1", "S-2")) == pytest.approx(apart)
    assert probability((None, None)) == pytest.approx(apart)


def test_axes_in_turn_are_ranked_as_one_magnitude() -> None:
    """ISO 5349-1 eq. 1: x, y, z of 2, 3, 6 m/s² make 7, which is less than 8; no axis alone is a run."""
    missing = Notice("axes_missing", "caution", "only one axis")
    turned = [
        result("a", 1.7 * value, grade={"a_hw_mps2": {axis: value}}, notices=(missing,))
        for axis, value in zip("xyz", (2.0, 3.0, 6.0), strict=True)
    ]
    document = rank([*turned, result("b", 8.0)]).to_dict()
    assert [(tool["tag"], tool["runs"]) for tool in document["tools"]] == [("a", 1), ("b", 1)]
    assert document["tools"][0]["a_hv_mps2"] == pytest.approx(7.0)
    codes = {notice["code"] for notice in document["notices"]}
    assert "axes_joined" in codes and "axes_missing" not in codes


def test_of_many_pairs_each_tool_and_the_next_are_told() -> None:
    """Six tools make 15 pairs, seven make 21 (n·(n-1)/2), of which six are neighbours in the order."""
    ordered = [Estimate(f"T-{n}", 2.0 + n, 0.1, 0.1) for n in range(7)]
    pairs = [pair.to_dict() for pair in all_pairs(ordered)]
    assert len(pairs) == 21
    assert [(p["a"], p["b"]) for p in told_pairs(pairs)] == [(f"T-{n}", f"T-{n + 1}") for n in range(6)]
    assert told_pairs(pairs[:15]) == pairs[:15]


def test_said_80_percent_is_right_in_80_percent() -> None:
    """Simulated benches: true magnitudes, tools' own systematic error, run scatter; as said, so often right.

    The scatter of each tool is unknown and estimated from its 3 runs; systematic parts are drawn as budgeted.
    """
    rng = np.random.default_rng(5)
    said, right = [], []
    for _ in range(4000):
        true = np.exp(rng.uniform(math.log(2), math.log(8), 2))
        systematic, scatter = 0.094, rng.uniform(0.03, 0.2, 2)
        shown = true * np.exp(systematic * rng.standard_normal(2))
        runs = [shown[i] * np.exp(scatter[i] * rng.standard_normal(3)) for i in range(2)]
        estimates = [
            Estimate(n, r.mean(), systematic, r.std(ddof=1) / r.mean() / math.sqrt(3), 2)
            for n, r in zip("ab", runs, strict=True)
        ]
        p = all_pairs(estimates)[0].probability_a_shakes_less
        said.append(max(p, 1 - p))
        right.append((true[0] < true[1]) == (p > 0.5))
    said_at, right_at = np.array(said), np.array(right)
    for low, high in ((0.5, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 1.0)):
        inside = (said_at >= low) & (said_at < high)
        assert inside.sum() > 150
        assert right_at[inside].mean() == pytest.approx(said_at[inside].mean(), abs=0.05)


def test_rank_interval_holds_the_true_rank() -> None:
    rng = np.random.default_rng(6)
    inside = total = 0
    for _ in range(60):
        true = np.exp(rng.uniform(math.log(2), math.log(8), 5))
        shown = true * np.exp(0.15 * rng.standard_normal(5))
        found = places([Estimate(str(i), value, 0.15, 0.0) for i, value in enumerate(shown)])
        ranks = true.argsort().argsort() + 1
        inside += sum(found[str(i)].low <= ranks[i] <= found[str(i)].high for i in range(5))
        total += 5
    assert inside / total >= 0.93


def test_clear_order_and_tie() -> None:
    runs = [
        result(tag, a * f) for tag, a in (("rough", 9.0), ("calm", 2.0), ("calm too", 2.05)) for f in (0.97, 1.0, 1.03)
    ]
    document = rank(runs).to_dict()
    tools = {tool["tag"]: tool for tool in document["tools"]}
    assert [tool["tag"] for tool in document["tools"]] == ["calm", "calm too", "rough"]
    assert (tools["rough"]["rank_low"], tools["rough"]["rank_high"]) == (3, 3)
    assert (tools["calm"]["rank_low"], tools["calm"]["rank_high"]) == (1, 2)
    assert tools["calm"]["tied_with"] == ["calm too"]
    pairs = {(p["a"], p["b"]): p for p in document["pairs"]}
    assert pairs["calm", "calm too"]["tie"] and not pairs["calm", "rough"]["tie"]
    assert pairs["calm", "rough"]["probability_a_shakes_less"] > 0.99


def test_equal_magnitudes_share_the_rank() -> None:
    tools = rank([result("a", 4.0), result("b", 4.0), result("c", 9.0)]).to_dict()["tools"]
    assert [tool["rank"] for tool in tools] == [1, 1, 3]


def test_useful_work_by_hand() -> None:
    """T = 8 h·(2.5/a)² (ISO 5349-1:2001 eq. 2), work = power·T: 5 m/s², 300 W gives 2 h and 600 Wh."""
    runs = [result("strong", 5.0, shaft_power_w=300.0), result("smooth", 2.5, shaft_power_w=50.0)]
    tools = {tool["tag"]: tool for tool in rank(runs).to_dict()["tools"]}
    assert tools["strong"]["allowed_trigger_time_s"] == pytest.approx(7200)
    assert tools["strong"]["work_to_action_value_wh"] == pytest.approx(600)
    assert tools["smooth"]["work_to_action_value_wh"] == pytest.approx(400)
    assert tools["strong"]["work_to_action_value_low_wh"] < 600 < tools["strong"]["work_to_action_value_high_wh"]


def test_droop_needs_both_speeds() -> None:
    runs = [result("a", 4.0, spindle_rpm=9000.0), result("a", 3.0, condition="no load", spindle_rpm=10000.0)]
    both, one = rank([*runs, result("b", 4.0)]).to_dict()["tools"]
    assert both["droop_pct"] == pytest.approx(10.0)
    assert (both["spindle_rpm_no_load"], both["spindle_rpm_loaded"]) == (10000.0, 9000.0)
    assert one["droop_pct"] is None
    for written in ("No-load", "Unloaded", "IDLE"):  # the same list of words as the diagnosis has
        free = replace(runs[1], condition=written)
        assert rank([runs[0], free]).to_dict()["tools"][0]["droop_pct"] == pytest.approx(10.0)
    assert both["a_hv_mps2"] == 4.0  # the run without load is not mixed in


def test_other_terms_are_said_and_not_mixed() -> None:
    runs = [
        result("a", 4.0),
        result("b", 5.0),
        result("idle only", 1.0, condition="no load"),
        result("brush", 3.0, accessory="wire brush"),
        result("front only", 2.0, position="front handle"),
        result("clipped", None),
        result(None, 2.0, file="stray.wav"),
    ]
    document = rank(runs).to_dict()
    apart = {tag: entry["reason"] for entry in document["not_comparable"] for tag in entry["tools"]}
    assert set(apart) == {"idle only", "brush", "front only", "clipped", "stray.wav"}
    assert "no load" in apart["idle only"] and "wire brush" in apart["brush"] and "rear handle" in apart["front only"]
    ranked = {tool["tag"]: tool["rank"] for tool in document["tools"]}
    assert ranked == {"a": 1, "b": 2, "idle only": None, "brush": None, "front only": None, "clipped": None}
    assert [(p["a"], p["b"]) for p in document["pairs"]] == [("a", "b")]


def test_terms_are_the_same_however_they_are_written() -> None:
    other = {"accessory": "Grinding  disc", "condition": "Loaded", "position": "rear-handle"}
    tools = rank([result("a", 4.0, **other), result("b", 5.0)]).to_dict()
    assert not tools["not_comparable"] and [t["rank"] for t in tools["tools"]] == [1, 2]


def test_only_shared_positions_are_compared_but_the_larger_one_limits_the_day() -> None:
    runs = [result("a", 4.0), result("a", 6.0, position="front handle"), result("b", 5.0)]
    document = rank(runs).to_dict()
    first, second = document["tools"]
    assert (first["tag"], first["a_hv_mps2"], first["largest_a_hv_mps2"]) == ("a", 4.0, 6.0)
    assert first["allowed_trigger_time_s"] == pytest.approx(8 * 3600 * (2.5 / 6) ** 2)
    assert second["tag"] == "b"
    assert "larger_elsewhere" in {n["code"] for n in document["notices"]}


def test_the_same_recording_is_counted_once() -> None:
    document = rank([result("a", 4.0, sha256="same"), result("a", 4.0, sha256="same", file="copy.wav")]).to_dict()
    assert document["tools"][0]["runs"] == 1
    assert "same_recording" in {n["code"] for n in document["notices"]}


def test_nothing_gradeable_is_refused() -> None:
    document = rank([result("a", None)]).to_dict()
    assert document["tools"][0]["a_hv_mps2"] is None
    assert any(n["severity"] == "refusal" for n in document["notices"])
    assert rank([]).to_dict()["tools"] == []


def test_per_mass_and_price_where_the_sheet_gives_them() -> None:
    tool = rank([result("a", 4.0, price=80.0)]).to_dict()["tools"][0]
    assert (tool["a_hv_per_kg_mps2"], tool["a_hv_per_price_mps2"]) == (2.0, 0.05)
    assert rank([result("a", 4.0)]).to_dict()["tools"][0]["a_hv_per_price_mps2"] is None


def test_terms_that_are_not_named_are_said() -> None:
    bare = {"accessory": None, "position": None}
    document = rank([result("a", 4.0, **bare), result("b", 5.0, **bare)]).to_dict()
    assert [n["code"] for n in document["notices"]].count("terms_not_named") == 2
    assert [tool["rank"] for tool in document["tools"]] == [1, 2]
