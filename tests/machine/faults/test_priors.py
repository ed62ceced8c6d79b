"""Shifts of log-odds given in Python: known faults and finite numbers, as those of a file are."""

from __future__ import annotations

import math
from typing import Any

import pytest

import vibekit as vk
from vibekit.machine.faults.diagnosis import judge
from vibekit.machine.faults.judgement import require_priors


@pytest.mark.parametrize(
    ("priors", "words"),
    [
        ({"gear.wear": math.nan}, "the shift of gear.wear is nan: it must be a finite number"),
        ({"healthy": math.inf}, "the shift of healthy is inf"),
        ({"gear.wear": "1"}, "the shift of gear.wear is 1"),
        ({"gear.wear": None}, "the shift of gear.wear is None"),
        ({"gear.wear": True}, "the shift of gear.wear is True"),
        ({"gears": 0.5}, "priors: unknown fault 'gears'"),
    ],
)
def test_shifts_that_are_none(priors: dict[str, Any], words: str) -> None:
    with pytest.raises(vk.UsageError, match=words):
        judge((), None, priors)


def test_shifts_that_are_taken() -> None:
    assert require_priors({"gear.wear": -0.5, "healthy": 1}) == {"gear.wear": -0.5, "healthy": 1}
