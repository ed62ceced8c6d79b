"""The session as a whole: truth, seeds, levels, sensor flaws, files, speed."""

from __future__ import annotations

import hashlib
import json
import math
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import vibekit as vk
from vibekit.errors import UsageError
from vibekit.recording.sidecar import UncertaintyFacts
from vibekit.recording.toolsheet import load_tool
from vibekit.simulate import simulate
from vibekit.simulate.files import tool_toml
from vibekit.simulate.presets import PRESETS, SMALL_GRINDER
from vibekit.simulate.sensor import SENSORS
from vibekit.simulate.truth import weighting_gain

IDEAL = SENSORS["ideal"]


def line(samples: np.ndarray, rate: float, hz: float, width: float = 3.0) -> float:
    """Return the amplitude of a line (Hann window, power summed over its width) [m/s²]."""
    window = np.hanning(samples.size)
    power = np.abs(np.fft.rfft(samples * window)) ** 2 * 2 / (samples.size * np.sum(window**2))
    f = np.fft.rfftfreq(samples.size, 1 / rate)
    return float(math.sqrt(2 * power[np.abs(f - hz) < width].sum()))


@pytest.mark.parametrize("condition", ["no load", "loaded"])
@pytest.mark.parametrize("tool", PRESETS)
def test_the_truth_agrees_with_a_grade_of_the_ideal_recording(tool: str, condition: str) -> None:
    """Two routes to ISO 5349-1: whole-signal spectrum at the inner rate, and filtering the recording."""
    session = simulate(tool, seed=4, duration_s=8, sample_rate=12800, condition=condition, sensor="ideal")
    graded = vk.grade(session.recording)
    assert graded.a_hv_mps2 == pytest.approx(session.truth["a_hv_mps2"], rel=0.01)


def test_the_truth_of_an_unbalance_is_what_the_standard_gives_by_hand() -> None:
    """A line of known size through |Wh|: healthy specimen against the same with 300 g·mm, whose 1x line dominates."""
    session = simulate(seed=6, duration_s=8, faults={"imbalance.accessory": 300.0}, sensor="ideal")
    hz = session.truth["shafts"]["spindle"]["mean_rpm"] / 60
    gain = abs(weighting_gain(np.array([hz]))[0])
    by_hand = math.sqrt(sum((gain * line(axis, 25600, hz) / math.sqrt(2)) ** 2 for axis in session.clean))
    assert session.truth["a_hv_mps2"] == pytest.approx(by_hand, rel=0.03)


def test_levels_are_of_the_order_published_for_such_tools() -> None:
    """HSE L140 (2019) starting values: small angle grinders 6, die grinders 8 m/s² (memory; upper quartile of use).

    Loaded work of healthy tools lies below and within a factor of three.
    """
    for tool, published in (("small-grinder", 6.0), ("battery-grinder", 6.0), ("die-grinder", 8.0), ("sander", 8.0)):
        a_hv = [
            simulate(tool, seed=s, duration_s=3, sample_rate=3200, condition="loaded").truth["a_hv_mps2"]
            for s in range(6)
        ]
        assert published / 3 < np.mean(a_hv) < published * 1.2, tool


def test_specimens_differ_and_runs_of_one_specimen_differ_less() -> None:
    def a_hv(seed: int, run: int) -> float:
        return float(simulate(seed=seed, run=run, duration_s=3, sample_rate=3200).truth["a_hv_mps2"])

    specimens = [a_hv(seed, 1) for seed in range(12)]
    runs = [a_hv(0, run) for run in range(1, 6)]
    assert np.std(runs) / np.mean(runs) < 0.5 * np.std(specimens) / np.mean(specimens)
    assert 0.1 < np.std(specimens) / np.mean(specimens) < 0.8


def test_the_same_seed_is_the_same_recording_and_another_is_not() -> None:
    def digest(seed: int) -> str:
        faults = {"bushing.worn": 0.2, "bearing.outer_race": 0.5}
        session = simulate(seed=seed, duration_s=2, sample_rate=3200, faults=faults)
        return hashlib.sha256(np.round(session.recording.samples * 1e6).astype(np.int64).tobytes()).hexdigest()

    assert digest(1) == digest(1) != digest(2)


def test_the_course_of_a_rattle_does_not_hang_on_the_last_bits() -> None:
    """Another machine's sine may differ in the last bit; the events must not drift apart because of it."""
    from vibekit.simulate.rattle import Seat, bounce

    rate, hz = 12800.0, 160.0
    turns = np.arange(int(8 * rate)) * hz / rate
    full = np.full(turns.size, 1.0)
    plays = []
    for f in (1.0, 1.0 + 4e-16):
        seat = Seat(0.3, 60 * f * full, 10 * full, 2e-4, 0.35, 2e-4)
        plays.append(bounce(turns * f, full * hz, seat, rate, np.random.Generator(np.random.PCG64(1))))
    assert plays[0].times.size == plays[1].times.size > 300
    assert np.max(np.abs(plays[0].times - plays[1].times)) < 1e-6


def test_full_rate_keeps_well_ahead_of_the_clock() -> None:
    """A minute of three axes at 25.6 kHz takes 2.5 to 3.5 s of an idle core; here a third of it, with room for load."""
    started = time.process_time()
    session = simulate(seed=1, duration_s=20, condition="loaded", faults={"bushing.worn": 0.2})
    assert session.recording.samples.shape == (3, 20 * 25600)
    assert time.process_time() - started < 5.0


def test_clipping_at_the_range_is_hard_or_soft() -> None:
    small = replace(IDEAL, range_mps2=40.0, low_pass=None)
    hard = simulate(seed=1, duration_s=3, faults={"imbalance.accessory": 300.0}, sensor=small)
    soft = simulate(
        seed=1, duration_s=3, faults={"imbalance.accessory": 300.0}, sensor=replace(small, soft_clipping=True)
    )
    assert hard.truth["clipped_pct"] > 5
    top = np.sort(np.abs(soft.recording.samples).ravel())[-100:]
    assert top.max() < 40.0 and np.ptp(top) > 0
    assert soft.recording.samples.std() < hard.recording.samples.std()


def test_without_a_low_pass_lines_fold_back_and_with_one_they_do_not() -> None:
    """A line at f sampled at fs < 2f appears at |f - k·fs| (sampling theorem)."""
    bare = replace(IDEAL, low_pass=None)
    rate = 400.0
    faults = {"imbalance.armature": 20.0}
    open_, kept = (simulate(seed=3, duration_s=8, sample_rate=rate, sensor=s, faults=faults) for s in (bare, IDEAL))
    armature = open_.truth["shafts"]["armature"]["mean_rpm"] / 60
    folded = abs(armature - rate * round(armature / rate))
    aliased, clean = (line(s.recording.samples[2], rate, folded, 4.0) for s in (open_, kept))
    assert aliased > 5 * clean
    true = simulate(seed=3, duration_s=8, sample_rate=20000, sensor=IDEAL, faults=faults)  # same course, nothing folds
    assert aliased == pytest.approx(line(true.clean[2], 20000, armature, 4.0), rel=0.05)


def test_noise_has_the_stated_density() -> None:
    """White noise of density d in the band to fs/2 has r.m.s. d·√(fs/2)."""
    noisy = replace(IDEAL, noise_density=0.02)
    quiet = simulate(seed=3, duration_s=4, sample_rate=6400, condition="off", sensor=IDEAL).recording.samples
    heard = simulate(seed=3, duration_s=4, sample_rate=6400, condition="off", sensor=noisy).recording.samples
    assert np.std(heard - quiet) == pytest.approx(0.02 * math.sqrt(3200), rel=0.02)


def test_bits_set_the_step() -> None:
    coarse = replace(IDEAL, bits=8, range_mps2=100.0)
    values = np.unique(simulate(seed=3, duration_s=2, sample_rate=3200, sensor=coarse).recording.samples)
    assert np.diff(values).min() == pytest.approx(100.0 / 128)


def test_gravity_has_its_size_and_the_mounting_its_resonance() -> None:
    heavy = replace(IDEAL, gravity=True)
    still = simulate(seed=3, duration_s=4, sample_rate=3200, condition="off", sensor=heavy).sensed.samples
    assert np.linalg.norm(still.mean(axis=1)) == pytest.approx(9.80665, rel=0.01)
    f = np.array([100.0, 3000.0])
    gain = np.abs(replace(IDEAL, mounting_hz=3000.0, mounting_q=6.0).response(f))
    assert gain[0] == pytest.approx(1.0, abs=0.005) and gain[1] == pytest.approx(6.0, rel=1e-6)


def test_own_low_pass_is_a_butterworth() -> None:
    from scipy import signal

    corner, order = 0.49 * 1000.0, 12
    f = np.array([10.0, 300.0, 490.0, 700.0])
    b, a = signal.butter(order, 2 * math.pi * corner, analog=True, output="zpk")[1:3]
    _, expected = signal.freqs_zpk([], b, a, worN=2 * math.pi * f)
    assert np.allclose(IDEAL.filter(f, 1000.0), expected, rtol=1e-9)


def test_drop_outs_hold_the_last_value_and_overloads_shift_the_zero() -> None:
    losing = simulate(
        seed=3, duration_s=20, sample_rate=3200, sensor=replace(IDEAL, dropouts_per_min=30.0)
    ).recording.samples
    still = np.all(np.diff(losing, axis=1) == 0, axis=0)
    assert 0.01 < still.mean() < 0.2
    shifted = replace(IDEAL, range_mps2=60.0, dc_shift=0.02)
    faults = {"imbalance.accessory": 300.0}
    plain = simulate(seed=3, duration_s=4, faults=faults, sensor=replace(shifted, dc_shift=0.0)).recording.samples
    moved = simulate(seed=3, duration_s=4, faults=faults, sensor=shifted).recording.samples
    assert np.mean(moved[2]) - np.mean(plain[2]) > 0.5


def test_tachometer_counts_the_turns_that_the_truth_says() -> None:
    session = simulate(seed=8, duration_s=10, sample_rate=6400)
    pulse = session.recording.tach
    assert pulse is not None
    counted = np.count_nonzero((pulse[:-1] < 0.4) & (pulse[1:] >= 0.4))
    assert counted == pytest.approx(session.truth["shafts"]["spindle"]["mean_rpm"] / 6, abs=1.5)


def test_a_microphone_hears_mesh_and_shaft_over_the_room() -> None:
    session = simulate(seed=8, duration_s=6, sample_rate=25600, sound=True)
    off = simulate(seed=8, duration_s=6, sample_rate=25600, sound=True, condition="off")
    heard, room = session.recording.sound, off.recording.sound
    assert heard is not None and room is not None
    mesh = 12 * session.truth["shafts"]["armature"]["mean_rpm"] / 60
    assert line(heard, 25600, mesh, 60) > 10 * line(room, 25600, mesh, 60)
    assert heard.std() > 3 * room.std() and np.abs(heard).max() <= 1.0


@pytest.mark.parametrize(("suffix", "bits"), [("wav", 16), ("wav", 24), ("wav", 32), ("flac", 16), ("csv", 16)])
def test_what_is_written_reads_back(tmp_path: Path, suffix: str, bits: int) -> None:
    session = simulate(seed=8, duration_s=3, sample_rate=3200, faults={"gear.wear": 0.02}, sound=True)
    path = session.write(tmp_path, "run", file_format=suffix, bits=bits)
    back = vk.read(path)
    step = {16: 490.34 / 2**15, 24: 490.34 / 2**23, 32: 1e-4}[bits] if suffix != "csv" else 1e-4
    assert back.sample_rate == pytest.approx(3200, rel=1e-5)
    assert np.abs(back.samples - session.recording.samples).max() <= 0.51 * step + 1e-5
    assert back.tach is not None and back.sound is not None
    assert back.tool == session.recording.tool
    truth = json.loads((tmp_path / "run.truth.json").read_text())
    assert truth["faults"][0]["fault"] == "gear.wear"
    assert truth["a_hv_mps2"] == pytest.approx(session.truth["a_hv_mps2"], rel=1e-8)
    assert not list(tmp_path.glob(".*")), "nothing half written is left"


def test_a_phone_log_reads_back_with_its_uneven_clock(tmp_path: Path) -> None:
    session = simulate(seed=8, duration_s=6, sample_rate=200, sensor="phone")
    back = vk.read(session.write(tmp_path, "phone", file_format="csv"))
    assert back.origin.timing is not None and back.origin.timing.resampled
    assert np.abs(back.samples - session.recording.samples).max() < 0.02
    with pytest.raises(UsageError, match="csv"):
        session.write(tmp_path, "phone", file_format="wav")


@pytest.mark.parametrize("tool", PRESETS)
def test_built_in_sheets_are_valid(tmp_path: Path, tool: str) -> None:
    sheet = replace(PRESETS[tool], uncertainty=UncertaintyFacts(operator_pct=4.0, position_pct=0.0))
    (tmp_path / "t.toml").write_text(tool_toml(sheet))
    assert load_tool(tmp_path / "t.toml") == sheet


def test_a_tag_is_never_a_path(tmp_path: Path) -> None:
    session = simulate(replace(SMALL_GRINDER, tag='../"x\n'), seed=1, duration_s=1, sample_rate=3200)
    session.write(tmp_path / "in", "run")
    assert [p.name for p in tmp_path.iterdir()] == ["in"]
    assert vk.read(tmp_path / "in" / "run.wav").tool == session.recording.tool


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"tool": "no such"}, "built-in"),
        ({"faults": {"gear.rust": 1.0}}, "not known"),
        ({"faults": {"gear.wear": -1.0}}, "above 0"),
        ({"faults": {"gear.wear": math.nan}}, "above 0"),
        ({"faults": {"bushing.worn@armature front": 0.1}}, "spindle rear"),
        ({"tool": "die-grinder", "faults": {"gear.wear": 0.1}}, "mesh"),
        ({"tool": "battery-grinder", "faults": {"electrical.mains": 10.0}}, "mains"),
        ({"condition": "half"}, "condition"),
        ({"duration_s": math.nan}, "duration"),
        ({"sample_rate": 0.0}, "sample rate"),
        ({"off_before_s": 15.0, "off_after_s": 10.0}, "off time"),
        ({"shaft_power_w": 1e5, "condition": "loaded"}, "at most"),
        ({"sensor": "ear"}, "sensor"),
        ({"tach_shaft": "axle"}, "axle"),
        ({"seed": -1}, "negative"),
    ],
)
def test_what_cannot_be_simulated_is_said(wrong: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        simulate(**{"seed": 1, **wrong})  # type: ignore[arg-type]
