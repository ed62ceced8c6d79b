"""The uncertainty budget against the GUM's rules, with Student's t from SciPy."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

import vibekit as vk
from tests.bench.tools import write_run
from vibekit.bench.sheets import load_bench
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.summary import allowed_time, summarise
from vibekit.recording.sidecar import RecordingFacts, UncertaintyFacts


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
    stated, default = (unc.known_parts(RecordingFacts(calibration_uncertainty_pct=pct), True)[0] for pct in (3.0, None))
    assert stated == unc.UncertaintyPart("calibration", 0.015, "stated with the recording (k = 2)")
    assert default == unc.CALIBRATION and "default" in default.origin


def test_expanded_uncertainty_of_a_value() -> None:
    """JCGM 100:2008 eq. 18 with k = 2: parts of 3 and 4 % of 10 m/s² make U = 2·0.05·10 = 1.0 m/s²."""
    parts = [unc.UncertaintyPart("a", 0.03, "certificate"), unc.UncertaintyPart("b", 0.04, "guess")]
    assert unc.expanded(10.0, parts) == pytest.approx(1.0)
    assert parts[0].to_dict() == {"name": "a", "standard_pct": pytest.approx(3.0), "origin": "certificate"}


def test_stated_parts_replace_their_defaults() -> None:
    """JCGM 100:2008 6.2.1: u = U / k with k = 2; what is not stated keeps its default."""
    stated = UncertaintyFacts(mounting_pct=3.0, operator_pct=0.0, band_pct=8.0, repeatability_pct=6.0)
    facts = RecordingFacts(uncertainty=stated, calibration_uncertainty_pct=2.0)
    found = {part.name: part for part in unc.known_parts(facts, full_band=True)}
    expected = {unc.MOUNTING: 0.015, unc.OPERATOR: 0.0, unc.BAND: 0.04, unc.REPEATABILITY: 0.03}
    for default, relative in expected.items():
        assert found.pop(default.name) == unc.UncertaintyPart(
            default.name, relative, "stated with the recording (k = 2)"
        )
    assert found.pop("calibration").relative == pytest.approx(0.01)
    assert set(found.values()) == {unc.ALIGNMENT, unc.WEIGHTING, unc.POSITION}


def test_recording_before_bench_before_tool_before_default(tmp_path: Path) -> None:
    """Written as a user writes them: every part from the first sheet that states it, and the budget says which."""
    (tmp_path / "rec").mkdir()
    path = write_run(tmp_path / "rec", "run", "T-1", 4.0, **{"uncertainty.operator_pct": 2.0})
    with (tmp_path / "rec" / "T-1.tool.toml").open("a") as sheet:
        sheet.write("[tool.uncertainty]\noperator_pct = 30\nmounting_pct = 30\nposition_pct = 0\n")
    (tmp_path / "bench.toml").write_text(
        '[bench]\nrecordings = ["rec/*.wav"]\ncalibration_uncertainty_pct = 1\n'
        "[bench.uncertainty]\noperator_pct = 20\nmounting_pct = 6\n"
    )
    budget = vk.grade(vk.open_recording(path, defaults=load_bench(tmp_path / "bench.toml").defaults)).budget
    found = {part.name: (part.relative, part.origin) for part in budget}
    assert found[unc.OPERATOR.name] == (0.01, "stated with the recording (k = 2)")
    assert found[unc.MOUNTING.name] == (0.03, "stated in the bench sheet (k = 2)")
    assert found[unc.CALIBRATION.name] == (0.005, "stated in the bench sheet (k = 2)")
    assert found[unc.POSITION.name] == (0.0, "stated in the tool sheet (k = 2)")
    assert found[unc.ALIGNMENT.name] == (unc.ALIGNMENT.relative, unc.ALIGNMENT.origin)


def test_a_band_that_ends_early_weighs_more() -> None:
    full, cut = (unc.known_parts(RecordingFacts(), full_band) for full_band in (True, False))
    assert unc.combined(cut) > unc.combined(full)
    assert {part.name for part in cut} == {part.name for part in full}


def test_a_stated_repeatability_holds_for_one_run_and_measured_scatter_over_it() -> None:
    facts = RecordingFacts(uncertainty=UncertaintyFacts(repeatability_pct=4.0), operator="A")
    stated = unc.known_parts(facts, full_band=True)
    assert unc.with_repeatability(stated) == stated
    assert unc.with_repeatability(stated[:-1])[-1] == unc.REPEATABILITY
    runs = [replace(vk.grade(line(a)), budget=stated) for a in (3.0, 3.3)]
    alone, both = summarise(runs[:1]).to_dict(), summarise(runs).to_dict()
    assert alone["uncertainty_budget"][-1]["standard_pct"] == pytest.approx(2.0)
    names = [part["name"] for part in both["uncertainty_budget"]]
    assert names.count(unc.REPEATABILITY.name) == 1
    assert "2 runs" in both["uncertainty_budget"][-1]["origin"]


def line(amplitude: float) -> vk.Recording:
    wave = amplitude * np.sin(2 * np.pi * 80 * np.arange(3 * 3200) / 3200)
    return vk.Recording(np.stack([wave, wave, wave]), 3200)


def test_analytic_uncertainty_against_monte_carlo() -> None:
    """JCGM 101:2008: parts drawn, multiplied and put through A(8) and the allowed time, against the analytic result."""
    rng, n = np.random.default_rng(5), 200_000
    parts = unc.with_repeatability(unc.known_parts(RecordingFacts(), full_band=True))
    a_hv, hours = 4.0, 2.0
    drawn = a_hv * np.prod([1 + part.relative * rng.standard_normal(n) for part in parts], axis=0)
    expanded = unc.expanded(a_hv, parts)
    assert 2 * drawn.std() == pytest.approx(expanded, rel=0.02)
    day = vk.daily_exposure([(Magnitude(a_hv, expanded), f"{hours}h")])
    assert 2 * (drawn * np.sqrt(hours / 8)).std() == pytest.approx(day.expanded_uncertainty_mps2, rel=0.02)
    time = allowed_time(a_hv, expanded, 2.5)
    low, high = np.quantile(8 * 3600 * (2.5 / drawn) ** 2, [0.0228, 0.9772])  # of a normal at k = 2
    assert time.low_s == pytest.approx(low, rel=0.05)  # a product of parts is skewed: 4 % longer than drawn
    assert time.high_s == pytest.approx(high, rel=0.08)


@dataclass(frozen=True)
class Magnitude:
    a_hv_mps2: float | None
    expanded_uncertainty_mps2: float | None
