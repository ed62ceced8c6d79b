"""Commands over folders and globs: order kept, a bad file named and survived, the same on several cores."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.bench.tools import write_run
from tests.cli.inprocess import run


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    inner = tmp_path / "rec" / "inner"
    inner.mkdir(parents=True)
    for n in range(7):
        write_run(inner if n == 6 else tmp_path / "rec", f"run-{n}", "T-1", 2.0 + n, seed=n)
    (tmp_path / "rec" / "read me.md").write_text("no recording")
    return tmp_path / "rec"


def test_a_folder_is_graded_on_all_cores_in_order(folder: Path) -> None:
    code, out, _ = run("grade", str(folder), "--json")
    rows = json.loads(out)["recordings"]
    assert code == 0
    assert [row["file"] for row in rows] == ["run-6.wav", *(f"run-{n}.wav" for n in range(6))]
    assert [row["a_hv_mps2"] for row in rows] == pytest.approx([8.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], rel=2e-3)


def test_a_quoted_glob_is_expanded(folder: Path) -> None:
    code, out, _ = run("grade", str(folder / "run-[01].wav"), "--json")
    assert code == 0
    assert [row["file"] for row in json.loads(out)["recordings"]] == ["run-0.wav", "run-1.wav"]


def test_a_bad_file_in_the_middle_is_named_and_survived(folder: Path) -> None:
    (folder / "run-3.wav").write_bytes(b"RIFF nonsense")
    code, out, err = run("grade", str(folder), "--json")
    document = json.loads(out)
    assert code == 3
    assert len(document["recordings"]) == 6
    assert "run-3.wav" in err
    assert any(n["code"] == "recording_unusable" and "run-3.wav" in n["value"] for n in document["notices"])


def test_an_empty_folder_is_named(tmp_path: Path) -> None:
    code, out, err = run("grade", str(tmp_path))
    assert (code, out) == (3, "") and "no recordings there" in err
