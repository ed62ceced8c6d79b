"""Stretches of a speed track drawn by hand: what a starter, a dial, a load and a brake do to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.machine.signals import geared_tool, grinder_sheet, tach
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.machine.speed.states import Segment, states
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import RecordingFacts

STEP_S = 0.05


def stretches(*knots: tuple[float, float], condition: str | None = None) -> list[Segment]:
    """Return the segments of a track through (time [s], share of 150 Hz)."""
    times, shares = np.array(knots).T
    time_s = np.arange(STEP_S, times[-1], STEP_S)
    hz = 150.0 * np.interp(time_s, times, shares)
    return list(states(time_s, np.where(hz > 3.0, hz, np.nan), float(times[-1]), condition)[0])


def names(found: list[Segment]) -> list[str]:
    return [segment.state for segment in found]


def test_two_starts_with_a_stop_between() -> None:
    found = stretches((0, 0), (2, 0), (2.5, 1), (8, 1), (9.5, 0), (12, 0), (12.5, 1), (18, 1), (19.5, 0), (22, 0))
    cycle = ["run-up", "steady", "coast-down", "off"]
    assert names(found) == ["off", *cycle, *cycle]
    ends = [segment.stop_s for segment in found]
    assert ends[:4] == pytest.approx([2.0, 2.5, 8.0, 9.5], abs=0.15)


def test_a_dial_turned_up_in_steps_is_no_start() -> None:
    found = stretches((0, 0.4), (8, 0.4), (8.4, 1), (16, 1))
    assert names(found) == ["steady", "steady"]
    assert [segment.hz for segment in found] == pytest.approx([60.0, 150.0], rel=0.01)
    assert all(segment.droop_pct is None for segment in found)  # at 40 % a dial, not a load


def test_a_slow_stop_is_one_from_its_beginning() -> None:
    found = stretches((0, 0), (2, 0), (2.5, 1), (10, 1), (25, 0), (28, 0))
    assert names(found) == ["off", "run-up", "steady", "coast-down", "off"]
    assert found[3].start_s == pytest.approx(10.0, abs=0.7)  # a fall of 3 % takes 0.45 s


def test_load_between_idling_and_a_stop_under_load() -> None:
    found = stretches((0, 1), (5, 1), (5.3, 0.8), (12, 0.8), (12.8, 0), (15, 0))
    assert names(found) == ["steady", "loaded", "coast-down", "off"]
    assert found[1].droop_pct == pytest.approx(20.0, abs=0.3)


@pytest.mark.parametrize(("rated_hz", "droop"), [(150.0, 30.0), (105.0, 0.0), (260.0, None), (90.0, None)])
def test_droop_from_the_rated_speed_is_told_where_load_explains_it(rated_hz: float, droop: float | None) -> None:
    run = geared_tool("steady", 105.0, 6.0, 6400.0)
    facts = RecordingFacts(condition="loaded")
    made = Recording(run.samples, 6400.0, ("x", "y", "z"), Origin(facts=facts), tach=tach(run))
    found = estimate_speed(made, grinder_sheet(rated_hz))
    assert found.droop_pct == (None if droop is None else pytest.approx(droop, abs=0.5))
    assert ("droop_not_told" in {notice.code for notice in found.notices}) == (droop is None)


@pytest.mark.parametrize("times", [0.5, 2.0])
def test_a_speed_read_wrongly_is_said(times: float) -> None:
    run = geared_tool("steady", 147.0, 6.0, 6400.0)
    facts = RecordingFacts(spindle_rpm=times * 147.0 * 60.0)
    made = Recording(run.samples, 6400.0, ("x", "y", "z"), Origin(facts=facts))
    found = estimate_speed(made, grinder_sheet(150.0))
    assert found.shaft_hz["spindle"] == pytest.approx(147.0, rel=0.003)
    assert "speed_not_as_read" in {notice.code for notice in found.notices}
    right = replace(made, origin=Origin(facts=replace(facts, spindle_rpm=147.0 * 60.0 / 0.8)))  # read without load
    assert "speed_not_as_read" not in {n.code for n in estimate_speed(right, grinder_sheet(150.0)).notices}


def test_no_load_is_told_from_a_speed_whose_line_is_not_certain() -> None:
    # 13x taken for 14x for three seconds looks like 7 % droop
    time_s = np.arange(0.0, 10.0, 0.05)
    hz = np.where((time_s > 4.0) & (time_s < 7.0), 100.0 * 13.0 / 14.0, 100.0)
    assert {s.state for s in states(time_s, hz, 10.0)[0]} == {"steady", "loaded"}
    segments, droop = states(time_s, hz, 10.0, certain=False)
    assert {s.state for s in segments} == {"steady"}
    assert droop is None
