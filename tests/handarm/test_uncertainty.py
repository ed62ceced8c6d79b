"""The uncertainty budget against the GUM's rules, with Student's t from SciPy."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

import vibekit as vk
from tests.bench.tools import write_run
from vibekit.bench.sheets import load_bench
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.summary import allowed_time, summarise
from vibekit.recording.sidecar import RecordingFacts, UncertaintyFacts


def test_standard_deviation_of_a_sample() -> None:
    values = [3.1, 4.7, 2.2, 9.4]
    assert unc.standard_deviation(values) == pytest.approx(np.std(values, ddof=1), rel=1e-12)


def test_a_stated_calibration_replaces_the_default() -> None:
    """A certificate states U with k = 2 (JCGM 100:2008 6.2.1): u = U / 2."""
    stated, default = (unc.known_parts(RecordingFacts(calibration_uncertainty_pct=pct), True)[0] for pct in (3.0, None))
    assert stated == unc.UncertaintyPart("calibration", 0.015, "stated with the recording (k = 2)", "sensor")
    assert default == unc.CALIBRATION and "default" in default.origin


def test_expanded_uncertainty_of_a_value() -> None:
    """JCGM 100:2008 eq. 18 with k = 2: parts of 3 and 4 % of 10 m/s² make U = 2·0.05·10 = 1.0 m/s²."""
    parts = [unc.UncertaintyPart("a", 0.03, "certificate"), unc.UncertaintyPart("b", 0.04, "guess")]
    assert unc.expanded(10.0, parts) == pytest.approx(1.0)
    assert parts[0].to_dict() == {
        "name": "a",
        "standard_pct": pytest.approx(3.0),
        "origin": "certificate",
        "cause": "recording",
        "key": None,
        "degrees_of_freedom": None,
    }


def test_stated_parts_replace_their_defaults() -> None:
    """JCGM 100:2008 6.2.1: u = U / k with k = 2; what is not stated keeps its default."""
    stated = UncertaintyFacts(mounting_pct=3.0, operator_pct=0.0, band_pct=8.0, repeatability_pct=6.0)
    facts = RecordingFacts(uncertainty=stated, calibration_uncertainty_pct=2.0)
    found = {part.name: part for part in unc.known_parts(facts, full_band=True)}
    expected = {unc.MOUNTING: 0.015, unc.OPERATOR: 0.0, unc.BAND: 0.04, unc.REPEATABILITY: 0.03}
    for default, relative in expected.items():
        assert found.pop(default.name) == unc.UncertaintyPart(
            default.name, relative, "stated with the recording (k = 2)", default.cause
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


TAILS = [0.02275, 0.97725]  # of a normal beyond k = 2
DRAWS = 1_000_000


def test_ends_of_value_and_time_against_monte_carlo() -> None:
    """JCGM 101:2008: the errors of the parts drawn (6.4.7, normal), added, put through the allowed time."""
    rng = np.random.default_rng(5)
    parts = unc.with_repeatability(unc.known_parts(RecordingFacts(), full_band=True))
    drawn = np.full(DRAWS, 4.0)
    for part in parts:
        drawn += 4.0 * part.relative * rng.standard_normal(DRAWS)
    expanded = unc.expanded(4.0, parts)
    assert 2 * drawn.std() == pytest.approx(expanded, rel=0.005)
    assert unc.ends(4.0, expanded) == pytest.approx(np.quantile(drawn, TAILS), rel=0.005)
    time = allowed_time(4.0, expanded, 2.5)
    assert (time.low_s, time.high_s) == pytest.approx(np.quantile(8 * 3600 * (2.5 / drawn) ** 2, TAILS), rel=0.01)


def test_ends_where_the_parts_are_factors() -> None:
    """JCGM 101:2008 with factors, normal each, multiplied: what JCGM 100 eq. 10 leaves out moves the ends little."""
    rng = np.random.default_rng(6)
    parts = unc.with_repeatability(unc.known_parts(RecordingFacts(), full_band=True))
    drawn = np.ones(DRAWS)
    for part in parts:
        drawn *= 1.0 + part.relative * rng.standard_normal(DRAWS)
    time = allowed_time(1.0, unc.expanded(1.0, parts), 1.0)
    assert (time.low_s, time.high_s) == pytest.approx(np.quantile(28800 / drawn**2, TAILS), rel=0.08)


@pytest.mark.parametrize(
    "tasks",
    [
        [(4.0, 0.15, 1.0)],
        [(2.0, 0.15, 1.0), (3.5, 0.10, 3.0), (10.0, 0.15, 0.1)],
        [(4.0, 0.20, 0.8), (3.0, 0.05, 0.5)],
        [(4.0, 0.15, 0.5), (6.0, 0.10, 0.2), (4.0, 0.15, 0.5)],  # the first and the last are one tool, measured once
    ],
)
def test_ends_of_a_mixed_day_against_monte_carlo(tasks: list[tuple[float, float, float]]) -> None:
    """JCGM 101:2008: magnitudes drawn, each tool's once, put through A(8) (ISO 5349-1 eq. 3) and the time left."""
    rng = np.random.default_rng(7)
    day = vk.daily_exposure([(measured(a, u), f"{hours}h") for a, u, hours in tasks])
    by_tool = {(a, u): a * (1.0 + u * rng.standard_normal(DRAWS)) for a, u, _ in tasks}
    drawn = [by_tool[a, u] for a, u, _ in tasks]
    energy = sum(a**2 * hours for a, (_, _, hours) in zip(drawn, tasks, strict=True))
    a8 = np.sqrt(energy / 8)
    low, high = np.quantile(a8, TAILS)
    assert day.a8_ends_mps2 == (pytest.approx(low, rel=0.025), pytest.approx(high, rel=0.007))
    assert day.expanded_uncertainty_mps2 == pytest.approx(2 * a8.std(), rel=0.04)
    for task, a in zip(day.tasks, drawn, strict=True):
        for value in (2.5, 5.0):
            left = np.maximum(0.0, 3600 * (8 * value**2 - energy) / a**2)
            assert day.time_left_ends_s(value, task) == pytest.approx(np.quantile(left, TAILS), rel=0.03, abs=1.0)


def test_a_tool_used_twice_is_as_doubtful_as_one_used_for_both_times() -> None:
    once = vk.daily_exposure([(Magnitude(4.0, 1.2), "2h")]).to_dict()
    twice = vk.daily_exposure([(Magnitude(4.0, 1.2), "30m"), (Magnitude(4.0, 1.2), "1h30m")]).to_dict()
    keys = [key for key in once if key.startswith(("a8", "time_left", "expanded"))]
    assert len(keys) == 10
    assert [twice[key] for key in keys] == pytest.approx([once[key] for key in keys], rel=1e-6)


def test_doubt_that_swamps_the_value_is_finite() -> None:
    assert unc.ends(1e-3, 1e6) == (0.0, pytest.approx(1e6))
    assert unc.ends(0.0, 1.0) == (0.0, 1.0)
    day = vk.daily_exposure([(Magnitude(2.0, 3.0), "1h"), (Magnitude(0.0, 1.0), "1h")])
    assert day.a8_ends_mps2 is not None and day.a8_ends_mps2[0] == 0.0
    low, high = day.time_left_ends_s(2.5, day.tasks[0]) or (None, None)
    assert low is not None and low < (day.time_left_s(2.5, day.tasks[0]) or 0.0)
    assert high is None  # the lower end stays at nothing however long
    assert day.time_left_ends_s(2.5, day.tasks[1]) is None


@dataclass(frozen=True)
class Magnitude:
    a_hv_mps2: float | None
    expanded_uncertainty_mps2: float | None
    budget: tuple[unc.UncertaintyPart, ...] = ()


def measured(a: float, u: float) -> Magnitude:
    """Return a magnitude of relative standard uncertainty u, all of it its own."""
    return Magnitude(a, 2 * u * a, (unc.UncertaintyPart(unc.REPEATABILITY.name, u, "own"),))
