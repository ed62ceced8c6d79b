"""The filter guards itself: one that remembers too little is refused, and frequencies that are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import vibekit as vk
from vibekit.errors import UsageError, VibekitError
from vibekit.handarm.weighting import _verify, plan_blocks


@pytest.mark.parametrize("rate", [400.0, 3200.0, 6400.0, 51200.0])
def test_a_filter_that_remembers_too_little_leaves_the_tolerance(rate: float) -> None:
    """A tenth of a second cuts off exp(-2π·6.31·0.707·0.1) = 6 % of the slowest poles' answer, 0.02 s over half of it.

    ISO 8041 Table 5 allows +12 and -11 % from 10 to 630 Hz, +26 and -21 % beside (as in `standards`).
    """
    plan = plan_blocks(rate)
    _verify(plan)

    def remembering(seconds: float) -> None:
        history = round(seconds * rate)
        _verify(replace(plan, history=history, hop=plan.size - history - plan.guard))

    remembering(0.3)
    with pytest.raises(VibekitError, match=f"out of the tolerance of ISO 8041 at {rate:g} Hz"):
        remembering(0.02)


def test_frequencies_that_are_none() -> None:
    for wrong in (-1.0, [8.0, -1e-9], float("nan"), [float("inf"), 8.0]):
        with pytest.raises(UsageError, match="finite and not negative"):
            vk.weighting_factor(wrong)
    assert float(vk.weighting_factor(0.0)) == 0.0
    assert vk.weighting_factor([0.0, 8.0]).dtype == np.float64
