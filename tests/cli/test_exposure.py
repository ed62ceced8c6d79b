"""`vibekit exposure` as a process."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.run import vibekit
from tests.cli.test_grade import tone_file


def test_the_standards_example() -> None:
    """ISO 5349-1:2001 worked example: 2 m/s² for 1 h, 3.5 for 3 h, 10 for 30 min: 3.4 m/s²."""
    document = vibekit("exposure", "2@1h", "3.5@3h", "10@30m", "--json").document
    assert f"{document['a8_mps2']:.1f}" == "3.4"
    assert document["verdict"] == "above action value"
    assert document["time_left_to_action_s"] == 0
    assert document["time_left_to_limit_s"] == pytest.approx((25 - document["a8_mps2"] ** 2) * 28800 / 100)
    assert document["expanded_uncertainty_mps2"] is None
    assert "uncertainty_unknown" in {notice["code"] for notice in document["notices"]}


@pytest.mark.parametrize(
    "task", ["-3@1h", "nan@1h", "inf@1h", "3@25h", "3@-1h", "3@", "3", "3@h", "3@1x", "@3h", "3,5@1h", "3@1h2h"]
)
def test_impossible_tasks_are_usage_errors(task: str) -> None:
    ended = vibekit("exposure", "--", task)
    assert ended.code in (2, 3)
    assert ended.out == ""
    if task != "@3h":
        assert ended.code == 2


def test_more_than_a_day() -> None:
    assert vibekit("exposure", "1@13h", "1@12h").code == 2


def test_fail_over() -> None:
    assert vibekit("exposure", "2.5@8h", "--fail-over", "action").code == 5
    assert vibekit("exposure", "2.5@8h", "--fail-over", "limit").code == 0


def test_a_grade_document_carries_its_uncertainty(tmp_path: Path) -> None:
    graded = vibekit("grade", tone_file(tmp_path / "tone.wav"), "--full-scale", "20 g", "--json")
    (tmp_path / "grade.json").write_text(graded.out)
    document = vibekit("exposure", f"{tmp_path / 'grade.json'}@1h20m", "--json").document
    summary = json.loads(graded.out)["summary"]
    assert document["tasks"][0]["a_hv_mps2"] == summary["a_hv_mps2"]
    assert document["expanded_uncertainty_mps2"] == pytest.approx(
        summary["expanded_uncertainty_mps2"] * (4800 / 28800) ** 0.5
    )


def test_the_time_left_comes_with_its_doubt(tmp_path: Path) -> None:
    """5 m/s² may be held 2 h to 2.5 m/s² (ISO 5349-1 eq. 2); U = 2.5 makes it 53 min to 8 h, of which 10 min go."""
    grade = {"summary": {"a_hv_mps2": 5.0, "expanded_uncertainty_mps2": 2.5}}
    (tmp_path / "grade.json").write_text(json.dumps(grade))
    text = vibekit("exposure", f"{tmp_path / 'grade.json'}@10m").out
    assert "1 h 50 min / 7 h 50 min" in text
    assert "43 min to 7 h 50 min / 3 h 23 min to over a day" in text


def test_what_to_shorten_gets_the_day_under_the_value() -> None:
    """5 m/s² for 3 h is 1 h too long, and 2 h is the action value itself, which counts as reached (Directive)."""
    assert "shorten 5@3h by 1 h 01 min" in vibekit("exposure", "5@3h").out
    assert vibekit("exposure", "5@2h", "--json").document["verdict"] == "above action value"
    assert vibekit("exposure", "5@1h59m", "--json").document["verdict"] == "below action value"


def test_a_whole_shift_recording(tmp_path: Path) -> None:
    file = tone_file(tmp_path / "shift.wav", seconds=12)
    document = vibekit("exposure", file, "--full-scale", "20 g", "--json").document
    assert document["tasks"][0]["time_s"] == pytest.approx(12, abs=0.2)


@pytest.mark.parametrize("quiet", [0.0, 4.0])
def test_a_quiet_tool_that_counts_for_the_hand_is_said(tmp_path: Path, quiet: float) -> None:
    """80 m/s² at 400 Hz and 4 at 40 Hz, 26 dB below, are about even for the hand: |Wh| 0.0398 and 0.411 as printed.

    ISO 5349-1:2001 Table A.2 for the factors, eq. 3 for A(8) over both; 20 s of each, with pauses.
    """
    rate = 3200
    pause, t = np.zeros(20 * rate), np.arange(20 * rate) / rate
    loud, soft = (a * 2**0.5 * np.sin(2 * np.pi * hz * t) for a, hz in ((80.0, 400.0), (quiet, 40.0)))
    wave = np.concatenate([pause, loud, pause, soft, pause]) / 490.0
    noise = 1e-5 * np.random.default_rng(1).standard_normal((wave.size, 3))
    noise[:, 0] += wave
    soundfile.write(tmp_path / "shift.wav", noise, rate, subtype="FLOAT")
    document = vibekit(
        "exposure", tmp_path / "shift.wav", "--full-scale", "490 m/s2", "--axes", "x,y,z", "--json"
    ).document
    both = ((80 * 0.0398) ** 2 + (quiet * 0.411) ** 2) * 20 / 28800
    assert document["a8_mps2"] == pytest.approx(both**0.5, rel=0.03)  # the careful reading: no energy is lost
    said = [n for n in document["notices"] if n["code"] == "time_unclear"]
    assert bool(said) == bool(quiet)
    if said:
        assert said[0]["severity"] == "caution" and said[0]["value"] == pytest.approx(20, abs=0.6)


def test_a_recording_may_be_held_for_another_time_than_its_own(tmp_path: Path) -> None:
    """Its magnitude is that of its trigger-on time, A(8) = a·√(T / 8 h) of the time given; its cautions come along."""
    file = tone_file(tmp_path / "run.wav", seconds=4)
    graded = vibekit("grade", file, "--full-scale", "20 g", "--json")
    (tmp_path / "grade.json").write_text(graded.out)
    for task in (f"{file}@2h", f"{tmp_path / 'grade.json'}@2h"):
        document = vibekit("exposure", task, "--full-scale", "20 g", "--json").document
        assert document["a8_mps2"] == pytest.approx(0.5 * json.loads(graded.out)["summary"]["a_hv_mps2"])
        short = [n["message"] for n in document["notices"] if n["code"] == "short" and n["severity"] == "caution"]
        assert len(short) == 1 and short[0].startswith(Path(task.rpartition("@")[0]).name)


@pytest.mark.parametrize(
    ("task", "code", "says"),
    [
        ("@3h", 2, "has no magnitude"),
        ("3,5@1h", 2, "such as 3.5"),
        ("3.5@", 2, "'3.5@'"),
        ("tool.toml", 3, "is a sheet"),
        ("grade.json", 3, "NAME.json@TIME"),
    ],
)
def test_a_wrong_task_says_what_is_expected(tmp_path: Path, task: str, code: int, says: str) -> None:
    for name in ("tool.toml", "grade.json"):
        (tmp_path / name).write_text("{}")
    ended = vibekit("exposure", tmp_path / task if code == 3 else task)
    assert (ended.code, ended.out) == (code, "")
    assert says in ended.err


@pytest.mark.parametrize("notices", ["[5]", '[{"severity": "caution"}]', '{"a": 1}', "[[]]"])
def test_a_document_with_other_notices_is_no_grade_document(tmp_path: Path, notices: str) -> None:
    summary = '{"a_hv_mps2": 3.0, "expanded_uncertainty_mps2": 1.0}'
    (tmp_path / "grade.json").write_text(f'{{"summary": {summary}, "notices": {notices}}}')
    assert vibekit("exposure", f"{tmp_path / 'grade.json'}@1h").code == 3


def test_not_a_grade_document(tmp_path: Path) -> None:
    (tmp_path / "other.json").write_text("{}")
    ended = vibekit("exposure", f"{tmp_path / 'other.json'}@1h")
    assert (ended.code, ended.out) == (3, "")
    assert vibekit("exposure", f"{tmp_path / 'absent.json'}@1h").code == 3


@pytest.mark.parametrize(("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml")])
def test_the_day_as_a_plot(tmp_path: Path, suffix: str, start: bytes) -> None:
    plot = tmp_path / f"day{suffix}"
    assert vibekit("exposure", "3.5@3h", "6@45m", "--plot", plot).code == 0
    assert plot.read_bytes().startswith(start)
    if suffix == ".svg":
        text = plot.read_text()
        assert "action value 2.5" in text and "limit value 5" in text and "6@45m" in text


def test_a_plot_of_another_kind_is_a_usage_error(tmp_path: Path) -> None:
    assert vibekit("exposure", "3.5@3h", "--plot", tmp_path / "day.gif").code == 2
