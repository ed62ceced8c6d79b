"""Bench sheets: the contract's example, shared facts under the sidecar, globs beside the sheet, strictness."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from vibekit.bench.gather import gather
from vibekit.bench.sheets import load_bench
from vibekit.errors import InputError
from vibekit.recording.readers import open_recording

SHEET = """
[bench]
title = "Spring check"
recordings = ["rec/*.wav"]
full_scale = "50 g"
condition = "loaded"
tool = "tools/a.toml"
band_hz = [2, 3000]
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for name in ("rec", "tools"):
        (tmp_path / name).mkdir()
    for name in ("b", "a"):
        soundfile.write(tmp_path / "rec" / f"{name}.wav", np.zeros((100, 3)), 1000)
    (tmp_path / "rec" / "a.toml").write_text('[recording]\ncondition = "no load"\n')
    (tmp_path / "tools" / "a.toml").write_text('[tool]\ntag = "T-1"\n')
    (tmp_path / "bench.toml").write_text(SHEET)
    return tmp_path / "bench.toml"


def test_shared_facts_hold_under_the_sidecar(bench: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    sheet = load_bench(bench)
    assert sheet.title == "Spring check"
    assert [path.name for path in sheet.recordings] == ["a.wav", "b.wav"]
    streams = [open_recording(path, defaults=sheet.defaults) for path in sheet.recordings]
    assert [s.origin.facts.condition for s in streams] == ["no load", "loaded"]
    assert all(s.tool is not None and s.tool.tag == "T-1" for s in streams)
    assert all(s.origin.calibration.full_scale_mps2 == pytest.approx(50 * 9.80665) for s in streams)
    assert all(s.origin.sensor.band_hz == (2.0, 3000.0) for s in streams)


@pytest.mark.parametrize(
    ("sheet", "names"),
    [
        ("[bench]\ntitle = 'x'\n", "recordings is missing"),
        ("[bench]\nrecordings = []\n", "names nothing"),
        ("[bench]\nrecordings = ['none/*.wav']\n", "no recordings there"),
        ("[bench]\nrecordings = 'rec/*.wav'\n", "list"),
        ("[bench]\nrecordings = ['rec/*.wav']\nfullscale = '50 g'\n", "unknown key 'fullscale'"),
        ("[bench]\nrecordings = ['rec/*.wav']\nshared = ['tool']\n", "unknown key 'shared'"),
        ("[bench]\nrecordings = ['rec/*.wav']\nshaft_power_w = 'much'\n", "shaft_power_w"),
        ("[bench]\nrecordings = ['rec/*.wav']\nband_hz = [3000, 2]\n", "band_hz"),
        ("[bench]\nrecordings = ['rec/*.wav']\n[tool]\ntag = 'x'\n", "unknown table 'tool'"),
        ("[session]\n", "unknown table"),
        ("[recording]\nunit = 'g'\n", "is the sidecar of a recording"),
        ("[tool]\ntag = 'x'\n", "is a tool sheet"),
        ("", "no table [bench]"),
        ("[bench\n", "not valid TOML"),
    ],
)
def test_bad_sheets_are_named(bench: Path, sheet: str, names: str) -> None:
    bench.write_text(sheet)
    with pytest.raises(InputError) as raised:
        load_bench(bench)
    assert names in str(raised.value) and str(bench.parent) in str(raised.value)
    assert "\n" not in str(raised.value)


def test_gather_takes_files_folders_and_globs_each_recording_once(bench: Path) -> None:
    folder = bench.parent
    (folder / "rec" / "notes.md").write_text("no recording")
    given = [folder / "rec" / "b.wav", folder / "rec", str(folder / "r*" / "*.wav"), folder]
    assert [path.name for path in gather(given)] == ["b.wav", "a.wav"]


def test_gather_leaves_out_what_a_shell_glob_brings_along(tmp_path: Path) -> None:
    """`run-1*` of a shell: the sidecar, plots and results of a given recording; anything else is kept to be named."""
    names = ["run-1.wav", "run-1.toml", "run-1.truth.json", "run-1.grade.png", "run-10.json", "run-1.dat", "T-1.toml"]
    given = [tmp_path / name for name in names]
    assert [path.name for path in gather(given)] == ["run-1.wav", "run-10.json", "run-1.dat", "T-1.toml"]
    assert gather([tmp_path / "run-1.toml"]) == [tmp_path / "run-1.toml"]
    assert [path.name for path in gather(given[1:3])] == ["run-1.toml", "run-1.truth.json"]


def test_gather_takes_a_file_whose_name_looks_like_a_glob(tmp_path: Path) -> None:
    odd = tmp_path / "run[1].wav"
    odd.write_bytes(b"x")
    assert gather([odd]) == [odd]
    assert gather([tmp_path / "missing.wav"]) == [tmp_path / "missing.wav"]
    with pytest.raises(InputError):
        gather([tmp_path / "*.flac"])
