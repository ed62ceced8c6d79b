"""Every command's document has the keys that the contract names, on the sample recordings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.cli.run import vibekit

SAMPLES = Path(__file__).parents[2] / "sample_recordings"
GRINDER = SAMPLES / "t12-no-load.wav"

CHECKED = {"file", "duration_s", "sample_rate_hz", "axes", "band_covered_hz", "clipped_pct", "checks", "usable_for"}
GRADED = {
    *("file", "tool", "condition", "position", "duration_s", "trigger_on_s", "gradeable", "weighting", "a_hw_mps2"),
    *("a_hv_mps2", "a_band_limited_mps2", "peak_mps2", "running_max_mps2", "third_octave", "expanded_uncertainty_mps2"),
}
SUMMARY = {
    *("runs", "a_hv_mps2", "standard_deviation_mps2", "coefficient_of_variation", "expanded_uncertainty_mps2"),
    *("position", "allowed_trigger_time"),
}
EXPOSED = {
    *("a8_mps2", "points", "tasks", "action_value_mps2", "limit_value_mps2", "verdict", "time_left_to_action_s"),
    *("time_left_to_limit_s", "expanded_uncertainty_mps2"),
}
RANKED = {
    *("tag", "a_hv_mps2", "expanded_uncertainty_mps2", "spindle_rpm_loaded", "shaft_power_w", "allowed_trigger_time_s"),
    *("work_to_action_value_wh", "rank", "rank_low", "rank_high"),
}


def document(*arguments: str | Path, code: int = 0) -> dict[str, Any]:
    ended = vibekit(*arguments, "--json")
    assert ended.code == code, ended.err
    found = ended.document
    assert found["document"] == str(arguments[0])
    assert found["version"] == 1
    for notice in found["notices"]:
        assert set(notice) == {"code", "severity", "message", "value", "limit", "remedy"}
        assert notice["severity"] in ("info", "caution", "refusal")
    return found


def test_check() -> None:
    row = document("check", GRINDER)["recordings"][0]
    assert set(row) >= CHECKED
    assert set(row["usable_for"]) == {"grade", "speed", "gear_mesh", "bearings"}
    for item in row["checks"]:
        assert set(item) >= {"name", "status", "value", "limit", "message"}
        assert item["status"] in ("pass", "doubtful", "fail")


def test_grade() -> None:
    found = document("grade", *sorted(SAMPLES.glob("t11-loaded-*.flac")))
    assert len(found["recordings"]) == 3
    row, summary = found["recordings"][0], found["summary"]
    assert set(row) >= GRADED
    assert row["weighting"] == "Wh"
    assert set(row["third_octave"]) == {"centre_hz", "x_mps2", "y_mps2", "z_mps2"}
    assert set(summary) >= SUMMARY
    assert summary["runs"] == 3
    for value in ("to_action_value", "to_limit_value"):
        assert set(summary["allowed_trigger_time"][value]) == {"value_s", "low_s", "high_s"}


def test_exposure() -> None:
    found = document("exposure", "2@1h", "3.5@3h")
    assert set(found) >= EXPOSED
    assert set(found["tasks"][0]) >= {"a_hv_mps2", "time_s", "partial_a8_mps2", "points"}
    assert found["verdict"] in ("below action value", "above action value", "above limit value")


def test_speed() -> None:
    found = document("speed", GRINDER)
    assert found["source"] == "tach"
    assert set(found["shafts"]["spindle"]) >= {"median_rpm", "min_rpm", "max_rpm"}
    assert set(found["track"]) >= {"time_s", "rpm", "of"}
    assert 0 <= found["confidence"] <= 1
    states = {"off", "run-up", "steady", "loaded", "coast-down"}
    assert {segment["state"] for segment in found["segments"]} <= states
    assert set(found["segments"][0]) >= {"start_s", "end_s", "state", "rpm"}


@pytest.mark.parametrize("kind", ["amplitude", "envelope", "order"])
def test_spectrum(kind: str) -> None:
    found = document("spectrum", GRINDER, "--kind", kind)
    assert {"resolution_hz", "floor", "lines"} <= set(found)
    for line in found["lines"]:
        assert set(line) >= {"frequency_hz", "order", "of", "amplitude_mps2", "over_floor_db", "names"}
        assert set(line["amplitude_mps2"]) == {"x", "y", "z"}


def test_diagnose() -> None:
    found = document("diagnose", GRINDER)
    assert {"recordings", "speed", "findings", "not_testable", "verdict"} <= set(found)


def test_balance() -> None:
    found = document("balance", "--initial", "7@160", "--trial", "100@0", "--response", "5@70")
    assert {"correction_g", "angle_deg", "residual_g_mm", "grade_mm_s"} <= set(found)
    assert found["correction_g"] == pytest.approx(81.373, abs=1e-3)  # reference balancing_examples, exact answer
    assert found["residual_g_mm"] is None


def test_rank() -> None:
    found = document("rank", SAMPLES / "bench.toml")
    assert all(set(tool) >= RANKED for tool in found["tools"])
    assert set(found["pairs"][0]) >= {"a", "b", "probability_a_shakes_less"}
    assert "not_comparable" in found


def test_log_trend_and_teardown(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    ended = vibekit("log", "add", GRINDER, SAMPLES / "t12-loaded-1.flac", "--log", log, "--json")
    assert ended.code == 0, ended.err
    entries = vibekit("log", "list", "--log", log, "--json").document["entries"]
    assert set(entries[0]) >= {"when", "tag", "kind", "quantities", "recording_sha256"}
    trend = document("trend", "T-12", "--log", log)
    assert {"points", "change_pct", "significant", "alarm"} <= set(trend)
    teardown = document("teardown", "T-12", "--found", "imbalance.accessory", "--log", log)
    assert {"predicted", "found", "score"} <= set(teardown)


def test_calibrate_and_report_and_simulate(tmp_path: Path) -> None:
    made = vibekit("simulate", "--out", tmp_path, "--seed", "3", "--duration", "4", "--rate", "6400", "--json")
    assert made.code == 0, made.err
    names = {path.name for path in tmp_path.iterdir()}
    assert any(name.endswith(".wav") for name in names)
    assert any("truth" in name for name in names)
    page = tmp_path / "page.html"
    reported = vibekit("report", GRINDER, "--out", page, "--json")
    assert reported.code == 0, reported.err
    assert page.read_text(encoding="utf-8").startswith("<!")


def test_simulations_are_the_same_for_the_same_seed(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        ended = vibekit("simulate", "--out", tmp_path / folder, "--seed", "5", "--duration", "3", "--rate", "3200")
        assert ended.code == 0, ended.err
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


def test_version() -> None:
    ended = vibekit("--version")
    assert ended.code == 0
    assert ended.out.startswith("vibekit ")
