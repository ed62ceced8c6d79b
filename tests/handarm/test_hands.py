"""Exposure hand by hand: Directive 2002/44/EC Annex A.2(b), the higher of both hands."""

from __future__ import annotations

import numpy as np
import pytest

from tests.documents import sound
from tests.reference import rows
from vibekit.handarm.exposure import ExposureTask, day_of
from vibekit.handarm.uncertainty import UncertaintyPart

HOUR = 3600.0


def test_two_tools_in_opposite_hands() -> None:
    """5.39 m/s² for 4 h in each hand: each has 5.39·√(4/8) = 3.81 (ISO 5349-1 eq. 2), nobody has 5.39."""
    day = day_of([ExposureTask(5.39, 4 * HOUR, hand="left"), ExposureTask(5.39, 4 * HOUR, hand="right")])
    document = sound(day.to_dict(), "exposure")
    assert document["a8_mps2"] == pytest.approx(3.81, abs=0.005)
    assert [document["hands"][hand]["a8_mps2"] for hand in ("left", "right")] == pytest.approx([3.811] * 2, abs=1e-3)
    assert document["verdict"] == "above action value"
    assert day_of([ExposureTask(5.39, 8 * HOUR)]).verdict == "above limit value"


def test_the_worse_hand_decides() -> None:
    """Left: 4 m/s² for 2 h; right: that, and 3 m/s² for 1 h: √((16·2 + 9·1)/8)."""
    day = day_of([ExposureTask(4, 2 * HOUR, hand="both"), ExposureTask(3, HOUR, hand="right")])
    document = sound(day.to_dict(), "exposure")
    assert document["hands"]["left"]["a8_mps2"] == pytest.approx(2.0)
    assert document["a8_mps2"] == document["hands"]["right"]["a8_mps2"] == pytest.approx((41 / 8) ** 0.5)
    assert document["points"] == pytest.approx(2 * 41)
    assert [task["hand"] for task in document["tasks"]] == ["both", "right"]


def test_no_hand_named_counts_for_both() -> None:
    bare = day_of([ExposureTask(4, 2 * HOUR), ExposureTask(3, HOUR)])
    named = day_of([ExposureTask(4, 2 * HOUR, hand="left"), ExposureTask(3, HOUR)])
    assert bare.hands == {}
    assert named.hands["left"].a8_mps2 == bare.a8_mps2
    assert named.hands["right"].a8_mps2 == pytest.approx(3 / 8**0.5)


@pytest.mark.parametrize("hand", ["left", "right", "both"])
def test_printed_examples_in_any_hand(hand: str) -> None:
    """All tasks in one hand: its day is the printed one, the idle hand has nothing. Sources in the table's rows."""
    import json

    for row in rows("exposure_examples"):
        tasks = [ExposureTask(a, t * HOUR, hand=hand) for a, t in json.loads(row["tasks_[a_m_s2,T_h]"])]  # type: ignore[arg-type]
        day = day_of(tasks)
        assert day.a8_mps2 == pytest.approx(float(row["A8_computed"]), abs=6e-5)
        assert day.points == pytest.approx(float(row["points_computed"]), abs=6e-3)
        idle = {"left": "right", "right": "left"}.get(hand)
        if idle:
            assert day.hands[idle].a8_mps2 == 0.0  # type: ignore[index]


def test_time_left_is_that_of_the_hands_that_hold_the_tool() -> None:
    """(6.25·8 - 4²·1)/2² h for a tool in the right hand; none for any tool once a hand has reached the value."""
    left = ExposureTask(4, HOUR, hand="left")
    right = ExposureTask(2, 0.0, hand="right")
    both = ExposureTask(2, 0.0, hand="both")
    assert day_of([left, right]).time_left_s(2.5) == pytest.approx(50 / 4 * HOUR)
    assert day_of([left, both]).time_left_s(2.5) == pytest.approx((50 - 16) / 4 * HOUR)
    reached = day_of([ExposureTask(5, 2 * HOUR, hand="left"), right])
    assert (reached.verdict, reached.time_left_s(2.5)) == ("above action value", 0.0)


def test_a_hand_that_may_have_reached_the_value_leaves_no_time_to_count_on() -> None:
    """Left 2.4 ± 0.5 over 8 h may be over 2.5: the right hand's tool has no time that can be counted on."""
    day = day_of([ExposureTask(2.4, 8 * HOUR, 0.5, hand="left"), ExposureTask(2.0, 0.0, 0.1, hand="right")])
    low, high = day.time_left_ends_s(2.5, day.tasks[1]) or (None, None)
    assert low == 0.0 and (high or 0.0) > 8 * HOUR
    assert day.verdict == "cannot tell whether above the action value"
    assert not day.shown_below(2.5)


def test_the_low_end_holds_for_both_hands_at_once() -> None:
    """Hands whose tools err apart: the time left of a tool in both is the shorter of two, drawn draw by draw.

    JCGM 101:2008 7: at most 2.5 % of draws leave less than the low end.
    """
    own = [UncertaintyPart("own", 0.15, "", key=key) for key in "AB"]
    tasks = [ExposureTask(5, HOUR, 1.5, hand=h, budget=(p,)) for h, p in zip(("left", "right"), own, strict=True)]  # type: ignore[arg-type]
    day = day_of([*tasks, ExposureTask(3, 0.0, 0.0, hand="both")])
    a = 5 * (1 + 0.15 * np.random.default_rng(9).standard_normal((2, 400_000)))
    left = np.maximum(0, (8 * 6.25 - a**2).min(axis=0) / 9 * HOUR)
    low, high = day.time_left_ends_s(2.5, day.tasks[2]) or (0.0, 0.0)
    assert low > 0 and high is not None
    assert 0.020 <= float(np.mean(left < low)) <= 0.025
    assert 0.020 <= float(np.mean(left > high)) <= 0.025


def test_what_to_shorten_must_help_each_hand_that_is_over() -> None:
    """Left 8, right 6 m/s² for 2 h each, both with 1 m/s² for 1 h: neither alone brings both hands under 2.5."""
    left, right = ExposureTask(8, 2 * HOUR, hand="left"), ExposureTask(6, 2 * HOUR, hand="right")
    day = day_of([left, right])
    assert [day.cut_s(2.5, task) for task in day.tasks] == [None, None]
    both = day_of([ExposureTask(8, 2 * HOUR, hand="both"), ExposureTask(2, HOUR, hand="left")])
    assert both.cut_s(2.5, both.tasks[0]) == pytest.approx((128 + 4 - 50) / 64 * HOUR)
