"""The exposure document of a day worked out by hand, and what it says when something is missing or close."""

from __future__ import annotations

import pytest

import vibekit as vk
from tests.documents import notice_of, sound
from vibekit.errors import InputError, Notice, UsageError
from vibekit.handarm.exposure import DailyExposure, ExposureTask, day_of, refused_day, time_to_reach, weekly_exposure
from vibekit.standards.exposure_values import EU, REGIMES

HOUR = 3600.0


def test_a_day_by_hand() -> None:
    """2 ± 0.4 m/s² for 1 h and 5 ± 1 m/s² for 4 h, formulas beside each figure.

    ISO 5349-1:2001 eq. 3: A(8)² = (4·1 + 25·4) / 8 = 13. Points 2·a²·T. Directive 2002/44/EC: 2.5 and 5 m/s².
    """
    a8 = 13.0**0.5
    document = sound(
        day_of([ExposureTask(2.0, HOUR, 0.4, "sander"), ExposureTask(5.0, 4 * HOUR, 1.0, "grinder")]).to_dict(),
        "exposure",
    )
    to_values = {
        "sander": (None, (25 - 13) * 8 * HOUR / 4),  # its own 4 m²h/s⁴ are less than the (13 - 6.25)·8 too many
        "grinder": ((13 - 6.25) * 8 * HOUR / 25, (25 - 13) * 8 * HOUR / 25),
    }
    expected = {
        "a8_mps2": a8,
        "points": 2 * 4 * 1 + 2 * 25 * 4,
        "tasks": [
            {
                "name": name,
                "hand": None,
                "a_hv_mps2": a,
                "time_s": hours * HOUR,
                "time_expanded_uncertainty_s": None,
                "real_use_factor": None,
                "partial_a8_mps2": a * (hours / 8) ** 0.5,
                "points": 2 * a**2 * hours,
                "expanded_uncertainty_mps2": doubt,
                "time_left_to_action_s": 0.0,
                "time_left_to_limit_s": to_values[name][1],
                "cut_to_action_s": to_values[name][0],
                "cut_to_limit_s": 0.0,
            }
            for name, a, hours, doubt in (("sander", 2.0, 1, 0.4), ("grinder", 5.0, 4, 1.0))
        ],
        "regime": "eu",
        "action_value_mps2": 2.5,
        "limit_value_mps2": 5.0,
        "verdict": "above action value",
        "time_left_to_action_s": 0.0,
        "time_left_to_limit_s": to_values["grinder"][1],
        # JCGM 100:2008 eq. 16, correlated (causes not stated count as shared): c_i = a_i·T_i / (8·A(8))
        "expanded_uncertainty_mps2": 2 * 1 / (8 * a8) * 0.4 + 5 * 4 / (8 * a8) * 1.0,
        "uncertainty_at_least": False,
        "hands": None,
        "longest_time_s": None,
        "white_finger_years": 31.8 * a8**-1.06,  # ISO 5349-1:2001 eq. C.1 (from memory)
    }
    tasks, wanted_tasks = document.pop("tasks"), expected.pop("tasks")
    assert 0 < document.pop("a8_low_mps2") < a8 < document.pop("a8_high_mps2")  # sizes: test_uncertainty
    for row in (document, *tasks):
        ends = [row.pop(f"time_left_to_{value}_{end}_s") for value in ("action", "limit") for end in ("low", "high")]
        assert ends[:2] == [0.0, 0.0] and ends[2] < row["time_left_to_limit_s"] < ends[3]
    notices = [document.pop(key) for key in ("document", "version", "notices")][-1]
    assert document == pytest.approx(expected)
    for task, wanted in zip(tasks, wanted_tasks, strict=True):  # type: ignore[call-overload]
        assert task == pytest.approx(wanted)
    assert [(n["code"], n["severity"]) for n in notices] == [("causes_unknown", "info"), ("screening_aid", "info")]


def test_every_regime_has_its_values_in_the_document() -> None:
    for regime in REGIMES.values():
        document = sound(vk.daily_exposure([(3.0, "1h")], regime).to_dict(), "exposure")
        assert document["regime"] == regime.name
        assert (document["action_value_mps2"], document["limit_value_mps2"]) == (2.5, 5.0)


@pytest.mark.parametrize(("doubt", "near"), [(0.5, [2.5]), (2.4, [2.5]), (2.6, [2.5, 5.0])])
def test_a_day_closer_to_a_value_than_its_doubt_says_so(doubt: float, near: list[float]) -> None:
    """2.5 m/s² for 8 h is A(8) = 2.5 with the same doubt; its upper end is 5 m/s² at U = 2.5."""
    day = day_of([ExposureTask(2.5, 8 * HOUR, doubt)])
    notices = [n for n in sound(day.to_dict(), "exposure")["notices"] if n["code"] == "within_uncertainty"]
    assert [(n["severity"], n["value"], n["limit"]) for n in notices] == [("caution", 2.5, v) for v in near]
    assert all(n["remedy"] for n in notices)
    said_of = ("the action value 2.5 m/s²", "the limit value 5 m/s²")
    assert all(words in n["message"] for words, n in zip(said_of, notices, strict=False))


def test_a_day_clear_of_the_values_says_nothing() -> None:
    document = day_of([ExposureTask(2.5, 8 * HOUR, 0.0), ExposureTask(0.5, HOUR, 0.0)]).to_dict()
    assert [n["code"] for n in document["notices"]] == ["screening_aid"]


def test_a_bare_magnitude_does_not_void_the_doubt_of_the_others() -> None:
    """JCGM 100:2008 eq. 10 with the one doubt that is known: ∂A/∂a = a·T / (8·A); the bare one is named."""
    day = day_of([ExposureTask(3.0, HOUR, 0.5, "saw"), ExposureTask(2.5, HOUR, name="drill")])
    document = sound(day.to_dict(), "exposure")
    assert document["expanded_uncertainty_mps2"] == pytest.approx(3.0 / (8 * day.a8_mps2) * 0.5)
    assert document["uncertainty_at_least"] is True
    notice = notice_of([Notice(**n) for n in document["notices"]], "uncertainty_unknown")
    assert notice.severity == "caution" and notice.remedy
    assert "drill" in notice.message and "saw" not in notice.message and "at least" in notice.message


def test_bare_magnitudes_alone_have_no_doubt() -> None:
    document = sound(vk.daily_exposure([(2.4, "8h")]).to_dict(), "exposure")
    assert (document["expanded_uncertainty_mps2"], document["uncertainty_at_least"]) == (None, False)
    assert document["verdict"] == "below action value"  # the plain comparison, and it is said that it is one
    assert "as they stand" in notice_of([Notice(**n) for n in document["notices"]], "uncertainty_unknown").message


def test_a_tool_that_stands_still() -> None:
    """No magnitude: no time to any value, no share of the day, and no division by it."""
    day = vk.daily_exposure([(0.0, "1h")])
    document = sound(day.to_dict(), "exposure")
    assert (document["a8_mps2"], document["points"], document["white_finger_years"]) == (0.0, 0.0, None)
    assert document["time_left_to_action_s"] is None
    assert day_of([ExposureTask(0.0, HOUR, 0.1)]).expanded_uncertainty_mps2 == 0.0
    assert notice_of([Notice(**n) for n in document["notices"]], "no_vibration").severity == "info"
    assert time_to_reach(0.0, 2.5) is None
    assert day_of([ExposureTask(2.5, 8 * HOUR), ExposureTask(0.0, HOUR)]).cut_s(2.5, day.tasks[0]) == 0.0


def test_every_task_has_its_own_time_left_and_its_own_cut() -> None:
    """2 m/s² for 1 h: (6.25·8 - 4)/a² h are left to 2.5; 10 and 8 m/s² for 4 h: (82 - 25)·8/a² h too many for 5."""
    low = day_of([ExposureTask(2.0, HOUR), ExposureTask(4.0, 0.0)]).to_dict()["tasks"]
    assert [t["time_left_to_action_s"] for t in low] == pytest.approx([46 / 4 * HOUR, 46 / 16 * HOUR])
    assert [t["cut_to_action_s"] for t in low] == [0.0, 0.0]
    high = day_of([ExposureTask(10.0, 4 * HOUR), ExposureTask(8.0, 4 * HOUR)]).to_dict()["tasks"]
    assert [t["cut_to_limit_s"] for t in high] == [None, None]
    one = day_of([ExposureTask(10.0, 4 * HOUR), ExposureTask(1.0, HOUR)]).to_dict()["tasks"]
    assert [t["cut_to_limit_s"] for t in one] == [pytest.approx((401 - 25 * 8) / 100 * HOUR), None]


def test_a_faint_day_keeps_its_doubt() -> None:
    """One task: A(8) = a·sqrt(T/T0), and so is its uncertainty."""
    assert day_of([ExposureTask(0.2, 2 * HOUR, 0.1)]).expanded_uncertainty_mps2 == pytest.approx(0.05)


def test_what_must_go_for_a_value() -> None:
    """Energy a²·T above the value's v²·8 h, over a²: 0.01·60 = 0.6 (m/s²)²s is 0.096 s at 2.5 m/s²."""
    day = day_of([ExposureTask(2.5, 8 * HOUR), ExposureTask(0.1, 60.0)])
    assert day.cut_s(2.5, day.tasks[0]) == pytest.approx(0.096, rel=1e-6)
    only = day_of([ExposureTask(2.0, 8 * HOUR)])
    assert only.cut_s(0.0, only.tasks[0]) == 8 * HOUR
    assert only.cut_s(2.5, only.tasks[0]) == 0.0


@pytest.mark.parametrize(("a", "time"), [(0.0, 0.0), (1e6, 0.0), (0.5, 0.0), (0.5, 24 * HOUR)])
def test_the_ends_of_what_may_be_written(a: float, time: float) -> None:
    task = ExposureTask(a, time)
    assert (task.a_hv_mps2, task.time_s) == (a, time)
    assert vk.daily_exposure([(0.5, "12h"), (0.25, "12h")]).a8_mps2 == pytest.approx((0.3125 * 12 / 8) ** 0.5)


@pytest.mark.parametrize(
    ("a", "time", "words"),
    [(-1e-9, 60.0, "magnitude"), (1.0001e6, 60.0, "magnitude"), (1.0, 86401.0, "24 h"), (1.0, float("nan"), "24 h")],
)
def test_beyond_the_ends(a: float, time: float, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        ExposureTask(a, time)


def test_a_week() -> None:
    """UK SI 2005/1093 Schedule 1 Part II: A(8) of 3, 4 and five days of rest make sqrt(25 / 5) = 2.236."""
    assert weekly_exposure([3.0, 4.0, 0.0, 0.0, 0.0, 0.0, 0.0]) == pytest.approx(5**0.5)
    assert weekly_exposure([1e6]) == pytest.approx(1e6 / 5**0.5)
    for days in ([1.0] * 8, [-0.1], [float("nan")], [1.1e6]):
        with pytest.raises(UsageError, match="at most seven days"):
            weekly_exposure(days)


def test_graded_recordings_bring_their_doubt() -> None:
    class Graded:
        a_hv_mps2: float | None = 4.0
        expanded_uncertainty_mps2: float | None = 1.0

    day = vk.daily_exposure([(Graded(), "2h"), (3, 1800)])
    assert [(t.a_hv_mps2, t.time_s, t.expanded_uncertainty_mps2) for t in day.tasks] == [
        (4.0, 7200.0, 1.0),
        (3.0, 1800.0, None),
    ]
    Graded.a_hv_mps2 = None
    with pytest.raises(InputError, match="could not be graded"):
        vk.daily_exposure([(Graded(), "2h")])


def test_no_task_at_all() -> None:
    with pytest.raises(UsageError, match="MAGNITUDE@TIME"):
        day_of([])
    with pytest.raises(UsageError, match=r"sum to 25\.00 h"):
        day_of([ExposureTask(1.0, 13 * HOUR), ExposureTask(1.0, 12 * HOUR)])
    day = day_of([ExposureTask(1.0, 12 * HOUR), ExposureTask(1.0, 12 * HOUR)])
    assert isinstance(day, DailyExposure) and day.notices == () and day.values == EU
    remark = Notice("remark", "info", "from a recording")
    assert day_of(day.tasks, EU, [remark]).to_dict()["notices"][0]["code"] == "remark"


def test_a_day_that_cannot_be_given_still_names_the_values() -> None:
    """Contract: exit 4 comes with the document, every figure null, and a refusal that says why."""
    document = sound(refused_day(EU, vk.RecordingLimitError("run.wav is clipped")), "exposure")
    unknown = {key for key, value in document.items() if value is None}
    assert unknown == {
        "a8_mps2",
        "a8_low_mps2",
        "a8_high_mps2",
        "points",
        "verdict",
        *(f"time_left_to_{value}{end}_s" for value in ("action", "limit") for end in ("", "_low", "_high")),
        "expanded_uncertainty_mps2",
        "white_finger_years",
        "weekly_a8_mps2",
        "uncertainty_at_least",
        "hands",
        "longest_time_s",
    }
    assert (document["tasks"], document["regime"]) == ([], "eu")
    assert (document["action_value_mps2"], document["limit_value_mps2"]) == (2.5, 5.0)
    (notice,) = document["notices"]
    assert (notice["code"], notice["severity"], notice["message"]) == ("no_magnitude", "refusal", "run.wav is clipped")
    assert "MAGNITUDE@TIME" in notice["remedy"]
