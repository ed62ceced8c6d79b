"""Trigger-on from levels: off time, short bumps, a second tool, loads that change; and recordings of one state."""

from __future__ import annotations

import numpy as np
import pytest

from vibekit.recording.segments import medians, trigger_on

FRAME = 0.125


def levels(*parts: tuple[float, float], seed: int = 1) -> np.ndarray:
    random = np.random.default_rng(seed)
    return np.concatenate([v * np.exp(0.1 * random.standard_normal(round(s / FRAME))) for v, s in parts])


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("parts", "on_s"),
    [
        ([(0.02, 5), (10, 30), (0.02, 5)], 30),
        ([(0.02, 5), (8, 20), (40, 20), (0.02, 3)], 40),  # no load, then load
        ([(0.02, 5), (10, 30), (90, 0.25), (0.02, 5)], 30),  # put down hard
        ([(0.8, 10), (8, 20), (0.8, 10)], 20),  # another tool on the bench
        ([(10, 58), (0.02, 2)], 58),
        ([(0.02, 58), (10, 3)], 3),
        ([(0.001, 20), (0.3, 20), (12, 20)], 20),  # lying still, carried about, running
        ([(0.02, 3), (10, 4), (0.02, 3), (10, 4), (0.02, 3)], 8),
    ],
)
def test_time_with_the_trigger_on(parts: list[tuple[float, float]], on_s: float, seed: int) -> None:
    found = trigger_on(levels(*parts, seed=seed), FRAME)
    assert not found.single_state
    assert found.on.sum() * FRAME == pytest.approx(on_s, abs=0.51)


@pytest.mark.parametrize(
    "parts",
    [
        [(10, 60)],
        [(8, 20), (50, 20)],  # never off: no load and load
        [(0.001, 30)],  # silence is one state as well
        [(0.02, 20), (5, 0.25), (0.02, 20)],  # a bump in silence is no tool
    ],
)
def test_one_state_is_on_throughout(parts: list[tuple[float, float]]) -> None:
    found = trigger_on(levels(*parts), FRAME)
    assert found.single_state and found.on.all()


@pytest.mark.parametrize("values", [[], [0.0], [0.0] * 50, [3.0], [1.0] * 50])
def test_degenerate_levels(values: list[float]) -> None:
    found = trigger_on(np.array(values), FRAME)
    assert found.on.shape == (len(values),) and found.on.all()


def test_medians_are_those_of_numpy() -> None:
    rng = np.random.default_rng(3)
    for shape in ((7,), (8,), (3, 1), (3, 10), (2, 11)):
        values = rng.integers(0, 9, shape).astype(float)
        np.testing.assert_array_equal(medians(values), np.median(values, axis=-1))
    assert np.isnan(medians(np.zeros((2, 0)))).all()
