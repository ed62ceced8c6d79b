"""Tooth pairs proposed for signals whose gears are known by construction (12 and 38 teeth)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.machine.signals import RATIO, TEETH, geared_tool
from tests.machine.speed.test_estimate import recording
from vibekit.machine.lines.table import spectrum
from vibekit.machine.lines.teeth import propose_teeth
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.recording.toolsheet import ToolSheet, parse_tool


def sheet(of: str, rated_hz: float, **teeth: int) -> ToolSheet:
    shafts = [{"name": "armature"}, {"name": "spindle"}]
    next(s for s in shafts if s["name"] == of)["rated_rpm"] = rated_hz * 60  # type: ignore[assignment]
    mesh = {"driver": "armature", "driven": "spindle", **teeth}
    return parse_tool({"tool": {"tag": "T"}, "shaft": shafts, "mesh": [mesh]}, "test")


@pytest.mark.parametrize(("of", "times"), [("armature", RATIO), ("spindle", 1.0)])
def test_the_pair_is_found_and_rivals_are_listed(of: str, times: float) -> None:
    run = geared_tool("droop", 140.0)
    tool = sheet(of, 140.0 * times)
    proposals = propose_teeth(recording(run), tool, estimate_speed(recording(run), tool))
    assert (proposals[0].driver_teeth, proposals[0].driven_teeth) == TEETH
    assert len(proposals) > 1
    assert proposals[0].evidence > proposals[1].evidence + 2
    assert "mesh" in proposals[0].lines


def test_a_known_count_narrows() -> None:
    run = geared_tool("steady", 140.0)
    tool = sheet("armature", 140.0 * RATIO, driver_teeth=12)
    proposals = propose_teeth(recording(run), tool, estimate_speed(recording(run), tool))
    assert {p.driver_teeth for p in proposals} == {12}
    assert proposals[0].driven_teeth == 38


def test_a_tool_without_gear_lines_gets_no_proposal() -> None:
    run = geared_tool("steady", 140.0, geared=False)
    tool = sheet("spindle", 140.0)
    proposals = propose_teeth(recording(run), tool, estimate_speed(recording(run), tool))
    assert proposals == ()


def test_chances_share_one_and_a_speed_that_is_not_sure_makes_no_pair_sure() -> None:
    run = geared_tool("steady", 140.0)
    tool = sheet("armature", 140.0 * RATIO)
    speed = estimate_speed(recording(run), tool)
    proposals = propose_teeth(recording(run), tool, speed)
    assert 0.5 < proposals[0].chance < sum(p.chance for p in proposals) <= speed.confidence
    assert propose_teeth(recording(run), tool, replace(speed, confidence=0.2)) == ()
    document = spectrum(recording(run), tool, "order", replace(speed, confidence=0.2)).to_dict()
    assert "teeth_not_told" in {n["code"] for n in document["notices"]}


def test_the_spectrum_document_carries_the_proposal() -> None:
    run = geared_tool("steady", 140.0)
    document = spectrum(recording(run), sheet("armature", 140.0 * RATIO), "order").to_dict()
    assert document["teeth_proposals"][0]["driven_teeth"] == 38
    assert document["teeth_proposals"][0]["ratio"] == pytest.approx(np.divide(*TEETH[::-1]))
    assert "teeth_proposed" in {n["code"] for n in document["notices"]}
