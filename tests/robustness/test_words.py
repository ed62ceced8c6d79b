"""Any words on the command line: a code of the contract, one line, no number that is not one."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from hypothesis import example, given, settings

from tests.robustness.contract import command
from tests.robustness.profile import ROUNDS
from tests.robustness.targets import TARGETS, words

STRATEGY = TARGETS["words"][0]


@settings(ROUNDS)
@given(STRATEGY)
@example(("exposure", "1e-200@1h"))
@example(("exposure", "1e200@1h", "--json"))
@example(("exposure", "3@1h", "--other-day", "1e200"))
@example(("exposure", "@1h"))
@example(("exposure", "x" * 5000))
@example(("check", "x" * 5000))
@example(("check", "a.wav", "--full-scale", "50 g", "--tool", "/dev/zero"))
@example(("grade", "a.wav", "--full-scale", "1e300 g", "--json"))
@example(("grade", "a.wav", "--full-scale", "1e-300 g", "--json"))
@example(("check", "none.wav", "nothing.wav"))
def test_any_words_end_in_an_answer_or_in_one_line(arguments: tuple[str, ...]) -> None:
    words(arguments)


@pytest.mark.parametrize(
    "value", ["NaN", "-1", "1e400", "1e7", "true", '"3"', "[]", "null", "9" * 5000], ids=lambda v: v[:9]
)
def test_a_grade_document_with_no_magnitude_is_no_task(tmp_path: Path, value: str) -> None:
    document = tmp_path / "grade.json"
    document.write_text(f'{{"summary": {{"a_hv_mps2": {value}, "expanded_uncertainty_mps2": 1}}}}')
    assert command("exposure", f"{document}@1h").code == 3


@pytest.mark.parametrize("text", ["", "[", "[" * 100_000, "{}", '{"summary": 3}', "\x00", "null"], ids=lambda v: v[:9])
def test_what_is_no_grade_document_is_no_task(tmp_path: Path, text: str) -> None:
    document = tmp_path / "grade.json"
    document.write_text(text)
    assert command("exposure", f"{document}@1h").code == 3


def test_a_tool_that_hardly_shakes_has_no_time_left_and_says_why() -> None:
    document = command("exposure", "1e-200@1h", "--json").document
    assert document["time_left_to_action_s"] is None
    assert "no_vibration" in {notice["code"] for notice in document["notices"]}
    assert json.dumps(document)
    assert not math.isnan(document["a8_mps2"])
