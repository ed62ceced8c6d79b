"""`vibekit simulate` as a process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.run import vibekit

SHORT = ("--duration", "3", "--rate", "3200")


def test_writes_recording_sidecar_sheet_and_truth_that_grade_reads(tmp_path: Path) -> None:
    ended = vibekit("simulate", "--out", tmp_path, "--seed", "4", "--fault", "imbalance.accessory=80", *SHORT)
    assert ended.code == 0, ended.err
    names = {path.name for path in tmp_path.iterdir()}
    assert names == {"recording.wav", "recording.toml", "T-11.toml", "truth.json"}
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert truth["faults"] == [{"fault": "imbalance.accessory", "size": 80.0, "unit": "g_mm", "part": "spindle"}]
    graded = vibekit("grade", tmp_path / "recording.wav", "--json").document["recordings"][0]
    assert graded["tool"] == "T-11" and graded["condition"] == "no load"
    assert graded["a_hv_mps2"] == pytest.approx(truth["a_hv_mps2"], rel=0.02)


def test_json_lists_every_run(tmp_path: Path) -> None:
    ended = vibekit(
        "simulate", "--out", tmp_path, "--runs", "2", "--name", "a", "--condition", "loaded", "--json", *SHORT
    )
    document = ended.document
    assert document["document"] == "simulate" and document["version"] == 1 and document["notices"] == []
    assert [row["run"] for row in document["recordings"]] == [1, 2]
    for row in document["recordings"]:
        assert all(Path(row[key]).exists() for key in ("file", "sidecar", "tool_sheet", "truth"))
    first, second = (Path(row["file"]).read_bytes() for row in document["recordings"])
    assert first != second


def test_a_small_range_is_driven_to_its_end_and_said_so(tmp_path: Path) -> None:
    arguments = ("--sensor", "board", "--fault", "imbalance.accessory=400", "--duration", "3", "--json")
    document = vibekit("simulate", "--out", tmp_path, *arguments).document
    assert document["recordings"][0]["clipped_pct"] > 0
    assert [notice["code"] for notice in document["notices"]] == ["clipped"]
    assert vibekit("grade", tmp_path / "recording.wav").code == 4, "a clipped recording refuses its grade"


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        vibekit("simulate", "--out", tmp_path / folder, "--seed", "9", "--fault", "bushing.worn", *SHORT)
    for name in ("recording.wav", "recording.toml", "truth.json", "T-11.toml"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_another_processor_writes_the_same_bytes(tmp_path: Path) -> None:
    """A processor without the wide vector units sums and takes sines in another order."""
    arguments = ["simulate", "--seed", "5", "--fault", "bushing.worn", "--fault", "bearing.outer_race", *SHORT]
    for folder, switched_off in (("a", ""), ("b", "X86_V3 X86_V4 AVX2 FMA3 AVX512F AVX512_SKX")):
        ended = subprocess.run(
            [sys.executable, "-m", "vibekit_cli", *arguments, "--out", str(tmp_path / folder)],
            env={**os.environ, "NPY_DISABLE_CPU_FEATURES": switched_off},
            capture_output=True,
            timeout=120,
            check=False,
        )
        if ended.returncode and switched_off:
            pytest.skip("this numpy cannot switch its vector units off")
        assert ended.returncode == 0, ended.stderr
    for name in ("recording.wav", "truth.json"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_takes_a_tool_sheet_and_a_phone(tmp_path: Path) -> None:
    sheet = tmp_path / "tool.toml"
    sheet.write_text('[tool]\ntag = "Q-1"\n[[shaft]]\nname = "spindle"\nrated_rpm = 9000\n')
    ended = vibekit(
        "simulate", "--out", tmp_path, "--tool", sheet, "--sensor", "phone", "--rate", "100", "--duration", "4"
    )
    assert ended.code == 0, ended.err
    assert (tmp_path / "recording.csv").exists() and (tmp_path / "Q-1.toml").exists()
    assert vibekit("grade", tmp_path / "recording.csv").code == 4


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("--fault", "rust"), 2),
        (("--fault", "gear.wear=much"), 2),
        (("--fault", "gear.wear", "--tool", "die-grinder"), 2),
        (("--condition", "dreaming"), 2),
        (("--format", "mp3"), 2),
        (("--bits", "12"), 2),
        (("--name", "../up"), 2),
        (("--seed", "-1"), 2),
        (("--tool", "bicycle"), 2),
        (("--tool", "missing.toml"), 3),
        (("--sensor", "phone", "--format", "wav"), 2),
    ],
)
def test_what_cannot_be_done_is_one_line_and_nothing_written(
    tmp_path: Path, arguments: tuple[str, ...], code: int
) -> None:
    ended = vibekit("simulate", "--out", tmp_path / "out", *SHORT, *arguments)
    assert ended.code == code, ended.err
    assert ended.out == "" and ended.err.strip()
    assert not (tmp_path / "out").exists()


def test_a_sheet_that_says_no_speed_is_named(tmp_path: Path) -> None:
    sheet = tmp_path / "tool.toml"
    sheet.write_text('[tool]\ntag = "Q-2"\n')
    ended = vibekit("simulate", "--out", tmp_path, "--tool", sheet)
    assert ended.code == 2 and "Q-2" in ended.err and ended.out == ""
