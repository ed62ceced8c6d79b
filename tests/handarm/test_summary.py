"""Runs, operators and positions put together by hand, and the grade document around them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from scipy import stats

from tests.documents import notice_of, sound
from vibekit.errors import Notice
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.summary import allowed_time, grade_document, summarise
from vibekit.recording.toolsheet import ToolSheet

DRAWS = 1_000_000
CALIBRATION = unc.UncertaintyPart("calibration", 0.02, "certificate")


@dataclass(frozen=True)
class Run:
    """A graded run as a summary sees it."""

    a_hv_mps2: float | None
    position: str | None = None
    operator: str | None = None
    tool: str | None = "T-1"
    condition: str | None = "loaded"
    sheet: ToolSheet | None = None
    budget: tuple[unc.UncertaintyPart, ...] = (CALIBRATION, unc.OPERATOR)
    notices: tuple[Notice, ...] = ()
    run: int | None = None
    a_hw_mps2: Mapping[str, float | None] = field(default_factory=dict)
    missing_axes_factor: float | None = None
    test_code: str | bool | None = None
    trigger_on_s: float = 60.0

    def row(self) -> dict[str, Any]:
        return {"a_hv_mps2": self.a_hv_mps2}


class Filed(Run):
    """One with a file name, as a background is told by."""

    def row(self) -> dict[str, Any]:
        return {"file": "run.wav"}


def expanded(a: float, *relative: float) -> float:
    """JCGM 100:2008 eq. 12 and 18, k = 2."""
    return 2.0 * a * sum(r**2 for r in relative) ** 0.5


def test_a_summary_by_hand() -> None:
    """Front: A has 4 and 6, B has 8 m/s²: (5 + 8) / 2 = 6.5; rear: 3.0 and 3.2 make 3.1. ISO 5349-2 5.4.

    Means 5 and 8 spread by 3/√2: u = 1.5 m/s² with one degree of freedom (JCGM 100:2008 H.5.2.4, G.2b); that of the
    rear is 0.1 m/s² and the operator's part. k from scipy.stats.t, the ends of the time drawn by JCGM 101.
    """
    rear = [Run(3.0, "rear", "A"), Run(3.2, "rear", "A")]
    front = [Run(8.0, "front", "B"), Run(4.0, "front", "A"), Run(6.0, "front", "A")]
    document = sound(grade_document([*rear, *front]), "grade")
    summary = document["summary"]
    assert document["recordings"] == [{"a_hv_mps2": a} for a in (3.0, 3.2, 8.0, 4.0, 6.0)]
    assert document["summaries"] == [summary]
    assert (summary["tool"], summary["condition"], summary["position"]) == ("T-1", "loaded", "front")
    assert (summary["runs"], summary["declared"]) == (3, None)
    assert summary["a_hv_mps2"] == pytest.approx(6.5)
    assert summary["standard_deviation_mps2"] == pytest.approx(2.0)
    assert summary["coefficient_of_variation"] == pytest.approx(2.0 / 6.5)
    combined = math.hypot(0.02 * 6.5, 1.5)
    assert summary["effective_degrees_of_freedom"] == pytest.approx(combined**4 / 1.5**4)
    k = stats.t.ppf(stats.norm.cdf(2.0), summary["effective_degrees_of_freedom"])
    assert summary["coverage_factor"] == pytest.approx(k)
    assert summary["expanded_uncertainty_mps2"] == pytest.approx(k * combined)
    assert [part["name"] for part in summary["uncertainty_budget"]] == ["calibration", unc.OPERATOR.name]
    assert summary["uncertainty_budget"][1]["standard_pct"] == pytest.approx(100 * 1.5 / 6.5)
    assert summary["uncertainty_budget"][1]["degrees_of_freedom"] == 1.0
    other = summary["positions"][1]
    assert (other["position"], other["runs"]) == ("rear", 2)
    assert other["a_hv_mps2"] == pytest.approx(3.1)
    parts = math.hypot(0.02 * 3.1, 0.08 * 3.1, 0.1)
    degrees = parts**4 / 0.1**4
    assert other["effective_degrees_of_freedom"] == pytest.approx(degrees)
    assert other["expanded_uncertainty_mps2"] == pytest.approx(stats.t.ppf(stats.norm.cdf(2.0), degrees) * parts)
    rng = np.random.default_rng(1)
    drawn = 6.5 + 1.5 * rng.standard_t(1, DRAWS) + 0.02 * 6.5 * rng.standard_normal(DRAWS)
    upper = np.quantile(drawn, stats.norm.cdf(2.0))
    time = summary["allowed_trigger_time"]
    for key, value in (("to_action_value", 2.5), ("to_limit_value", 5.0)):  # T = 8 h·(value / a)², eq. 2
        assert list(time[key]) == ["value_s", "low_s", "high_s"]
        assert time[key]["value_s"] == pytest.approx(28800 * (value / 6.5) ** 2)
        assert time[key]["low_s"] == pytest.approx(28800 * (value / upper) ** 2, rel=0.03)
        assert time[key]["high_s"] is None
    assert {n["code"] for n in document["notices"]} == {"runs_scatter", "screening_aid"}
    assert summary["emission"] is None  # B has one run


def test_runs_that_agree_say_nothing_and_few_runs_do() -> None:
    assert summarise([Run(5.0), Run(5.1), Run(4.9)]).notices == ()
    assert summarise([Run(0.0), Run(0.0), Run(0.0)]).notices == ()
    scatter = notice_of(summarise([Run(4.0), Run(6.0), Run(8.0)]).notices, "runs_scatter")
    assert (scatter.severity, scatter.limit) == ("caution", 0.15)
    assert scatter.value == pytest.approx(2.0 / 6.0)
    assert "33 %" in scatter.message and scatter.remedy
    assert [n.code for n in summarise([Run(4.0), Run(6.0)]).notices] == ["few_runs", "runs_scatter"]
    for count, words in ((1, "1 run where"), (2, "2 runs where")):
        few = notice_of(summarise([Run(5.0)] * count).notices, "few_runs")
        assert (few.severity, few.value, few.limit) == ("caution", count, 3)
        assert few.message.startswith("T-1, loaded: ")
        assert words in few.message and few.remedy


def test_each_operators_runs_must_agree_not_all_together() -> None:
    """ISO 28927-1 (from memory): the rule is of one operator's runs; that two people differ is in a and K."""
    calm = [Run(a, operator=who) for who, values in (("A", (4.0, 4.1, 4.2)), ("B", (6.0, 6.1, 6.2))) for a in values]
    summary = summarise(calm)
    assert summary.notices == ()
    emission = grade_document(calm)["summary"]["emission"]
    assert (emission["a_mps2"], emission["operators"], emission["valid"]) == (pytest.approx(5.1), 2, True)
    assert emission["sigma_r_mps2"] == pytest.approx((0.1**2 + 2.0) ** 0.5)  # means 4.1 and 6.1: variance 2
    wild = notice_of(summarise([*calm, Run(9.0, operator="B")]).notices, "runs_scatter")
    assert wild.value == pytest.approx(float(np.std([6.0, 6.1, 6.2, 9.0], ddof=1) / 6.825))


def test_one_run_has_no_scatter() -> None:
    summary = summarise([Run(5.0)])
    assert summary.deciding is not None
    assert (summary.deciding.standard_deviation_mps2, summary.deciding.coefficient_of_variation) == (None, None)
    assert summary.expanded_uncertainty_mps2 == pytest.approx(expanded(5.0, 0.02, 0.08, 0.10))


def test_a_tool_that_stands_still_has_no_relative_scatter() -> None:
    summary = summarise([Run(0.0), Run(0.0)])
    assert summary.deciding is not None
    assert (summary.deciding.standard_deviation_mps2, summary.deciding.coefficient_of_variation) == (0.0, None)
    one = summarise([Run(1.0), Run(1.0)])
    assert one.deciding is not None and one.deciding.coefficient_of_variation == 0.0


def test_the_least_certain_run_sets_the_budget() -> None:
    worse = (unc.UncertaintyPart("calibration", 0.2, "guess"),)
    summary = summarise([Run(5.0), Run(5.0, budget=worse), Run(5.0)])
    assert summary.expanded_uncertainty_mps2 == pytest.approx(expanded(5.0, 0.2))


@pytest.mark.parametrize(("k", "verdict"), [(4.0, "not verified"), (5.99, "not verified"), (6.0, "verified")])
def test_the_declared_value_of_the_sheet_is_checked(k: float, verdict: str) -> None:
    """EN 12096 (from memory): 10 m/s² against 4 + K, without a band of one's own doubt: K holds it."""
    sheet = ToolSheet("T-1", declared_vibration_mps2=4.0, declared_uncertainty_mps2=k)
    code = "EN 60745-2-3"
    runs = [Run(10.0, test_code=code), Run(10.0, sheet=sheet, test_code=code)]
    declared = grade_document(runs)["summary"]["declared"]
    assert (declared["declared_vibration_mps2"], declared["declared_uncertainty_mps2"]) == (4.0, k)
    assert declared["verdict"] == verdict


@pytest.mark.parametrize(
    ("runs", "why"),
    [
        ([{}], "not recorded under its test code"),
        ([{"test_code": "EN 60745-2-3"}, {}], "not recorded under its test code"),
        ([{"test_code": "EN 60745-2-3"}, {"test_code": "ISO 28927-1"}], "not recorded under one test code"),
        ([{"test_code": False}], "not recorded under its test code"),
        ([{"test_code": True, "condition": "No-load"}], "without load"),
        ([{"test_code": True, "budget": (unc.UncertaintyPart("missing axes", 0.2, ""),)}], "all three axes"),
    ],
)
def test_other_work_than_the_test_codes_verifies_nothing(runs: list[dict[str, Any]], why: str) -> None:
    """EN 12096 (from memory) verifies by the test code that a and K were declared under."""
    sheet = ToolSheet("T-1", declared_vibration_mps2=4.0, declared_uncertainty_mps2=2.0)
    for a_hv, found in ((3.0, "at most"), (9.0, "more than")):
        declared = summarise([Run(a_hv, sheet=sheet, **facts) for facts in runs]).declared
        assert declared is not None and declared.verdict == "compared only"
        assert why in declared.reason and found in declared.reason


def test_a_test_code_without_load_verifies_where_it_is_named() -> None:
    sheet = ToolSheet("T-1", declared_vibration_mps2=4.0, declared_uncertainty_mps2=2.0)
    declared = summarise([Run(5.0, sheet=sheet, condition="no load", test_code="EN 60745-2-3")]).declared
    assert declared is not None and declared.verdict == "verified"


def test_nothing_declared_nothing_checked() -> None:
    assert summarise([Run(10.0, sheet=ToolSheet("T-1"))]).declared is None
    declaring = ToolSheet("T-1", declared_vibration_mps2=4.0, declared_uncertainty_mps2=1.0)
    assert summarise([Run(None, sheet=declaring)]).declared is None
    assert summarise([Run(0.1, sheet=declaring, condition="off")]).declared is None  # the background is no tool
    assert "declared_conditions" in {n.code for n in summarise([Run(3.0, sheet=declaring)]).notices}


def test_what_could_not_be_graded_is_shown_and_not_averaged() -> None:
    document = sound(grade_document([Run(None), Run(4.0)]), "grade")
    assert len(document["recordings"]) == 2
    assert (document["summary"]["runs"], document["summary"]["a_hv_mps2"]) == (1, 4.0)


def test_a_weak_tool_comes_before_one_that_could_not_be_graded() -> None:
    assert grade_document([Run(None, tool="A"), Run(0.5)])["summary"]["a_hv_mps2"] == 0.5


@pytest.mark.parametrize("runs", [[], [Run(None)]])
def test_nothing_graded(runs: list[Run]) -> None:
    document = sound(grade_document(runs), "grade")
    summary = document["summary"]
    assert (summary["runs"], summary["positions"], summary["uncertainty_budget"]) == (0, [], [])
    for key in ("a_hv_mps2", "standard_deviation_mps2", "coefficient_of_variation", "expanded_uncertainty_mps2"):
        assert summary[key] is None
    assert (summary["position"], summary["declared"]) == (None, None)
    assert summary["allowed_trigger_time"]["to_limit_value"] == {"value_s": None, "low_s": None, "high_s": None}
    assert (summary["tool"], summary["condition"]) == (("T-1", "loaded") if runs else (None, None))


def test_tools_and_conditions_are_kept_apart() -> None:
    own = Notice("own", "info", "of one recording")
    runs = [
        Run(4.0, tool="T-2", notices=(own,)),
        Run(6.0, condition="no load"),
        Run(5.0),
        Run(6.5, tool="T-2"),
        Run(None, tool=None, condition=None),
    ]
    document = sound(grade_document(runs, [Notice("given", "info", "from outside")]), "grade")
    found = [(s["tool"], s["condition"], s["a_hv_mps2"]) for s in document["summaries"]]
    assert found == [
        (None, None, None),
        ("T-1", "loaded", 5.0),
        ("T-1", "no load", 6.0),
        ("T-2", "loaded", pytest.approx(5.25)),
    ]
    assert document["summary"] == document["summaries"][2]
    apart = notice_of([Notice(**n) for n in document["notices"]], "summaries_apart")
    assert apart.severity == "info" and "T-1, no load" in apart.message
    assert {"given", "own", "few_runs"} <= {n["code"] for n in document["notices"]}


def test_terms_are_the_same_however_they_are_written() -> None:
    """As in a ranking: one grip and one condition, and the background is known by its word."""
    runs = [Filed(4.0, "rear handle"), Filed(5.0, "Rear-handle", condition="Loaded"), Filed(1.0, condition="Off")]
    document = grade_document(runs)
    assert [s["runs"] for s in document["summaries"]] == [2, 1]
    assert document["summary"]["a_hv_mps2"] == pytest.approx(4.5)
    assert len(document["summary"]["positions"]) == 1
    assert document["summaries"][1]["allowed_trigger_time"]["to_action_value"]["value_s"] is None
    assert "background" in {n["code"] for n in document["notices"]}


def test_unnamed_tools_are_called_so() -> None:
    document = grade_document([Run(6.0, tool=None, condition=None), Run(5.0)])
    apart = notice_of([Notice(**n) for n in document["notices"]], "summaries_apart")
    assert "unnamed tool, condition not named" in apart.message


def test_allowed_time_at_the_ends_of_the_doubt() -> None:
    """ISO 5349-1:2001 eq. 2: 2.5 m/s² may be held 8 h to 2.5 m/s²; with U = 2.5 from 2 h to for ever."""
    assert allowed_time(2.5, 2.5, 2.5).to_dict() == {"value_s": 28800.0, "low_s": 7200.0, "high_s": None}
    assert allowed_time(5.0, None, 2.5).to_dict() == {"value_s": 7200.0, "low_s": 7200.0, "high_s": 7200.0}
    assert allowed_time(0.0, 0.0, 2.5).value_s is None
