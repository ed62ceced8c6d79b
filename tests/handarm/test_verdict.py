"""Verdicts in three states: what is shown, not what is likely. Directive 2002/44/EC Art. 3: 2.5 and 5 m/s²."""

from __future__ import annotations

from typing import get_args

import pytest

from tests.documents import in_words
from vibekit.handarm.exposure import ExposureTask, day_of
from vibekit.handarm.verdict import Verdict, eight_hours, heading, severity, verdict

HOUR = 3600.0


@pytest.mark.parametrize(
    ("a", "doubt", "told"),
    [
        (2.49, 0.74, "cannot tell whether above the action value"),
        (2.51, 0.74, "cannot tell whether above the action value"),
        (2.0, 0.49, "below action value"),
        (2.0, 0.5, "cannot tell whether above the action value"),  # the upper end has reached it
        (3.0, 0.5, "above action value"),  # so has the lower
        (3.0, 0.51, "cannot tell whether above the action value"),
        (4.4, 0.5, "above action value"),
        (4.6, 0.5, "cannot tell whether above the limit value"),
        (2.4, 3.0, "cannot tell whether above the limit value"),
        (5.6, 0.5, "above limit value"),
    ],
)
def test_a_day_of_eight_hours(a: float, doubt: float, told: str) -> None:
    day = day_of([ExposureTask(a, 8 * HOUR, doubt)])
    assert day.verdict == told
    assert day.shown_below(2.5) == (told == "below action value")
    assert day.shown_below(5.0) == (a + doubt < 5.0)


@pytest.mark.parametrize(
    ("a", "told"),
    [(2.4999, "below"), (2.5, "above action"), (4.9999, "above action"), (5.0, "above limit"), (0.0, "below action")],
)
def test_a_bare_number_is_compared_as_it_stands(a: float, told: str) -> None:
    assert day_of([ExposureTask(a, 8 * HOUR)]).verdict.startswith(told)


def test_the_order_of_verdicts() -> None:
    assert [severity(told) for told in get_args(Verdict)] == [0, 1, 2, 3, 4]
    ends = [(1.0, 2.0), (2.0, 3.0), (3.0, 4.0), (4.0, 6.0), (5.0, 6.0)]
    assert [severity(verdict(one)) for one in ends] == [0, 1, 2, 3, 4]


def test_words_for_eight_hours_never_soothe() -> None:
    for ends in ((1.0, 2.0), (2.0, 3.0), (3.0, 4.0), (4.0, 6.0), (5.0, 6.0)):
        words = eight_hours(ends)
        in_words(words)
        assert not {"mild", "safe", "harmless", "never"} & set(words.replace(",", " ").split())
    assert "later" in eight_hours((3.0, 4.0))  # after more than 8 h is not never


def test_the_heading_says_when_a_doubt_is_missing_or_not_all_of_it() -> None:
    assert heading(2.49, 0.74, "x") == "A(8) 2.49 ± 0.74 m/s²: x"
    assert "at least 0.74" in heading(2.49, 0.74, "x", at_least=True)
    assert "doubt not known" in heading(2.49, None, "x")
    assert heading(3.0, 3.1, "x", declared_ends=(2.6, 6.1)) == "A(8) 3.00 (between 2.60 and 6.10) m/s²: x"
