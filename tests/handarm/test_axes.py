"""Total values from axes: all at once, one after the other, and with one missing (ISO 5349-1 eq. 1 and 4.5)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import permutations
from typing import Any

import numpy as np
import pytest

import vibekit as vk
from tests.documents import notice_of
from vibekit.errors import Notice, UsageError
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.axes import completed, total_value
from vibekit.handarm.summary import grade_document, summarise
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.toolsheet import ToolSheet

RATE = 3200
FACTOR = float(vk.weighting_factor(100.0))


def recorded(values: dict[str, float], **facts: Any) -> vk.VibrationMagnitude:
    """A graded tone whose weighted value of each axis is known [m/s²]."""
    wave = 2**0.5 / FACTOR * np.sin(2 * np.pi * 100 * np.arange(10 * RATE) / RATE)
    samples = np.stack([value * wave for value in values.values()])
    tool = ToolSheet("T-1")
    origin = Origin("run.wav", facts=RecordingFacts(condition="loaded", position="rear", **facts), tool=tool)
    return vk.grade(Recording(samples, RATE, axes=tuple(values), origin=origin))


def one_axis_each(values: Sequence[float], **facts: Any) -> list[vk.VibrationMagnitude]:
    return [recorded({axis: value}, **facts) for axis, value in zip("xyz", values, strict=True)]


@pytest.mark.parametrize("values", [*sorted(set(permutations((5.0, 1.0, 1.0)))), (2.0, 3.0, 6.0)])
def test_axes_one_after_the_other_are_one_magnitude(values: tuple[float, ...]) -> None:
    """ISO 5349-1:2001 eq. 1: the root of the sum of squares; (2, 3, 6) makes 7 exactly."""
    runs = one_axis_each(values)
    document = grade_document(runs)
    summary = document["summary"]
    assert summary["a_hv_mps2"] == pytest.approx(float(np.linalg.norm(values)), rel=0.005)
    assert summary["runs"] == 1
    codes = {notice["code"] for notice in document["notices"]}
    assert "axes_joined" in codes and "axes_missing" not in codes
    assert "missing axes" not in {part["name"] for part in summary["uncertainty_budget"]}
    assert summary["expanded_uncertainty_mps2"] >= 0.2 * summary["a_hv_mps2"]  # the tool may have run differently
    assert completed(runs) == {id(run) for run in runs}


def test_joined_axes_are_as_sure_as_all_at_once_with_as_many_runs() -> None:
    """Three runs of each axis, paired by their number, against the same runs recorded at once."""
    rows = [(3.0, 2.0, 1.0), (3.3, 2.2, 1.1), (2.7, 1.8, 0.9)]
    split = [one for number, row in enumerate(rows) for one in one_axis_each(row, run=number)]
    whole = [recorded(dict(zip("xyz", row, strict=True)), run=number) for number, row in enumerate(rows)]
    apart, together = summarise(split[::-1]).to_dict(), summarise(whole).to_dict()
    for key in ("runs", "a_hv_mps2", "standard_deviation_mps2", "expanded_uncertainty_mps2", "coverage_factor"):
        assert apart[key] == pytest.approx(together[key], rel=1e-6), key


def test_more_recordings_of_one_axis_enter_by_their_energy() -> None:
    """x of 3 and 5 m/s² has the mean square 17; with y = 2, z = 2 m/s²: the root of 25."""
    runs = [recorded({"x": 3.0}), recorded({"x": 5.0}), recorded({"y": 2.0}), recorded({"z": 2.0})]
    summary = summarise(runs)
    assert summary.a_hv_mps2 == pytest.approx(5.0, rel=0.005)
    assert summary.deciding is not None and summary.deciding.runs == 1


def test_each_operators_axes_are_joined_apart() -> None:
    """Two people, each with x, y, z in turn: (2, 3, 6) is 7 and (1, 4, 8) is 9 m/s²; their mean is 8."""
    runs = one_axis_each((2.0, 3.0, 6.0), operator="A") + one_axis_each((1.0, 4.0, 8.0), operator="B")
    summary = summarise(runs[::-1])
    assert summary.a_hv_mps2 == pytest.approx(8.0, rel=0.005)
    assert [n.code for n in summary.notices].count("axes_joined") == 1
    mixed = [replace(run, operator=who) for run, who in zip(runs[:3], "ABC", strict=True)]
    assert "axes_joined" not in {n.code for n in summarise(mixed).notices}
    assert completed(mixed) == set()


def test_two_axes_in_turn_still_lack_the_third() -> None:
    runs = [recorded({"x": 3.0}), recorded({"y": 4.0})]
    summary = summarise(runs)
    assert summary.a_hv_mps2 == pytest.approx(1.7 * 4.0, rel=0.005)
    assert {"axes_joined", "axes_missing"} <= {n.code for n in summary.notices}
    assert completed(runs) == set()


def test_runs_of_the_same_axes_stay_runs() -> None:
    summary = summarise([recorded({"x": 3.0}), recorded({"x": 5.0})])
    assert summary.a_hv_mps2 == pytest.approx(1.7 * 4.0, rel=0.005)
    assert summary.deciding is not None and summary.deciding.runs == 2


@pytest.mark.parametrize("measured", [("x", "z"), ("x", "y"), ("x",), ("y",), ("z",)])
def test_a_missing_axis_is_covered_without_knowing_which_dominates(measured: tuple[str, ...]) -> None:
    """x and z at 0.3 of y: the truth, root of the sum of squares, lies within value ± U whatever was measured."""
    true = {"x": 0.6, "y": 2.0, "z": 0.6}
    found = recorded({axis: true[axis] for axis in measured})
    a_hv, doubt = found.a_hv_mps2, found.expanded_uncertainty_mps2
    assert a_hv is not None and doubt is not None
    assert a_hv - doubt <= float(np.linalg.norm(list(true.values()))) <= a_hv + doubt
    assert "cannot tell" in notice_of(found.notices, "axes_missing").message


@pytest.mark.parametrize("factor", [1.0, 1.35, 1.7])
def test_a_considered_factor_is_used_and_its_range_covered(factor: float) -> None:
    """Rectangular from 1.0 to 1.7 about the factor: mean square distance by drawing (JCGM 101:2008 6.4.2)."""
    drawn = np.random.default_rng(1).uniform(1.0, 1.7, 1_000_000)
    total = total_value({"x": 3.0}, factor)
    assert total.a_hv_mps2 == pytest.approx(3.0 * factor)
    expected = float(np.sqrt(np.mean((drawn - factor) ** 2))) / factor
    assert total.parts[0].relative == pytest.approx(expected, rel=0.005)
    assert f"{factor:.2f} as stated" in total.notices[0].message


def test_a_factor_never_makes_less_than_what_was_measured() -> None:
    total = total_value({"x": 3.0, "y": 4.0}, 1.0)
    assert total.a_hv_mps2 == pytest.approx(5.0)


def test_the_nearest_statement_of_the_factor_wins() -> None:
    sheet = ToolSheet("T-1", missing_axes_factor=1.2)
    plain, stated = (Origin("run.wav", facts=RecordingFacts(missing_axes_factor=f), tool=sheet) for f in (None, 1.4))
    samples = recorded_samples()
    for origin, option, factor in ((plain, None, 1.2), (stated, None, 1.4), (stated, 1.6, 1.6)):
        found = vk.grade(Recording(samples, RATE, axes=("x",), origin=origin), missing_axes_factor=option)
        assert found.a_hv_mps2 == pytest.approx(factor, rel=0.005)
        assert found.row()["missing_axes_factor"] == factor
    with pytest.raises(UsageError, match=r"must be 1\.0 to 1\.7"):
        vk.grade(Recording(samples, RATE, axes=("x",)), missing_axes_factor=0.9)


def recorded_samples() -> np.ndarray[Any, np.dtype[np.float64]]:
    return 2**0.5 / FACTOR * np.sin(2 * np.pi * 100 * np.arange(10 * RATE) / RATE)[None, :]


@dataclass(frozen=True)
class Part:
    """A graded recording of some axes as a summary sees it."""

    a_hw_mps2: dict[str, float | None]
    run: int | None = None
    tool: str | None = "T-1"
    condition: str | None = "loaded"
    position: str | None = "rear"
    operator: str | None = "A"
    sheet: ToolSheet | None = None
    budget: tuple[unc.UncertaintyPart, ...] = (unc.CALIBRATION,)
    missing_axes_factor: float | None = None
    test_code: str | bool | None = None
    notices: tuple[Notice, ...] = field(default=())

    @property
    def a_hv_mps2(self) -> float | None:
        return total_value(self.a_hw_mps2, self.missing_axes_factor).a_hv_mps2


def test_axes_in_turn_are_right_on_average() -> None:
    """Drawn work that varies from run to run: what the joined axes say, against the root mean square of all at once."""
    rng = np.random.default_rng(2)
    true = np.array([4.0, 2.0, 1.0])
    found = []
    for _ in range(3000):
        runs = [Part({axis: float(a * (1 + 0.1 * rng.standard_normal()))}) for axis, a in zip("xyz", true, strict=True)]
        found.append(summarise(runs).a_hv_mps2 or 0.0)
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(np.linalg.norm(true) * np.sqrt(1.01), rel=0.005)
