"""`check` on recordings with one known flaw each, on sound ones, and in blocks."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vibekit as vk
from tests.benchmarks.flawed import FLAWS, clean, doubts, recording
from vibekit.recording.clipping import find_clipping
from vibekit.recording.gravity import without_gravity
from vibekit.recording.measures import measure
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import parse_tool
from vibekit.simulate.sensor import SENSORS
from vibekit.simulate.session import simulate


@pytest.mark.parametrize("name", FLAWS)
def test_each_flaw_is_found(name: str) -> None:
    make, expected = FLAWS[name]
    random = np.random.default_rng(11)
    assert sum(expected in doubts(make(clean(random, (3200, 6400), 16), random)) for _ in range(4)) >= 3


def test_sound_recordings_raise_no_doubt() -> None:
    random = np.random.default_rng(12)
    alarms = [doubts(clean(random, (3200, 6400, 12800), 16)) for _ in range(12)]
    assert sum(map(bool, alarms)) <= 1, alarms


def test_share_of_clipped_samples_is_counted() -> None:
    """A sine cut at c of its amplitude is clipped for acos(c) / (pi / 2) of the time."""
    n, frequency = 64000, 61.803
    wave = np.sin(2 * np.pi * frequency * np.arange(n) / 6400)
    for level in (0.99, 0.95, 0.7):
        cut = np.clip(wave, -level, level)
        report = vk.check(Recording(np.stack([cut, 0.3 * wave, 0.2 * wave]), 6400.0))
        assert report.clipped_pct == pytest.approx(100 * np.arccos(level) / (np.pi / 2), rel=0.1)


@pytest.mark.parametrize("frequency", [16.0, 61.8034, 100.0, 800.0, 997.3])
@pytest.mark.parametrize("steps", [50, 2000, 30000])
def test_pure_tones_are_not_clipped(frequency: float, steps: int) -> None:
    """The top of an unclipped sine holds 2.41 times the samples of the layer below, in step with the rate or not."""
    wave = np.sin(2 * np.pi * frequency * np.arange(64000) / 6400 + 0.1)
    rec = Recording(np.stack([np.round(steps * wave) / steps, 0.3 * wave, 0.1 * wave]), 6400.0)
    assert vk.check(rec).clipped_pct == 0


def test_clipping_at_the_end_of_an_integer_file_counts_the_last_value() -> None:
    histogram = measure(Recording(np.clip(np.linspace(-2, 2, 4001), -1, 1)[None], 100.0, ("x",))).histograms[0]
    assert find_clipping(histogram, -1, 1, 1e-3, 1.0).samples == pytest.approx(2002, abs=4)


def test_two_seconds_and_lines_beyond_are_refused() -> None:
    samples = np.random.default_rng(0).standard_normal((3, 300))
    sheet = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "s", "rated_rpm": 11000}]}, "sheet")
    short = vk.check(Recording(samples, 200.0), sheet)
    assert {n.code for n in short.notices if n.severity == "refusal"} == {"too_short", "band_misses_lines"}
    assert short.usable_for == {"grade": False, "speed": False, "gear_mesh": False, "bearings": False}


def test_stream_and_recording_give_one_report(tmp_path: Path) -> None:
    import soundfile

    case = clean(np.random.default_rng(5))
    soundfile.write(tmp_path / "a.wav", (case.samples / case.full_scale).T, int(case.rate), subtype="PCM_24")
    calibration = vk.Calibration.full_scale(f"{case.full_scale} m/s2")
    stream = vk.open_recording(tmp_path / "a.wav", calibration=calibration)
    assert vk.check(stream).to_dict() == vk.check(stream.read()).to_dict()


def test_document_has_what_the_outside_reads() -> None:
    document = vk.check(recording(clean(np.random.default_rng(1)))).to_dict()
    assert (document["document"], document["version"]) == ("check", 1)
    row = document["recordings"][0]
    for key in (
        "file",
        "duration_s",
        "sample_rate_hz",
        "axes",
        "band_covered_hz",
        "clipped_pct",
        "checks",
        "usable_for",
    ):
        assert key in row
    assert set(row["usable_for"]) == {"grade", "speed", "gear_mesh", "bearings"}
    for check in row["checks"]:
        assert {"name", "status", "value", "limit", "message", "source"} <= set(check)
        assert check["status"] in ("pass", "doubtful", "fail")


def test_silence_and_one_constant_value() -> None:
    for samples in (np.zeros((3, 64000)), 1e-3 * np.random.default_rng(0).standard_normal((3, 64000))):
        report = vk.check(Recording(samples, 6400.0))
        assert report.clipped_pct == 0 and not any(n.severity == "refusal" for n in report.notices)


def test_spectrum_keeps_the_power() -> None:
    """Parseval: the density integrates to the mean square."""
    noise = np.random.default_rng(2).standard_normal((2, 100000))
    found = measure(Recording(noise, 1000.0, ("x", "y")))
    total = found.spectra.mean.sum(axis=1) * found.spectra.frequency_hz[1]
    np.testing.assert_allclose(total, noise.var(axis=1), rtol=0.03)
    np.testing.assert_allclose(found.rms, noise.std(axis=1), rtol=1e-9)
    np.testing.assert_allclose(found.mean, noise.mean(axis=1), atol=1e-12)


@pytest.mark.parametrize("size", [100, 4096])
def test_gravity_is_taken_out_and_the_line_stays(size: int) -> None:
    """At 6.3 Hz a second-order Butterworth high-pass at 0.5 Hz keeps 1 / sqrt(1 + (0.5 / 6.3)^4) = 0.99998."""
    time = np.arange(20000) / 1000
    line = np.sin(2 * np.pi * 6.3 * time)
    rec = Recording(np.stack([line, 0 * time, 9.81 + 0 * time]), 1000.0)
    out = np.concatenate([b.acceleration for b in without_gravity(rec.blocks(size), 1000.0)], axis=1)
    assert np.abs(out[2]).max() < 1e-6
    assert out[0, 5000:].std() * np.sqrt(2) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize(("sidecar", "removed"), [(None, True), ("true", True), ("false", False)])
def test_gravity_in_a_log(tmp_path: Path, sidecar: str | None, removed: bool) -> None:
    rows = [f"{i / 400},{np.sin(i):.4f},0.1,{9.7 + 0.2 * np.cos(i):.4f}" for i in range(4000)]
    (tmp_path / "p.csv").write_text("\n".join(["time [s],x [m/s2],y [m/s2],z [m/s2]", *rows]))
    if sidecar:
        (tmp_path / "p.toml").write_text(f"[recording]\nincludes_gravity = {sidecar}\n")
    found = vk.read(tmp_path / "p.csv")
    assert (abs(found.samples[2].mean()) < 0.05) == removed
    assert ("gravity_removed" in {n.code for n in found.origin.notices}) == removed
    assert vk.check(found).to_dict()["recordings"][0]["duration_s"] == pytest.approx(10)


def test_hum_needs_the_odd_multiple_and_no_shaft_near() -> None:
    random = np.random.default_rng(3)
    case = clean(random)
    time = np.arange(case.samples.shape[1]) / case.rate
    sheet = parse_tool({"tool": {"tag": "T", "supply": "mains 50 Hz"}}, "sheet")
    twice = replace(case, samples=case.samples + 0.5 * np.sin(2 * np.pi * 100 * time), tool=sheet)
    assert "hum" not in doubts(twice)


SAMPLES = sorted((Path(__file__).parent.parent.parent / "sample_recordings").glob("*.flac"))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.stem)
def test_sample_recordings_raise_no_doubt_about_the_signal(path: Path) -> None:
    """Made by `vibekit.simulate` with process force, speed droop and faults of the tool, but no flaw of the sensor."""
    found = {c.name for c in vk.check(vk.open_recording(path)).checks if c.status != "pass"}
    assert found <= {"length"}, found


def test_process_force_at_low_frequency_is_no_dc_shift() -> None:
    """Grinding pushes at all frequencies alike; a step that creeps back has a density of 1 / f²."""
    random = np.random.default_rng(9)
    time = np.arange(20 * 6400) / 6400
    tool = 20 * np.sin(2 * np.pi * 160 * time)
    flat = np.fft.irfft(np.fft.rfft(random.standard_normal(time.size)) * (np.fft.rfftfreq(time.size, 1 / 6400) < 60))
    sheet = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "s", "rated_rpm": 9600}]}, "sheet")
    steps = np.cumsum((random.random(time.size) < 2 / 6400) * random.choice([-1, 1], time.size))
    creeping = steps - np.convolve(np.pad(steps, (3200, 0), mode="edge"), np.ones(3201) / 3201, "valid")
    for low, expected in ((30 * flat, "pass"), (10 * creeping, "fail")):
        rec = Recording(np.stack([tool + low, 0.5 * tool + flat, 0.3 * tool - flat]), 6400.0)
        status = {c.name: c.status for c in vk.check(rec, sheet).checks}["dc_shift"]
        assert status == expected


def test_limited_slope_is_told_from_fast_vibration() -> None:
    """A triangle is a sine whose slope is limited throughout; its slope is a square wave, of kurtosis 1.

    The lines of a square wave have the powers 8 / (pi k)², k odd, and call for 3 - 1.5 sum(64 / (pi k)^4) = 2.
    """
    time = np.arange(16 * 12800) / 12800
    turns = 61.8034 * time
    triangle = 20 * (4 * np.abs(turns % 1 - 0.5) - 1)
    found = {c.name: c for c in vk.check(Recording(np.stack([triangle, 0.1 * triangle, 0 * time]), 12800.0)).checks}
    assert found["slew"].status == "doubtful" and found["slew"].value == pytest.approx(1.0, abs=0.05)
    for shape in (np.sin(2 * np.pi * turns), np.random.default_rng(0).standard_normal(time.size)):
        found = {c.name: c for c in vk.check(Recording(np.stack([20 * shape, 0.1 * shape, 0 * time]), 12800.0)).checks}
        assert found["slew"].status == "pass"


@pytest.mark.parametrize("steps", [0.3, 1.0, 3.0])
def test_steps_of_the_resolution_are_no_limited_slope(steps: float) -> None:
    """A slow sine in coarse steps: its differences are 0 or one step, whatever the amplifier did."""
    wave = 5 * np.sin(2 * np.pi * 17.3 * np.arange(64000) / 6400)
    step = float(np.diff(wave).std()) / steps
    stored = np.round(np.stack([wave, 0.9 * wave, 0.8 * wave]) / step) * step
    found = {c.name: c.status for c in vk.check(Recording(stored, 6400.0)).checks}
    assert found.get("slew", "pass") == "pass"


@pytest.mark.parametrize(("share", "expected"), [(0.5, "doubtful"), (100.0, "pass")])
def test_simulated_amplifier_with_a_limited_slope(share: float, expected: str) -> None:
    """An amplifier that follows half the r.m.s. slope of the handle, or far more than occurs."""
    run: dict[str, Any] = {"seed": 4, "duration_s": 5, "sample_rate": 25600, "condition": "loaded"}
    slope = float(np.diff(simulate("small-grinder", **run).clean, axis=1).std() * 25600)
    sensor = replace(SENSORS["instrument"], slew_mps3=share * slope)
    flawed = simulate("small-grinder", **run, sensor=sensor)
    assert {c.name: c.status for c in vk.check(flawed.recording).checks}["slew"] == expected


@pytest.mark.skipif("VIBEKIT_REAL_DATA" not in os.environ, reason="real recordings are not here")
@pytest.mark.parametrize(
    ("file", "facts"),
    [
        ("bearing_a/12k_DE_IR007_0hp_105.mat", {"axes": ["x=X105_DE_time"], "sample_rate": 12000}),
        ("bearing_a/48k_normal_0hp_97.mat", {"axes": ["x=X097_DE_time"], "sample_rate": 48000}),
        ("bearing_b/InnerRaceFault_vload_1.mat", {"axes": ["x"]}),
        ("bearing_b/OuterRaceFault_vload_1.mat", {"axes": ["x"]}),
        ("gear/Chan6.mat", {"axes": ["x"], "sample_rate": 25600}),
    ],
)
def test_real_recordings_are_not_limited(file: str, facts: dict[str, Any]) -> None:
    """Laboratory rigs with sensors far from their limits, as their publications describe them."""
    found = vk.check(vk.read(Path(os.environ["VIBEKIT_REAL_DATA"]) / file, unit="g", **facts))
    status = {c.name: c.status for c in found.checks}
    assert all(status.get(name, "pass") == "pass" for name in ("clipping", "soft_clipping", "slew", "dc_shift"))
