"""`vibekit check`: documents, exit codes, several recordings, plans, bad input."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.run import vibekit

SHEET = """
[tool]
tag = "T-17"
mass_kg = 2.0
declared_vibration_mps2 = 6.0
[[shaft]]
name = "spindle"
rated_rpm = 11000
"""


def run_file(path: Path, rate: int = 6400, seconds: float = 20.0, level: float = 0.1, clip: float = 1.0) -> Path:
    random = np.random.default_rng(1)
    time = np.arange(round(rate * seconds)) / rate
    samples = np.stack([np.sin(2 * np.pi * 181.3 * time + i) * (1 + 0.3 * i) for i in range(3)], axis=1)
    samples = level * (samples + 0.3 * random.standard_normal(samples.shape))
    soundfile.write(path, np.clip(samples, -clip, clip), rate, subtype="PCM_24")
    return path


def phone_file(path: Path) -> Path:
    random = np.random.default_rng(2)
    stamps = np.cumsum(random.gamma(6, 0.005 / 6, 2000))
    rows = [f"{t:.4f},{np.sin(900 * t):.4f},0.02,{9.81 + 0.1 * np.cos(700 * t):.4f}" for t in stamps]
    path.write_text("\n".join(["time [s],ax,ay,az", *rows]))
    return path


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    (tmp_path / "t.toml").write_text(SHEET)
    return tmp_path / "t.toml"


def test_sound_recording_is_good_for_everything(tmp_path: Path, sheet: Path) -> None:
    ended = vibekit("check", run_file(tmp_path / "a.wav"), "--full-scale", "50 g", "--tool", sheet, "--json")
    assert ended.code == 0, ended.err
    row = ended.document["recordings"][0]
    assert row["usable_for"] == {"grade": True, "speed": True, "gear_mesh": True, "bearings": True}
    assert row["clipped_pct"] == 0 and row["duration_s"] == 20 and row["axes"] == ["x", "y", "z"]


def test_text_says_what_was_found_and_what_to_do(tmp_path: Path) -> None:
    ended = vibekit("check", run_file(tmp_path / "a.wav", clip=0.1), "--full-scale", "50 g")
    assert ended.code == 0
    for words in ("read WAV PCM_24", "full scale 50 g", "flat tops", "wider range", "usable for"):
        assert words in ended.out, words


def test_phone_that_cannot_carry_the_tool_ends_with_4(tmp_path: Path, sheet: Path) -> None:
    ended = vibekit("check", phone_file(tmp_path / "p.csv"), "--unit", "m/s2", "--tool", sheet, "--json")
    assert ended.code == 4
    refusals = [n for n in ended.document["notices"] if n["severity"] == "refusal"]
    assert [n["code"] for n in refusals] == ["band_misses_lines"]
    assert "183 Hz" in refusals[0]["message"]
    assert not ended.document["recordings"][0]["usable_for"]["grade"]
    codes = {n["code"] for n in ended.document["notices"]}
    assert {"resampled", "gravity_removed"} <= codes


def test_under_two_seconds_ends_with_4_and_the_document(tmp_path: Path) -> None:
    ended = vibekit("check", run_file(tmp_path / "a.wav", seconds=1.9), "--full-scale", "50 g", "--json")
    assert ended.code == 4 and ended.document["recordings"][0]["duration_s"] == pytest.approx(1.9)


@pytest.mark.parametrize(("floor", "near"), [(0.05, True), (0.01, False)])
def test_background_beside_a_run(tmp_path: Path, floor: float, near: bool) -> None:
    """The run has 10 times the floor, or twice it."""
    run, off = run_file(tmp_path / "run.wav"), run_file(tmp_path / "off.wav", level=floor)
    (tmp_path / "off.toml").write_text('[recording]\ncondition = "off"\n')
    notices = vibekit("check", run, off, "--full-scale", "50 g", "--json").document["notices"]
    found = [n for n in notices if n["code"] == "near_background"]
    assert bool(found) == near
    if near:
        assert found[0]["value"] == pytest.approx(2, rel=0.02) and "run.wav" in found[0]["message"]


def test_one_bad_recording_among_several(tmp_path: Path) -> None:
    good, bad = run_file(tmp_path / "a.wav"), tmp_path / "b.wav"
    bad.write_bytes(good.read_bytes()[:9000])
    ended = vibekit("check", good, bad, "--full-scale", "50 g", "--json")
    assert ended.code == 3
    assert [r["file"] for r in ended.document["recordings"]] == ["a.wav"]
    assert "truncated" in ended.err and any("truncated" in n["message"] for n in ended.document["notices"])


@pytest.mark.parametrize(
    ("name", "content", "arguments"),
    [
        ("a.wav", b"", []),
        ("a.csv", b"x,y,z\n1,2,nan\n", ["--unit", "g", "--sample-rate", "100"]),
        ("a.csv", b"time [s],x,y,z\n0,1,2,3\n0.1,1,2,3\n0.05,1,2,3\n", ["--unit", "g"]),
        ("a.csv", b"time [s],x,y,z\n0,1,2,3\n0.1,1,2,3\n0.2,1,2,3\n", []),
        ("a.csv", b"time [s],x,y,z\n0,1,2,3\n0.1,1,2,3\n0.2,1,2,3\n", ["--unit", "g", "--axes", "x,y,q"]),
        ("a.csv", b"time [s],x,y,z\n0,1,2,3\n0.1,1,2,3\n0.2,1,2,3\n", ["--unit", "g", "--axes", "x,y"]),
        ("a.npz", b"junk", ["--unit", "g"]),
        ("a.xyz", b"junk", ["--unit", "g"]),
    ],
)
def test_bad_input_is_one_line_and_exit_3(tmp_path: Path, name: str, content: bytes, arguments: list[str]) -> None:
    (tmp_path / name).write_bytes(content)
    ended = vibekit("check", tmp_path / name, *arguments)
    assert (ended.code, ended.out) == (3, "")
    assert len(ended.err.splitlines()) == 1 and name in ended.err


def test_plan_before_the_test(sheet: Path) -> None:
    """clip_ceiling.csv: 16 g at 11000 rpm clips from 9.649 m/s² weighted."""
    ended = vibekit("check", "--plan", "--tool", sheet, "--sample-rate", "6400", "--full-scale", "16 g", "--json")
    assert ended.code == 0
    first = ended.document["plan"]["lines"][0]
    assert first["carried"] and first["max_weighted_mps2"] == pytest.approx(9.649, rel=1e-3)
    slow = vibekit("check", "--plan", "--tool", sheet, "--sample-rate", "200")
    assert slow.code == 4 and "folds to 17 Hz" in slow.out  # alias_effect.csv: 183.33 Hz at 200 Hz appears at 16.67 Hz


@pytest.mark.parametrize("arguments", [[], ["--plan"], ["--plan", "a.wav"], ["--plan", "--sample-rate", "100"]])
def test_usage_errors(arguments: list[str]) -> None:
    ended = vibekit("check", *arguments)
    assert (ended.code, ended.out) == (2, "")
