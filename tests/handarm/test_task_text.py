"""Tasks as people write them. The syntax is ours; ± as in JCGM 100:2008 7.2.4, +- and +/- where it cannot be typed."""

from __future__ import annotations

import pytest

import vibekit as vk
from vibekit.errors import UsageError
from vibekit.handarm.task_text import parse_magnitude, parse_task, parse_time

HOUR = 3600.0


@pytest.mark.parametrize("sign", ["±", "+-", "+/-", " ± ", " +- "])
def test_doubts_in_every_writing(sign: str) -> None:
    assert parse_magnitude(f"6{sign}1.5") == (6.0, 1.5)
    assert parse_magnitude(f"6{sign}25%") == (6.0, 1.5)
    assert parse_time(f"4h{sign}30m") == (4 * HOUR, HOUR / 2)
    assert parse_time(f"4h{sign}12.5 %") == (4 * HOUR, HOUR / 2)
    task = parse_task(f"left:6{sign}1.5@4h{sign}30m")
    assert (task.hand, task.what, task.time_s, task.time_uncertainty_s) == ("left", f"6{sign}1.5", 4 * HOUR, HOUR / 2)
    assert task.is_number and task.name == f"6{sign}1.5@4h{sign}30m"


@pytest.mark.parametrize(
    ("text", "hand", "what", "time_s"),
    [
        ("3.5@3h", None, "3.5", 3 * HOUR),
        ("right:grade.json@1h20m", "right", "grade.json", 4800.0),
        ("grade.json@1h20m both", "both", "grade.json", 4800.0),
        ("left: shift.wav", "left", "shift.wav", None),
        ("a@b.json@1h", None, "a@b.json", HOUR),
        ("leftover.json@1h", None, "leftover.json", HOUR),
    ],
)
def test_hand_file_and_time(text: str, hand: str | None, what: str, time_s: float | None) -> None:
    task = parse_task(text)
    assert (task.hand, task.what, task.time_s) == (hand, what, time_s)


@pytest.mark.parametrize(
    "text", ["@1h", "left:@1h", "3@1h±", "3@±1h", "3@1h±10m±5m", "3@1h±-5m", "left:3@1h right", "3@1h±x%", "3@1h up"]
)
def test_what_is_no_task(text: str) -> None:
    with pytest.raises(UsageError, match="task "):
        parse_task(text)


@pytest.mark.parametrize("text", ["3,5", "3±", "±3", "3±1±1", "3±x", "3±x%", ""])
def test_what_is_no_magnitude(text: str) -> None:
    with pytest.raises(UsageError, match=r"such as 3\.5"):
        parse_magnitude(text)


def test_the_library_takes_doubts_of_times_and_hands() -> None:
    day = vk.daily_exposure([(3.5, "4h±30m", "left"), (6.0, 1800.0, "right"), (2.0, "1h")])
    assert [task.time_uncertainty_s for task in day.tasks] == [1800.0, None, None]
    assert [task.hand for task in day.tasks] == ["left", "right", None]
    assert day.hands["right"].a8_mps2 == pytest.approx((36 / 2 / 8 + 4 / 8) ** 0.5)  # ISO 5349-1:2001 eq. 3
    with pytest.raises(UsageError, match="left, right, both"):
        vk.daily_exposure([(3.5, "4h", "third")])  # type: ignore[list-item]
