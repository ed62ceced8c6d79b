"""Resonances crossed by orders: against a single degree of freedom computed with SciPy, and simulated tools."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.machine.lines.test_orders import known_speed
from tests.machine.signals import Run
from vibekit.machine.lines.resonances import crossed_resonances, order_map, resonances, swept_orders, untested
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.recording.recording import Recording
from vibekit.simulate import simulate
from vibekit.simulate.faults import settle_faults
from vibekit.simulate.path import modes_of
from vibekit.simulate.presets import preset
from vibekit.simulate.specimen import make_specimen

RATE = 3200.0
SIZES = {1: 2.0, 2: 0.6, 3: 0.5, 4: 0.4, 5: 0.3}
COURSES = {"up and down": ([0, 8, 12, 20], [30, 150, 150, 30]), "coast-down": ([0, 6, 14], [150, 150, 15])}


def swept(course: str, seed: int = 0, louder_at: float | None = None) -> Run:
    """The force of a tool over a course of speed: orders growing with its square, all louder at one speed if wanted."""
    knots, speeds = COURSES[course]
    time_s = np.arange(round(knots[-1] * RATE)) / RATE
    hz = np.interp(time_s, knots, speeds)
    turns = np.cumsum(hz) / RATE
    phases = np.random.default_rng(seed).uniform(0, 2 * np.pi, 6)
    force = sum(a * np.sin(2 * np.pi * o * turns + phases[o]) for o, a in SIZES.items()) * (hz / 100) ** 2
    if louder_at is not None:
        force = force * (1 + 3 * np.exp(-(((hz - louder_at) / 5) ** 2)))
    return Run(np.atleast_2d(force), hz, RATE)


def felt(run: Run, answer: np.ndarray, seed: int) -> Run:
    noise = 0.05 * np.random.default_rng(seed).standard_normal((3, run.hz.size))
    return Run(answer * np.array([[1.0], [0.5], [0.3]]) + noise, run.hz, RATE)


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize(("hz", "damping"), [(300.0, 0.03), (180.0, 0.02), (240.0, 0.045)])
def test_a_single_degree_of_freedom_is_found_where_scipy_says(course: str, hz: float, damping: float) -> None:
    run, w = swept(course), 2 * np.pi * hz
    structure = signal.TransferFunction([1.2, 0.4 * damping * w, 0.2 * w * w], [1, 2 * damping * w, w * w])
    _, answer, _ = signal.lsim(structure, run.samples[0], run.time_s)
    grid = np.linspace(0.7 * hz, 1.3 * hz, 2001)
    _, gain = signal.freqresp(structure, 2 * np.pi * grid)
    loudest = grid[np.argmax(np.abs(gain))]
    made = felt(run, answer, 1)
    found = resonances(order_map(Recording(made.samples, RATE), known_speed(made), every_frame=False))
    assert found[0].frequency_hz == pytest.approx(loudest, rel=0.03)
    assert len(found) == 1
    assert len(found[0].orders) >= 2
    assert found[0].at_hz[0] == pytest.approx(found[0].frequency_hz / found[0].orders[0])


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("seed", range(8))
def test_a_rigid_body_and_a_loud_speed_are_no_resonance(course: str, seed: int) -> None:
    for louder_at in (None, 70.0, 110.0):
        run = swept(course, seed, louder_at)
        made = felt(run, run.samples[0], seed)
        assert resonances(order_map(Recording(made.samples, RATE), known_speed(made), every_frame=False)) == ()


def test_an_order_reads_its_level_while_its_frequency_moves() -> None:
    run = swept("coast-down")
    mapped = order_map(Recording(run.samples, RATE, ("x",)), known_speed(run), [3.0])
    level, _ = mapped.loudest(0)
    moving = (mapped.time_s > 7) & (mapped.time_s < 12)
    # r.m.s. by definition; while it falls the mean over a frame of what goes with its square lies up to 1 % higher
    np.testing.assert_allclose(level[moving], 0.5 * (mapped.hz[moving] / 100) ** 2 / np.sqrt(2), rtol=0.02)


def test_a_steady_or_hurried_speed_says_why_nothing_is_told() -> None:
    steady = Run(swept("coast-down").samples, np.full(round(14 * RATE), 150.0), RATE)
    mapped = order_map(Recording(steady.samples, RATE, ("x",)), known_speed(steady))
    assert resonances(mapped) == ()
    assert "factor of 1.4" in untested(mapped)[0].message
    hurried = Run(np.ones((1, 6400)), np.interp(np.arange(6400), [0, 4000, 5000], [150.0, 150.0, 20.0]), RATE)
    assert (
        "within a tenth"
        in untested(order_map(Recording(hurried.samples, RATE, ("x",)), known_speed(hurried)))[0].message
    )


def test_a_shaft_too_slow_for_the_frames_is_said() -> None:
    tool = preset("drill")
    made = simulate(tool, seed=301, duration_s=13, off_before_s=1, off_after_s=8, sample_rate=6400.0)
    speed = estimate_speed(made.recording, tool)
    found, notices = crossed_resonances(made.recording, speed, tool)
    assert found is not None
    assert all(resonance.frequency_hz > 60.0 for resonance in found)
    (said,) = notices
    assert said.code == "resonances_below_not_tested" and "15 Hz of spindle" in said.message
    grinder = simulate(preset("small-grinder"), seed=301, duration_s=13, off_before_s=1, off_after_s=8)
    speed = estimate_speed(grinder.recording, preset("small-grinder"))
    assert crossed_resonances(grinder.recording, speed, preset("small-grinder"))[1] == ()


@pytest.mark.parametrize("kind", ["small-grinder", "die-grinder", "sander"])
def test_the_mode_built_into_a_tool_is_named_and_nothing_far_from_a_mode(kind: str) -> None:
    for seed in (301, 302):
        for faults in ({"resonance": 15.0}, {}):
            tool = preset(kind)
            made = simulate(
                tool, seed=seed, faults=faults, duration_s=13, off_before_s=1, off_after_s=8, sample_rate=6400.0
            )
            speed = estimate_speed(made.recording, tool)
            mapped = order_map(made.recording, speed, swept_orders(tool, speed.of), every_frame=False)
            found = [resonance.frequency_hz for resonance in resonances(mapped)]
            modes = [mode.hz for mode in modes_of(make_specimen(tool, settle_faults(tool, faults), seed))]
            assert all(min(abs(hz / mode - 1) for mode in modes) < 0.1 for hz in found)
            if faults:
                assert any(abs(hz / modes[-1] - 1) < 0.05 for hz in found)
