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


@pytest.mark.parametrize(
    ("task", "value", "code"),
    [
        ("2.5@8h", "action", 5),
        ("2.5@8h", "limit", 0),
        ("2.4@8h", "action", 0),
        ("2.49±0.74@8h", "action", 5),
        ("2.49+-0.74@8h", "limit", 0),
        ("2.4@8h+/-1h", "action", 5),
        ("4.6±0.5@8h", "limit", 5),
    ],
)
def test_fail_over_unless_shown_to_be_below(task: str, value: str, code: int) -> None:
    assert vibekit("exposure", task, "--fail-over", value).code == code


def test_text_document_plot_and_exit_code_agree(tmp_path: Path) -> None:
    told = "cannot tell whether above the action value"
    plot = tmp_path / "day.svg"
    ended = vibekit("exposure", "2.49±0.74@8h", "--plot", plot, "--fail-over", "action")
    assert ended.code == 5
    assert f"A(8) 2.49 ± 0.74 m/s²: {told}" in ended.out
    assert vibekit("exposure", "2.49±0.74@8h", "--json").document["verdict"] == told
    assert told in plot.read_text()


def test_the_text_leads_with_the_time_that_is_left_and_keeps_points_for_who_asks() -> None:
    text = vibekit("exposure", "6±1.5@30m").out
    assert text.startswith("time left today")
    assert "points" not in text
    assert "72.0" not in text
    assert "36.0 points" in vibekit("exposure", "6±1.5@30m", "--points").out  # 2·6²·0.5, ISO 5349-1 in points
    assert vibekit("exposure", "6±1.5@30m", "--json").document["points"] == 36.0


@pytest.mark.parametrize("task", ["left:3.5@3h", "3.5@3h left", "left: 3.5@3h"])
def test_a_task_names_its_hand(task: str) -> None:
    """The other hand has 6 m/s² for 30 min: 6·√(0.5/8) = 1.5 (ISO 5349-1 eq. 2)."""
    ended = vibekit("exposure", task, "right:6@30m", "--json")
    hands = ended.document["hands"]
    assert (hands["left"]["a8_mps2"], hands["right"]["a8_mps2"]) == pytest.approx((3.5 * (3 / 8) ** 0.5, 1.5))
    assert ended.document["a8_mps2"] == hands["left"]["a8_mps2"]
    text = vibekit("exposure", task, "right:6@30m").out
    assert "left hand: A(8) 2.14" in text and "right hand: A(8) 1.50" in text
    assert "100 % of the left hand's: 3.5@3h" in text


def graded(summary: dict[str, object]) -> dict[str, object]:
    """Return a grade document with a summary, as far as it is read back."""
    rows = [{"gradeable": True}]
    return {"document": "grade", "version": 1, "recordings": rows, "summary": summary, "notices": []}


def test_a_recordings_sidecar_names_the_hand(tmp_path: Path) -> None:
    file = tone_file(tmp_path / "tone.wav")
    (tmp_path / "tone.toml").write_text('[recording]\nfull_scale = "20 g"\nhand = "left"\nposition = "side handle"\n')
    hands = vibekit("exposure", f"{file}@1h", "--json").document["hands"]
    assert hands["left"]["a8_mps2"] > 0 and hands["right"]["a8_mps2"] == 0
    assert vibekit("exposure", f"right:{file}@1h", "--json").document["hands"]["left"]["a8_mps2"] == 0
    (tmp_path / "grade.json").write_text(vibekit("grade", file, "--json").out)
    assert vibekit("exposure", f"{tmp_path / 'grade.json'}@1h", "--json").document["tasks"][0]["hand"] == "left"
    rows = [{"hand": "left", "gradeable": True}, {"hand": "right", "gradeable": True}]
    summary = {"a_hv_mps2": 3.0, "expanded_uncertainty_mps2": 1.0}
    (tmp_path / "two.json").write_text(json.dumps(graded(summary) | {"recordings": rows}))
    document = vibekit("exposure", f"{tmp_path / 'two.json'}@1h", "--json").document
    assert document["hands"] is None and "hands_together" in [n["code"] for n in document["notices"]]
    (tmp_path / "tone.toml").write_text('[recording]\nfull_scale = "20 g"\nhand = "side handle"\n')
    ended = vibekit("exposure", f"{file}@1h")
    assert ended.code == 3 and "left, right, both" in ended.err


TOOL = '[tool]\ntag = "T-1"\ndeclared_vibration_mps2 = 6.0\ndeclared_uncertainty_mps2 = 1.5\n'


def test_a_tool_sheet_brings_its_declared_value(tmp_path: Path) -> None:
    """a 6, K 1.5 (K = 1.65·σ_R, EN 12096 from memory): 6·√(1/8); real use up to twice that, and that is said."""
    (tmp_path / "T-1.toml").write_text(TOOL)
    document = vibekit("exposure", f"{tmp_path / 'T-1.toml'}@1h", "--json").document
    assert document["a8_mps2"] == pytest.approx(6 / 8**0.5)
    assert document["tasks"][0]["expanded_uncertainty_mps2"] == pytest.approx(2 * 1.5 / 1.65)
    assert document["a8_high_mps2"] > 1.9 * 6 / 8**0.5
    assert document["verdict"] == "cannot tell whether above the action value"
    (said,) = (n for n in document["notices"] if n["code"] == "declared_value")
    assert "1 to 2 times" in said["message"] and "from memory" in said["message"]
    assert said["limit"] == pytest.approx(2 * 6 / 8**0.5)
    (tmp_path / "T-1.toml").write_text('[tool]\ntag = "T-1"\n')
    ended = vibekit("exposure", f"{tmp_path / 'T-1.toml'}@1h")
    assert ended.code == 3 and "declared_vibration_mps2" in ended.err


def test_a_declared_value_typed_in_says_what_real_use_would_make_of_it() -> None:
    document = vibekit("exposure", "6+-1.5@30m", "--json").document
    assert (document["a8_mps2"], document["expanded_uncertainty_mps2"]) == pytest.approx((1.5, 0.375))
    (said,) = (n for n in document["notices"] if n["code"] == "stated_doubt")
    assert "1.50 to 3.00" in said["message"] and "from memory" in said["message"]


def test_several_workers_in_one_sheet(tmp_path: Path) -> None:
    """Each worker's A(8) (ISO 5349-1 eq. 3), and the time each may still hold any tool: (6.25 - A(8)²)·8 h / a²."""
    (tmp_path / "T-1.toml").write_text(TOOL)
    (tmp_path / "day.toml").write_text(
        '[day]\ntools = ["2"]\n[[worker]]\nname = "Ann"\ntasks = ["3@2h", "left:4@1h±10m"]\n'
        '[[worker]]\nname = "Bo"\ntasks = ["T-1.toml@2h"]\n'
    )
    ended = vibekit("exposure", tmp_path / "day.toml", "--json")
    document = ended.document
    ann, bo = document["workers"]
    assert (ann["name"], bo["name"], document["worker"]) == ("Ann", "Bo", "Bo")
    assert (ann["a8_mps2"], bo["a8_mps2"]) == pytest.approx(((34 / 8) ** 0.5, 3.0))
    assert ann["hands"]["right"]["a8_mps2"] == pytest.approx(1.5)
    assert [row["tool"] for row in ann["still"]] == ["3", "4", "T-1.toml", "2"]
    for row, a in zip(ann["still"], (3, 4, 6, 2), strict=True):
        assert row["time_left_to_action_s"] == pytest.approx((50 - 34) / a**2 * 3600)
        assert row["time_left_to_action_low_s"] < row["time_left_to_action_s"]
    assert [row["time_left_to_action_s"] for row in bo["still"]] == [0, 0, 0, 0]
    text = vibekit("exposure", tmp_path / "day.toml", "--fail-over", "action")
    assert text.code == 5
    assert "Ann:" in text.out and "with T-1.toml: to the action value count on" in text.out


@pytest.mark.parametrize(
    ("sheet", "code", "says"),
    [
        ("[[worker]]\nname = 'A'\ntasks = []\n", 3, "no tasks"),
        ("[[worker]]\nname = 'A'\n", 3, "tasks is missing"),
        ("worker = 5\n", 3, "[[worker]]"),
        ("[[worker]]\nname = 'A'\ntasks = ['3@1h']\n[x]\n", 3, "unknown table 'x'"),
        ("[[worker]]\nname = 'A'\ntasks = ['3@1h']\n" * 2, 3, "stands twice"),
        ("[[worker]]\nname = 'A'\ntasks = ['3@1x']\n", 2, "worker 'A'"),
        ("[[worker]]\nname = 'A'\ntasks = ['3@25h']\n", 2, "24 h"),
        ("[[worker]\n", 3, "not valid TOML"),
    ],
)
def test_a_wrong_sheet_of_workers(tmp_path: Path, sheet: str, code: int, says: str) -> None:
    (tmp_path / "day.toml").write_text(sheet)
    ended = vibekit("exposure", tmp_path / "day.toml")
    assert (ended.code, ended.out) == (code, "")
    assert says in ended.err and len(ended.err.splitlines()) == 1


def test_a_sheet_of_workers_stands_alone(tmp_path: Path) -> None:
    (tmp_path / "day.toml").write_text("[[worker]]\nname = 'A'\ntasks = ['3@1h']\n")
    for more in (["3@1h"], ["--other-day", "2"], ["--plot", tmp_path / "day.png"]):
        assert vibekit("exposure", tmp_path / "day.toml", *more).code == 2


def test_a_worker_whose_recording_is_refused_does_not_hide_the_others(tmp_path: Path) -> None:
    tone_file(tmp_path / "short.wav", seconds=1.0)
    (tmp_path / "short.toml").write_text('[recording]\nfull_scale = "20 g"\n')
    (tmp_path / "day.toml").write_text(
        "[[worker]]\nname = 'A'\ntasks = ['short.wav@1h']\n[[worker]]\nname = 'B'\ntasks = ['3@1h']\n"
    )
    ended = vibekit("exposure", tmp_path / "day.toml", "--json")
    assert ended.code == 4
    assert [row["a8_mps2"] for row in ended.document["workers"]] == [None, pytest.approx(3 / 8**0.5)]
    assert any(n["severity"] == "refusal" and n["message"].startswith("A: ") for n in ended.document["notices"])
    assert vibekit("exposure", tmp_path / "day.toml").code == 4
    (tmp_path / "day.toml").write_text("[day]\ntools = ['short.wav']\n[[worker]]\nname = 'B'\ntasks = ['3@1h']\n")
    ended = vibekit("exposure", tmp_path / "day.toml", "--json")
    assert (ended.code, ended.document["a8_mps2"]) == (4, None)


def test_a_document_without_a_magnitude_is_refused(tmp_path: Path) -> None:
    summary = {"a_hv_mps2": None, "expanded_uncertainty_mps2": None}
    (tmp_path / "grade.json").write_text(json.dumps(graded(summary)))
    ended = vibekit("exposure", f"{tmp_path / 'grade.json'}@1h", "--json")
    assert (ended.code, ended.document["a8_mps2"]) == (4, None)
    assert "refusal" in [n["severity"] for n in ended.document["notices"]]


def test_documents_carry_what_their_doubts_share(tmp_path: Path) -> None:
    """Two tools, 10 % of sensor S each and nothing else: wholly shared, so 20 % (k = 2) of A(8); of two, √(a²+b²)."""
    row = {"name": "calibration", "standard_pct": 10.0, "origin": "", "cause": "sensor", "degrees_of_freedom": None}
    for key, name in (("S", "one"), ("S", "two"), ("T", "other")):
        summary = {"a_hv_mps2": 4.0, "expanded_uncertainty_mps2": 0.8, "uncertainty_budget": [row | {"key": key}]}
        (tmp_path / f"{name}.json").write_text(json.dumps(graded(summary)))

    def doubt(*names: str) -> float:
        tasks = [f"{tmp_path / name}.json@1h" for name in names]
        document = vibekit("exposure", *tasks, "--json").document
        return float(document["expanded_uncertainty_mps2"] / document["a8_mps2"])

    assert doubt("one", "two") == pytest.approx(0.2)
    assert doubt("one", "other") == pytest.approx(0.2 / 2**0.5)
    for bad in ({"standard_pct": -1}, {"standard_pct": None}, {"degrees_of_freedom": 0}, {"cause": []}):
        summary = {"a_hv_mps2": 4.0, "expanded_uncertainty_mps2": 0.8, "uncertainty_budget": [row | bad]}
        (tmp_path / "bad.json").write_text(json.dumps(graded(summary)))
        assert vibekit("exposure", f"{tmp_path / 'bad.json'}@1h").code == 3


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
    summary = {"a_hv_mps2": 5.0, "expanded_uncertainty_mps2": 2.5}
    grade = {"document": "grade", "version": 1, "recordings": [{"gradeable": True}], "summary": summary, "notices": []}
    (tmp_path / "grade.json").write_text(json.dumps(grade))
    text = vibekit("exposure", f"{tmp_path / 'grade.json'}@10m").out
    assert "to the action value count on 43 min (1 h 50 min as the figures stand, 7 h 50 min at most)" in text
    assert "to the limit value count on 3 h 23 min (7 h 50 min as the figures stand)" in text


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
    frame = '"document": "grade", "version": 1, "recordings": [{"gradeable": true}]'
    (tmp_path / "grade.json").write_text(f'{{{frame}, "summary": {summary}, "notices": {notices}}}')
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
