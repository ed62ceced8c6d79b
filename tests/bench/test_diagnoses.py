"""Diagnoses kept in the log: one per tool over the recordings that show most; failures named, the others kept."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.bench.tools import write_run
from tests.cli.inprocess import run
from vibekit.bench.analysis import RunResult, analyse
from vibekit.bench.diagnoses import by_tool, diagnoses, quantities
from vibekit.bench.logbook import Entry
from vibekit.errors import Notice, RecordingLimitError
from vibekit.machine.faults import diagnosis
from vibekit.recording.readers import open_recording
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import ToolSheet

DOCUMENT = {
    "findings": [
        {"fault": "imbalance.accessory", "probability": 0.7, "size": {"residual_unbalance_g_mm": 12.0}},
        {"fault": "healthy", "probability": 0.2, "size": None},
    ],
    "not_testable": [{"fault": "bearing.cage", "reason": "band"}],
    "verdict": "accessory out of balance, 70 %",
}


@dataclass(frozen=True)
class Said:
    files: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        return {**DOCUMENT, "recordings": list(self.files)}


def said(recordings: Sequence[Recording], tool: ToolSheet | None) -> Said:
    assert tool is not None
    if tool.tag == "T-2":
        raise RecordingLimitError("no speed")
    return Said(tuple(r.origin.file for r in recordings))


@pytest.fixture
def runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[tuple[RunResult, Path]]:
    monkeypatch.setattr(diagnosis, "diagnose", said)
    facts: list[dict[str, Any]] = [
        {"condition": "loaded", "run": 1},
        {"condition": "loaded", "run": 2, "started": "2026-03-07T10:00:00+00:00"},
        {"condition": "no load", "started": "2026-03-07T09:00:00+00:00"},
    ]
    paths = [write_run(tmp_path, f"a{i}", "T-1", 4.0, seed=i, hours_used=5, **f) for i, f in enumerate(facts)]
    paths.append(write_run(tmp_path, "b", "T-2", 4.0, seed=9))
    return [(analyse(path), path) for path in paths]


def test_one_diagnosis_per_tool_over_each_condition(runs: list[tuple[RunResult, Path]]) -> None:
    outcomes = list(diagnoses(by_tool(runs), open_recording))
    first, failed = outcomes
    assert isinstance(first, Entry) and isinstance(failed, Notice)
    assert (first.tag, first.kind, first.file, first.hours_used) == ("T-1", "diagnosis", "a1.wav, a2.wav", 5.0)
    assert first.recorded_at.isoformat() == "2026-03-07T10:00:00+00:00"
    assert len(first.recording_sha256) == 64 and first.recording_sha256 != runs[1][0].sha256
    assert "T-2" in failed.message and "no speed" in failed.message
    (one,) = diagnoses(by_tool(runs[:1]), open_recording)
    assert isinstance(one, Entry) and one.recording_sha256 == runs[0][0].sha256


def test_log_add_makes_a_diagnosis_once(runs: list[tuple[RunResult, Path]], tmp_path: Path) -> None:
    command = ["log", "add", *(str(path) for _, path in runs), "--log", str(tmp_path / "log.sqlite"), "--json"]
    first, second = (json.loads(run(*command)[1]) for _ in range(2))
    assert [e["tag"] for e in first["entries"] if e["kind"] == "diagnosis"] == ["T-1"]
    assert (first["added"], second["added"], second["known_before"]) == (9, 0, 9)
    said = {n["code"] for n in second["notices"]}
    assert said == {"short", "check_axes", "not_diagnosed"}  # tried again, still without a speed


def test_quantities_are_probabilities_and_unbalance() -> None:
    assert quantities(DOCUMENT) == {
        "imbalance.accessory": 0.7,
        "imbalance.accessory.residual_unbalance_g_mm": 12.0,
        "healthy": 0.2,
        "verdict": "accessory out of balance, 70 %",
    }
