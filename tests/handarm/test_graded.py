"""Grade documents as tasks of a day: checked on reading, whatever wrote them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vibekit as vk
from vibekit.handarm.graded import read_graded

NOTICE = {"code": "short", "severity": "caution", "message": "too short by far", "value": 1, "limit": 8, "remedy": None}


def written(folder: Path, **changes: Any) -> Path:
    """Return a grade document as `vibekit grade --json` writes it, changed."""
    time = np.arange(20_000) / 4000
    run = vk.Recording(np.array([[1.0], [0.5], [0.3]]) * np.sin(2 * np.pi * 100 * time), 4000.0, unit="g")
    document = vk.grade(run).to_dict() | changes
    path = folder / "grade.json"
    path.write_text(json.dumps(document))
    return path


def test_what_grade_writes_is_read(tmp_path: Path) -> None:
    path = written(tmp_path)
    summary = json.loads(path.read_text())["summary"]
    found = read_graded(path)
    assert (found.a_hv_mps2, found.expanded_uncertainty_mps2) == (
        summary["a_hv_mps2"],
        summary["expanded_uncertainty_mps2"],
    )
    assert {n.severity for n in found.cautions} == {"caution"}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"document": "check"}, "is a check document, not a grade document"),
        ({"document": None}, "is not a grade document"),
        ({"version": 99}, "is version 99 of a grade document: version 1 is read"),
        ({"version": True}, "is version True"),
        ({"recordings": []}, "names no recordings"),
        ({"recordings": [{"gradeable": False}]}, "holds no magnitude: its recordings could not be graded"),
        ({"recordings": [{"gradeable": "yes"}]}, "holds no magnitude"),
        ({"summary": 3}, "summary.a_hv_mps2 is missing"),
        ({"summary": {"a_hv_mps2": 3.0}}, "summary.expanded_uncertainty_mps2 is missing"),
        ({"summary": {"a_hv_mps2": "3", "expanded_uncertainty_mps2": None}}, "a_hv_mps2 is 3: not a number"),
        ({"summary": {"a_hv_mps2": -3, "expanded_uncertainty_mps2": None}}, "a_hv_mps2 is -3: not a number"),
        ({"summary": {"a_hv_mps2": 3.0, "expanded_uncertainty_mps2": 1e9}}, "uncertainty_mps2 is 1000000000.0: not"),
        ({"summary": {"a_hv_mps2": float("nan"), "expanded_uncertainty_mps2": None}}, "NaN is no number"),
        ({"summary": {"a_hv_mps2": None, "expanded_uncertainty_mps2": None}}, "holds no magnitude"),
        ({"notices": [{**NOTICE, "severity": "grave"}]}, "its notices are damaged"),
        ({"notices": [{**NOTICE, "code": 3}]}, "its notices are damaged"),
        ({"notices": None}, "its notices are damaged"),
    ],
)
def test_what_is_no_grade(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    refused = "magnitude" in words  # a sound document of recordings that could not carry a grade
    with pytest.raises(vk.RecordingLimitError if refused else vk.InputError, match=words) as caught:
        read_graded(written(tmp_path, **changes))
    assert "\n" not in str(caught.value)


def test_the_reason_of_a_refusal_is_named(tmp_path: Path) -> None:
    refusal = {**NOTICE, "severity": "refusal", "message": "0.5 s with the trigger on are too short"}
    with pytest.raises(vk.RecordingLimitError, match=r"could not be graded: 0\.5 s with the trigger on"):
        read_graded(written(tmp_path, recordings=[{"gradeable": False}], notices=[refusal]))
    found = read_graded(written(tmp_path, recordings=[{"gradeable": False}, {"gradeable": True}], notices=[refusal]))
    assert [(n.code, n.severity) for n in found.cautions] == [("short", "caution")]
