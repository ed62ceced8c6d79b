"""`vibekit log` on recordings of known magnitude."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from tests.bench.tools import write_run
from tests.cli.inprocess import run


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    folder = tmp_path / "rec"
    folder.mkdir()
    for n in range(2):
        for tag, a_hv in (("T-1", 4.0), ("T-2", 6.0)):
            started = f"2026-03-0{n + 1}T10:00:00+00:00"
            write_run(folder, f"{tag}-{n}", tag, a_hv, seed=n, condition="loaded", started=started, hours_used=12.5)
    return folder


def add(folder: Path, *more: str) -> tuple[int, dict[str, object], str]:
    log = str(folder.parent / "log.sqlite")
    code, out, err = run("log", "add", str(folder), "--log", log, "--no-diagnosis", "--json", *more)
    return code, json.loads(out) if out else {}, err


def test_add_twice_counts_once(recorded: Path) -> None:
    code, first, _ = add(recorded)
    assert (code, first["added"], first["known_before"]) == (0, 8, 0)
    grades = [e for e in first["entries"] if e["kind"] == "grade"]  # type: ignore[index,union-attr]
    assert [e["quantities"]["a_hv_mps2"] for e in grades] == pytest.approx([4.0, 6.0, 4.0, 6.0], rel=2e-3)
    assert grades[0]["when"].startswith("2026-03-01T10:00") and len(grades[0]["recording_sha256"]) == 64
    code, second, _ = add(recorded)
    assert (code, second["added"], second["known_before"]) == (0, 0, 8)


def test_an_edited_sidecar_replaces(recorded: Path) -> None:
    add(recorded)
    sidecar = recorded / "T-1-0.toml"
    sidecar.write_text(sidecar.read_text().replace("500 m/s2", "1000 m/s2"))
    add(recorded)
    listed = json.loads(
        run("log", "list", "--log", str(recorded.parent / "log.sqlite"), "--kind", "grade", "--json")[1]
    )
    assert [e["quantities"]["a_hv_mps2"] for e in listed["entries"]] == pytest.approx([8.0, 6.0, 4.0, 6.0], rel=2e-3)


def test_options_win_and_count_as_other_facts(recorded: Path) -> None:
    add(recorded)
    _, document, _ = add(recorded, "--full-scale", "250 m/s2")
    assert document["added"] == 8
    assert document["entries"][0]["quantities"]["a_hv_mps2"] == pytest.approx(2.0, rel=2e-3)  # type: ignore[index]


def test_show_list_and_export(recorded: Path, tmp_path: Path) -> None:
    add(recorded)
    log = ["--log", str(tmp_path / "log.sqlite")]
    shown = json.loads(run("log", "show", "T-2", *log, "--json")[1])
    assert shown["document"] == "log" and {e["tag"] for e in shown["entries"]} == {"T-2"}
    assert "T-1" in run("log", "list", *log)[1]
    assert run("log", "export", str(tmp_path / "t.csv"), *log)[0] == 0
    assert run("log", "import", str(tmp_path / "t.csv"), "--log", str(tmp_path / "other.sqlite"))[0] == 0
    other = json.loads(run("log", "list", "--log", str(tmp_path / "other.sqlite"), "--json")[1])
    assert other == json.loads(run("log", "list", *log, "--json")[1])


def test_bad_ones_are_named(recorded: Path, tmp_path: Path) -> None:
    (recorded / "bad.wav").write_bytes(b"RIFF")
    stray = recorded / "T-1-0.toml"
    stray.write_text('[recording]\nfull_scale = "50 g"\nspindle_rpm = 9000\n')
    code, document, err = add(recorded)
    assert code == 3
    assert document["added"] == 6
    assert "bad.wav" in err and "no tool sheet" in err
    for command in (["log", "show", "T-9"], ["trend", "T-9"]):
        code, out, err = run(*command, "--log", str(tmp_path / "log.sqlite"))
        assert (code, out) == (3, "") and "T-1" in err
    assert run("log", "list", "--log", str(tmp_path / "none.sqlite"))[0] == 3


@pytest.mark.skipif(sys.platform != "linux", reason="the folder's name is the platform's")
def test_default_log_is_in_the_users_data_folder(
    recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG base directory specification: $XDG_DATA_HOME (on Linux)."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    code, _, _ = run("log", "add", str(recorded), "--no-diagnosis")
    assert code == 0
    assert (tmp_path / "data" / "vibekit" / "log.sqlite").is_file()
    assert "T-1" in run("log", "list")[1]


def test_trend_of_a_logged_tool(recorded: Path, tmp_path: Path) -> None:
    add(recorded)
    code, out, _ = run("trend", "T-1", "--log", str(tmp_path / "log.sqlite"), "--json")
    document = json.loads(out)
    assert (code, document["document"]) == (0, "trend")
    assert len(document["points"]) == 2
    assert document["change_pct"] == pytest.approx(0, abs=0.5)
    assert (document["significant"], document["alarm"]) == (False, False)
    text = run("trend", "T-1", "--log", str(tmp_path / "log.sqlite"), "--quantity", "spindle_rpm")[1]
    assert "within the doubt" in text
