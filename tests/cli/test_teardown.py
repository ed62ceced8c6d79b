"""`vibekit teardown` as the outside calls it."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tests.cli.inprocess import run
from vibekit.bench.logbook import Entry, add_entries, open_log


@pytest.fixture
def log(tmp_path: Path) -> Path:
    before = datetime.now(UTC) - timedelta(minutes=1)
    findings = {"healthy": 0.1, "bushing.worn": 0.8, "gear.wear": 0.3, "verdict": "a worn bushing"}
    with open_log(tmp_path / "log.sqlite") as opened:
        add_entries(opened, [Entry(before, "T-1", "diagnosis", findings, "0" * 64, "0" * 64, logged_at=before)])
    return tmp_path / "log.sqlite"


def test_document_and_text(log: Path, tmp_path: Path) -> None:
    options = ["--log", str(log), "--note", "=play", "--write-priors", str(tmp_path / "priors.toml")]
    code, out, _ = run("teardown", "T-1", "--found", "bushing.worn", "--found", "gear.wear", *options, "--json")
    document = json.loads(out)
    assert (code, document["document"]) == (0, "teardown")
    assert document["score"]["hits"] == ["bushing.worn"] and document["score"]["misses"] == ["gear.wear"]
    assert document["calibration"] and document["faults"]
    assert tomllib.loads((tmp_path / "priors.toml").read_text())["prior"]["gear.wear"]["proposed"] > 0.3
    shown = json.loads(run("log", "show", "T-1", "--log", str(log), "--json")[1])
    assert shown["teardowns"][0]["note"] == "=play"


def test_usage_errors(log: Path) -> None:
    for more in (["--found", "rust"], [], ["--found", "healthy", "--when", "someday"]):
        code, out, err = run("teardown", "T-1", *more, "--log", str(log))
        assert (code, out) == (2, "") and err


def test_text_tells_score_and_table(log: Path) -> None:
    code, out, _ = run("teardown", "T-1", "--found", "gear.wear,bushing.worn", "--log", str(log))
    assert code == 0
    assert "found, not said: gear.wear" in out and "80 to 90 %" in out and "say little" in out
