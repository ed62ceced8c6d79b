"""Speed on signals whose speed is known by construction; targets are the project's own, errors are computed here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.machine.signals import RATIO, Run, geared_tool, grinder_sheet, tach
from vibekit.machine.speed.estimate import SpeedEstimate, estimate_speed
from vibekit.machine.speed.tach import tach_track
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.timing import Timing
from vibekit.recording.toolsheet import parse_tool
from vibekit.simulate.session import simulate


def recording(run: Run, **more: object) -> Recording:
    return Recording(run.samples, run.sample_rate, ("x", "y", "z")[: len(run.samples)], **more)  # type: ignore[arg-type]


def errors(found: SpeedEstimate, run: Run, at_least: float = 0.5) -> np.ndarray:
    """Relative errors of the track while the spindle turns at more than a share of its fastest."""
    true = np.interp(found.time_s, run.time_s, run.hz) / found.ratios.get("spindle", 1.0)
    fast = (true > at_least * true.max()) & np.isfinite(found.hz)
    return np.abs(found.hz[fast] / true[fast] - 1)


@pytest.mark.parametrize("kind", ["steady", "droop"])
@pytest.mark.parametrize("hz", [31.0, 147.0])
def test_vibration_with_a_sheet(kind: str, hz: float) -> None:
    run = geared_tool(kind, hz, seed=3)
    found = estimate_speed(recording(run), grinder_sheet(1.04 * hz))
    error = errors(found, run)
    assert found.source == "vibration"
    assert np.median(error) < 0.001
    assert np.quantile(error, 0.99) < 0.005
    assert np.isfinite(found.hz).mean() > 0.95
    assert found.shaft_hz["armature"] == pytest.approx(found.shaft_hz["spindle"] * RATIO)


@pytest.mark.parametrize("seed", range(3))
def test_without_a_sheet_the_shaft_is_one_of_the_tool_and_rivals_have_reasons(seed: int) -> None:
    run = geared_tool("droop", 120.0, seed=seed)
    found = estimate_speed(recording(run))
    spindle = np.interp(found.time_s, run.time_s, run.hz)
    off = min(np.nanmedian(np.abs(found.hz / (turns * spindle) - 1)) for turns in (1.0, RATIO))
    if off > 0.001:  # seed 1 draws a twice-per-turn as loud as the once: then it is among the rivals, and nobody sure
        assert found.confidence < 0.6
        assert min(abs(rival.hz / np.nanmedian(spindle) - 1) for rival in found.rivals) < 0.01
    assert found.rivals
    assert all(rival.reason for rival in found.rivals)
    assert found.confidence < estimate_speed(recording(run), grinder_sheet(120.0)).confidence


def test_sound_gives_the_speed_where_there_is_no_vibration() -> None:
    run = geared_tool("steady", 147.0, sample_rate=44100.0, axes=1)
    silent = Recording(np.empty((0, run.hz.size)), run.sample_rate, (), sound=0.01 * run.samples[0])
    found = estimate_speed(silent, grinder_sheet(140.0))
    assert found.source == "sound"
    assert np.median(errors(found, run)) < 0.001


@pytest.mark.parametrize(
    ("pulses", "missing", "double", "uneven"), [(1, 0, 0, 0), (1, 0.03, 0.03, 0), (6, 0, 0, 0.1), (4, 0.02, 0.02, 0)]
)
@pytest.mark.parametrize("sample_rate", [3200.0, 25600.0])
def test_tachometer(pulses: int, missing: float, double: float, uneven: float, sample_rate: float) -> None:
    run = geared_tool("droop", 95.0, sample_rate=sample_rate, geared=False)
    facts = RecordingFacts(tach_pulses_per_rev=float(pulses))
    pulsed = recording(run, tach=tach(run, pulses, missing, double, uneven), origin=Origin(facts=facts))
    found = estimate_speed(pulsed, grinder_sheet(95.0))
    error = errors(found, run)
    assert found.source == "tach"
    assert found.of == "spindle"
    assert np.median(error) < 0.001
    assert np.quantile(error, 0.99) < 0.01
    assert ("tach_repaired" in {n.code for n in found.notices}) == (missing > 0)


def test_tachometer_follows_a_load_that_comes_and_goes_five_times_a_second() -> None:
    # 2 % at 5 Hz: a mean over 0.2 s would see nothing of it; over one or two turns of 95 Hz it loses 2 % of itself
    run = geared_tool("steady", 95.0, seconds=8.0, geared=False)
    run = replace(run, hz=95.0 * (1 + 0.02 * np.sin(2 * np.pi * 5.0 * run.time_s)))
    error = errors(estimate_speed(recording(run, tach=tach(run)), grinder_sheet(95.0)), run)
    assert np.quantile(error, 0.99) < 0.002


def test_tach_shaft_of_the_sidecar_is_used() -> None:
    run = geared_tool("steady", 95.0, geared=False)
    facts = RecordingFacts(tach_shaft="armature")
    found = estimate_speed(recording(run, tach=tach(run), origin=Origin(facts=facts)), grinder_sheet(30.0))
    assert found.shaft_hz["armature"] == pytest.approx(95.0, rel=0.003)
    assert found.shaft_hz["spindle"] == pytest.approx(95.0 / RATIO, rel=0.003)


def test_wrong_pulses_per_turn_are_noticed() -> None:
    run = geared_tool("steady", 95.0, geared=False)
    found = estimate_speed(recording(run, tach=tach(run, pulses=2)), grinder_sheet(95.0))
    assert "tach_over_rated" in {n.code for n in found.notices}


def test_silent_tachometer_falls_back_to_vibration() -> None:
    run = geared_tool("steady", 147.0)
    found = estimate_speed(recording(run, tach=np.zeros(run.hz.size)), grinder_sheet(147.0))
    assert found.source == "vibration"
    assert "tach_silent" in {n.code for n in found.notices}


def test_states_of_a_cycle() -> None:
    run = geared_tool("cycle", 147.0, seconds=20.0)
    found = estimate_speed(recording(run, tach=tach(run)), grinder_sheet(147.0))
    names = [s.state for s in found.segments]
    assert [n for n in names if n in ("steady", "loaded")] == ["steady", "loaded"]
    assert names[0] in ("off", "run-up")
    assert names[-1] in ("off", "coast-down")
    assert found.droop_pct == pytest.approx(15.0, abs=0.5)
    assert found.droop_from == "unloaded stretch of this recording"
    loaded = next(s for s in found.segments if s.state == "loaded")
    assert loaded.start_s == pytest.approx(8.6, abs=0.6)
    assert loaded.stop_s == pytest.approx(16.2, abs=0.6)


@pytest.mark.parametrize("seed", range(4))
def test_noise_has_no_speed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((3, 60000))
    found = estimate_speed(Recording(np.cumsum(noise, axis=1) * 0.01 + noise, 6400.0))
    assert not found.known
    assert found.source is None
    assert [n.severity for n in found.notices] == ["refusal"]
    assert found.to_dict()["shafts"] == {}


def test_rated_speed_beyond_half_the_sample_rate_cannot_be_told() -> None:
    run = geared_tool("steady", 147.0, sample_rate=200.0, geared=False)
    found = estimate_speed(recording(run), grinder_sheet(147.0))
    assert not found.known
    assert found.notices[0].severity == "refusal"
    assert "folds" in found.notices[0].message


def test_phone_log_of_an_unknown_tool_might_be_folded() -> None:
    # 310 Hz sampled at 400/s without a low-pass gives the samples of 90 Hz (sampling theorem)
    time_s = np.arange(8000) / 400.0
    rng = np.random.default_rng(0)
    samples = np.sin(2 * np.pi * 310.0 * time_s) + 0.1 * rng.standard_normal((3, time_s.size))
    timing = Timing(400.0, 0.0025, 0.0, 0.0025, (), 0, True)
    found = estimate_speed(Recording(samples, 400.0, origin=Origin(timing=timing)))
    assert not found.known
    assert any(rival.hz == pytest.approx(310.0, rel=0.005) for rival in found.rivals)


def test_document_has_the_keys_of_the_contract() -> None:
    run = geared_tool("steady", 147.0, seconds=4.0)
    data = estimate_speed(recording(run), grinder_sheet(147.0)).to_dict()
    assert {"document", "version", "source", "shafts", "track", "confidence", "rivals", "segments"} <= set(data)
    assert set(data["shafts"]["spindle"]) == {"median_rpm", "min_rpm", "max_rpm"}
    assert len(data["track"]["time_s"]) == len(data["track"]["rpm"])
    assert 0 <= data["confidence"] <= 1


def test_short_recording_is_refused() -> None:
    found = estimate_speed(Recording(np.ones((3, 1000)), 1000.0))
    assert [n.code for n in found.notices] == ["too_short"]


def test_missing_teeth_leave_the_other_shaft_undetermined() -> None:
    run = geared_tool("steady", 147.0)
    sheet = parse_tool(
        {
            "tool": {"tag": "T"},
            "shaft": [{"name": "armature", "rated_rpm": 147 * RATIO * 60}, {"name": "spindle"}],
            "mesh": [{"driver": "armature", "driven": "spindle"}],
        },
        "test",
    )
    found = estimate_speed(recording(run), sheet)
    assert list(found.shaft_hz) == ["armature"]
    assert "shaft_not_tied" in {n.code for n in found.notices}
    assert found.shaft_hz["armature"] == pytest.approx(147 * RATIO, rel=0.005)


def test_droop_from_the_rated_speed_where_the_recording_is_loaded_throughout() -> None:
    run = geared_tool("steady", 120.0, seconds=6.0)
    facts = RecordingFacts(condition="loaded", shaft_power_w=200.0)
    found = estimate_speed(recording(run, tach=tach(run), origin=Origin(facts=facts)), grinder_sheet(150.0))
    assert {s.state for s in found.segments} == {"loaded"}
    assert found.droop_pct == pytest.approx(20.0, abs=0.5)  # 120 against 150
    assert found.droop_from == "rated no-load speed of the tool sheet"
    assert found.to_dict()["shaft_power_w"] == 200.0


def test_a_tool_that_rests_longer_than_it_runs_is_read_at_its_running_speed() -> None:
    session = simulate(
        "small-grinder", seed=3, duration_s=60, off_before_s=2, off_after_s=38, sample_rate=6400, tach=False
    )
    found = estimate_speed(session.recording, session.recording.tool)
    true_hz = session.truth["shafts"]["spindle"]["mean_rpm"] / 60.0
    assert found.shaft_hz["spindle"] == pytest.approx(true_hz, rel=1e-3)


def test_another_tool_nearby_is_not_followed_for_long_after_the_own_one_stopped() -> None:
    session = simulate(
        "small-grinder", seed=3, duration_s=60, off_before_s=2, off_after_s=38, sample_rate=6400, tach=False
    )
    nearby = simulate("drill", seed=4, duration_s=60, sample_rate=6400, tach=False).recording
    both = replace(session.recording, samples=session.recording.samples + 0.05 * nearby.samples)
    last = estimate_speed(both, session.recording.tool).segments[-1]
    assert (last.state, last.stop_s) == ("off", pytest.approx(60.0, abs=0.5))
    assert last.start_s < 40.0


@pytest.mark.parametrize("hz", [49.9, 50.0, 163.3, 500.0])
@pytest.mark.parametrize("rate", [8192.0, 25_600.0])
def test_pulses_known_to_a_sample_only_give_the_right_speed(hz: float, rate: float) -> None:
    """A pulse that steps from sample to sample: 50 Hz at 8192 Hz is 164 samples five times and 163 once."""
    time = np.arange(int(20 * rate)) / rate
    track = tach_track((np.mod(hz * time, 1.0) < 0.5).astype(float), rate, 1.0)
    assert track is not None and np.nanmedian(track.hz) == pytest.approx(hz, rel=1.5e-4)


@pytest.mark.parametrize("seconds", [2.0, 2.1, 2.5])
def test_two_seconds_without_a_sheet(seconds: float) -> None:
    run = geared_tool("steady", 147.0, seconds, 6400.0)
    found = estimate_speed(recording(run))
    assert min(abs(np.nanmedian(found.hz) / (turns * 147.0) - 1) for turns in (1.0, RATIO)) < 0.005
