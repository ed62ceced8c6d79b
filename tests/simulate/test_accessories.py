"""What an accessory does besides being out of balance: segments that beat on the work, a pad that spins by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.simulate.order_spectrum import Orders, edges
from vibekit.machine.train.drivetrain import expected_lines
from vibekit.recording.toolsheet import Accessory, ToolSheet
from vibekit.simulate import simulate
from vibekit.simulate.presets import SANDER, SMALL_GRINDER
from vibekit.simulate.specimen import make_specimen

SEGMENTED = replace(SMALL_GRINDER, accessory=Accessory("spindle", "diamond disc", 0.20, 125.0, segments=14))


def line(tool: ToolSheet, order: float, condition: str) -> tuple[float, float]:
    """Return the level at an order of the spindle on its clearest axis, and the median beside it [m/s²]."""
    recording = simulate(tool, seed=4, duration_s=10.0, sample_rate=12800.0, condition=condition).recording
    marks = edges(recording)
    views = [Orders(axis, marks) for axis in recording.samples]
    beside = [view.floor(0.6 * order, 0.9 * order) for view in views]
    best = max(range(3), key=lambda i: views[i].at(order) / beside[i])
    return views[best].at(order), beside[best]


def test_segments_beat_at_segments_times_turns_only_under_load() -> None:
    """Counting: fourteen segments meet the work fourteen times per turn."""
    (expected,) = [e for e in expected_lines(SEGMENTED, {"spindle": 100.0}) if e.name == "spindle segments"]
    assert (expected.order, expected.frequency_hz) == (14.0, 1400.0)
    loaded, beside = line(SEGMENTED, 14.0, "loaded")
    plain, _ = line(SMALL_GRINDER, 14.0, "loaded")
    idle, _ = line(SEGMENTED, 14.0, "no load")
    assert loaded > 3.0 * beside
    assert loaded > 3.0 * plain
    assert idle < 0.2 * loaded


def test_an_orbiting_pad_leaves_a_share_of_its_own_moment() -> None:
    """m·r of the pad, 0.15 kg on 1.2 mm, is 180 g·mm; the counterweight takes most of it (median over specimens)."""
    left = [make_specimen(SANDER, (), seed).rotors[0].unbalance_g_mm for seed in range(60)]
    assert 0.1 * 180.0 < np.median(left) < 0.25 * 180.0


def test_the_pad_spins_by_itself_at_a_tenth_of_the_shaft() -> None:
    """U·ω² at the pad's own spin (force of a rotating unbalance): it stands at order 0.1, and not without an orbit."""
    spinning, beside = line(SANDER, 0.10, "no load")
    assert SANDER.accessory is not None
    still, _ = line(replace(SANDER, accessory=replace(SANDER.accessory, orbit_mm=None)), 0.10, "no load")
    assert spinning > 2.0 * beside
    assert spinning > 2.0 * still


@pytest.mark.parametrize("key", ["segments", "orbit_mm"])
def test_they_may_not_be_zero(key: str) -> None:
    from vibekit.errors import InputError
    from vibekit.recording.toolsheet import parse_tool

    with pytest.raises(InputError, match=key):
        parse_tool({"tool": {"tag": "T"}, "accessory": {key: 0}}, "sheet")
