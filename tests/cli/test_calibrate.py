"""`vibekit calibrate`: tone, rests, drift, straight into a sidecar; refusals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

import vibekit as vk
from tests.cli.run import vibekit

G = 9.80665


def tone_file(path: Path, full_scale: float = 493.2, frequency: float = 159.155) -> Path:
    time = np.arange(6400 * 5) / 6400
    wave = 10 * np.sqrt(2) * np.sin(2 * np.pi * frequency * time) / full_scale
    soundfile.write(path, np.stack([0.01 * wave, wave, 0.02 * wave], axis=1), 6400, subtype="PCM_24")
    return path


def rest_files(folder: Path, scale: tuple[float, ...] = (1.02, 0.98, 1.01)) -> list[Path]:
    random = np.random.default_rng(0)
    paths = []
    for i, up in enumerate(np.concatenate([np.eye(3), -np.eye(3)])):
        rows = G * up / np.array(scale) + np.array([0.3, -0.2, 0.1]) + 0.01 * random.standard_normal((600, 3))
        lines = [f"{k / 200:.3f}," + ",".join(f"{v:.5f}" for v in row) for k, row in enumerate(rows)]
        paths.append(folder / f"rest{i}.csv")
        paths[-1].write_text("\n".join(["time [s],x [m/s2],y [m/s2],z [m/s2]", *lines]))
    return paths


def test_tone_into_the_sidecar_that_grade_then_uses(tmp_path: Path) -> None:
    """159.155 Hz, 10 m/s²: the reading weighted by Wh is 1.0026 m/s² (ISO 8041 reference, factor 0.100260 computed)."""
    file = tone_file(tmp_path / "tone.wav")
    ended = vibekit("calibrate", file, "--level", "10 m/s2", "--write-sidecar", file, "--json")
    assert ended.code == 0, ended.err
    assert ended.document["full_scale"] == "493.2 m/s2"
    assert 3.0 <= ended.document["expanded_uncertainty_pct"] < 3.2
    row = vibekit("grade", file, "--json").document["recordings"][0]
    assert row["a_hw_mps2"]["y"] == pytest.approx(1.0026, rel=2e-3)


def test_drift_since_before_the_work(tmp_path: Path) -> None:
    before, after = tone_file(tmp_path / "before.wav"), tone_file(tmp_path / "after.wav", 540.0)
    ended = vibekit("calibrate", after, "--before", before, "--level", "10 m/s2", "--json")
    assert ended.document["drift_pct"] == pytest.approx(100 * (540 / 493.2 - 1), abs=0.01)
    assert "drift" in {n["code"] for n in ended.document["notices"]}


def test_six_rests(tmp_path: Path) -> None:
    ended = vibekit("calibrate", "--rests", *rest_files(tmp_path), "--json")
    assert ended.code == 0, ended.err
    document = ended.document
    assert list(document["sensitivity"].values()) == pytest.approx([1.02, 0.98, 1.01], rel=1e-3)
    assert [document["offset"][a] for a in "xyz"] == pytest.approx([0.306, -0.196, 0.101], abs=2e-3)
    assert vibekit("calibrate", "--rests", *rest_files(tmp_path)).out.startswith("rest0.csv")


def test_rests_give_a_board_its_scale(tmp_path: Path) -> None:
    """A board that writes raw counts, 4096 to 1 g: after six rests its other logs are in m/s²."""
    for path in rest_files(tmp_path, (1.0, 1.0, 1.0)):
        _, *lines = path.read_text().splitlines()
        counts = [
            line.split(",")[:1] + [str(round(float(v) / G * 4096)) for v in line.split(",")[1:]] for line in lines
        ]
        path.write_text("\n".join(["time [s],x,y,z", *(",".join(row) for row in counts)]))
    time = np.arange(3200) / 400
    log = [f"{t:.4f},{round(4096 * 2 * np.sin(2 * np.pi * 40 * t))},0,0" for t in time]
    (tmp_path / "run.csv").write_text("\n".join(["time [s],x,y,z", *log]))
    assert vibekit("check", tmp_path / "run.csv").code == 3
    rests = sorted(tmp_path.glob("rest*.csv"))
    ended = vibekit("calibrate", "--rests", *rests, "--write-sidecar", tmp_path / "run.csv", "--json")
    assert ended.document["full_scale_mps2"] == pytest.approx(G / 4096, rel=1e-3)
    assert ended.document["residual_mps2"] is None  # six values, six parameters
    assert "no_residual" in {n["code"] for n in ended.document["notices"]}
    assert vk.read(tmp_path / "run.csv").samples[0].std() == pytest.approx(2 * G / np.sqrt(2), rel=2e-3)


def test_a_unit_that_is_stated_stays(tmp_path: Path) -> None:
    rests = rest_files(tmp_path)
    ended = vibekit("calibrate", "--rests", *rests, "--write-sidecar", rests[0])
    assert ended.code == 0 and "is in m/s2 by its own word" in ended.err
    assert "full_scale" not in (tmp_path / "rest0.toml").read_text()


def test_what_cannot_be_calibrated_ends_with_4_and_a_document(tmp_path: Path) -> None:
    for arguments in (["--rests", rest_files(tmp_path)[0]], [rest_files(tmp_path)[0], "--level", "10 m/s2"]):
        ended = vibekit("calibrate", *arguments, "--json")
        assert ended.code == 4
        assert ended.document["full_scale"] is None
        assert [n["severity"] for n in ended.document["notices"]] == ["refusal"]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["a.wav"], 2),
        (["a.wav", "--rests", "--level", "1 g"], 2),
        (["a.wav", "--level", "10"], 2),
        (["missing.wav", "--level", "10 m/s2"], 3),
    ],
)
def test_bad_requests(tmp_path: Path, arguments: list[str], code: int) -> None:
    tone_file(tmp_path / "a.wav")
    ended = vibekit("calibrate", *arguments, cwd=tmp_path)
    assert (ended.code, ended.out) == (code, "")
