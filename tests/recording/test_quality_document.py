"""What a check report says a recording is good for, band by band, and the document around it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import vibekit as vk
from tests.documents import notice_of, said, sound
from vibekit.recording.calibration import Calibration
from vibekit.recording.quality import CheckReport, background_notices
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.toolsheet import ToolSheet, parse_tool

GRINDER = parse_tool(
    {
        "tool": {"tag": "T"},
        "shaft": [{"name": "armature", "rated_rpm": 18000}, {"name": "spindle"}],
        "mesh": [{"driver": "armature", "driven": "spindle", "driver_teeth": 10, "driven_teeth": 30}],
    },
    "sheet",
)  # 300 Hz and 100 Hz, the spindle's double 200 Hz; the teeth meet at 3000 Hz


def report(
    band: tuple[float, float] | None = None,
    tool: ToolSheet | None = None,
    seconds: float = 9.0,
    rate: float = 6400.0,
    clip: float | None = None,
    **origin: Any,
) -> CheckReport:
    """Return the report of steady noise with a sensor of that flat band, clipped at so many m/s² if at all."""
    samples = 5 * np.random.default_rng(1).standard_normal((3, round(seconds * rate)))
    if clip is not None:
        samples = np.clip(samples, -clip, clip)
        origin["calibration"] = Calibration.full_scale(f"{clip} m/s2")
    return vk.check(Recording(samples, rate, origin=Origin("r.wav", sensor=SensorFacts(band_hz=band), **origin)), tool)


def good_for(found: CheckReport) -> set[str]:
    assert set(found.usable_for) == {"grade", "speed", "gear_mesh", "bearings"}
    return {name for name, usable in found.usable_for.items() if usable}


ALL = {"grade", "speed", "gear_mesh", "bearings"}


@pytest.mark.parametrize(
    ("band", "usable"),
    [
        (None, ALL),
        ((6.3, 2000.0), ALL),
        ((12.5, 2000.0), ALL),
        ((12.6, 2000.0), ALL - {"grade"}),
        ((0.0, 1999.0), ALL - {"bearings"}),
        ((0.0, 1000.0), ALL - {"bearings"}),
        ((0.0, 999.0), {"grade", "speed"}),
        ((0.0, 630.0), {"grade", "speed"}),
        ((0.0, 629.0), {"speed"}),
    ],
)
def test_a_tool_that_nobody_described(band: tuple[float, float] | None, usable: set[str]) -> None:
    """From 12.5 to 630 Hz for the hand, from 1 kHz on for gears, from 2 kHz on for bearings (no source)."""
    assert good_for(report(band)) == usable


@pytest.mark.parametrize(
    ("band", "rate", "usable"),
    [
        (None, 12800.0, ALL),
        (None, 6400.0, ALL - {"gear_mesh"}),  # 0.45·6400 = 2880 Hz, under the teeth's 3000
        ((0.0, 300.0), 6400.0, {"grade", "speed"}),
        ((0.0, 299.0), 6400.0, {"speed"}),
        ((0.0, 100.0), 6400.0, {"speed"}),
        ((0.0, 99.0), 6400.0, set()),
        ((100.0, 3000.0), 12800.0, ALL),
        ((101.0, 3000.0), 12800.0, ALL - {"grade"}),  # the spindle turns below it
    ],
)
def test_a_tool_with_its_lines(band: tuple[float, float] | None, rate: float, usable: set[str]) -> None:
    assert good_for(report(band, GRINDER, rate=rate)) == usable


def test_a_sheet_without_speeds_or_teeth_falls_back() -> None:
    bare = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "a"}]}, "sheet")
    assert good_for(report((0.0, 999.0), bare)) == {"grade", "speed"}
    assert good_for(report((0.0, 629.0), bare)) == {"speed"}
    toothless = parse_tool(
        {
            "tool": {"tag": "T"},
            "shaft": [{"name": "a", "rated_rpm": 6000}, {"name": "b", "rated_rpm": 3000}],
            "mesh": [{"driver": "a", "driven": "b"}],
        },
        "sheet",
    )
    assert good_for(report((0.0, 999.0), toothless)) == {"grade", "speed"}
    assert good_for(report((0.0, 1000.0), toothless)) == ALL - {"bearings"}


def test_what_a_failed_check_takes_away() -> None:
    assert good_for(report(seconds=1.9)) == set()
    assert good_for(report(clip=10.0)) == {"speed", "gear_mesh"}
    held = 5 * np.random.default_rng(1).standard_normal((3, 57600))
    held[:, 20_000:22_000] = held[:, [20_000]]
    assert good_for(vk.check(Recording(held, 6400.0))) == set()


def test_what_is_refused_and_what_is_doubted() -> None:
    found = report((2.0, 150.0), GRINDER, seconds=1.5)
    short = notice_of(found.notices, "too_short")
    assert (short.severity, short.value, short.limit) == ("refusal", 1.5, 2.0)
    assert short.message.startswith("r.wav: 1.5 s of signal, at least 2 s") and short.remedy
    lost = notice_of(found.notices, "band_misses_lines")
    assert (lost.severity, lost.value, lost.limit) == ("refusal", 150.0, pytest.approx(300.0))
    assert "covers 2 to 150 Hz" in lost.message and lost.remedy
    assert "armature 1x 300 Hz, spindle 2x 200 Hz" in lost.message
    doubts = {c.name: c for c in found.checks if c.status != "pass"}
    assert {"length", "band", "rate_for_tool"} <= set(doubts)
    for name, check in doubts.items():
        notice = notice_of(found.notices, f"check_{name}")
        assert (notice.severity, notice.value, notice.limit) == ("caution", check.value, check.limit)
        assert notice.message == f"r.wav: {check.message}" and notice.remedy == check.remedy
    assert not {n.code for n in report(seconds=2.0).notices} & {"too_short", "band_misses_lines"}


def test_the_document() -> None:
    own = vk.Notice("own", "info", "from the reader")
    facts = RecordingFacts(condition="loaded")
    found = report((2.0, 1500.0), facts=facts, log=("read",), notices=(own,), tool=GRINDER)
    document = sound(found.to_dict(), "check")
    (row,) = document["recordings"]
    assert document["notices"][0]["code"] == "own"
    checks = row.pop("checks")
    assert [c["name"] for c in checks] == [c.name for c in found.checks]
    assert {"length", "clipping", "band", "rate_for_tool", "axes", "resolution"} <= {c["name"] for c in checks}
    level = row.pop("level_mps2")
    assert level == pytest.approx(5 * 3**0.5, rel=0.02)
    assert row == {
        "file": "r.wav",
        "duration_s": 9.0,
        "sample_rate_hz": 6400.0,
        "axes": ["x", "y", "z"],
        "band_covered_hz": [2.0, 1500.0],
        "clipped_pct": 0.0,
        "usable_for": found.usable_for,
        "condition": "loaded",
        "log": ["read"],
    }


def test_progress_and_the_sheet_that_wins() -> None:
    told: list[float] = []
    recording = Recording(np.zeros((3, 20_000)), 1000.0, origin=Origin(tool=GRINDER))
    assert "rate_for_tool" in {c.name for c in vk.check(recording, progress=told.append).checks}
    assert told == [1.0]
    bare = parse_tool({"tool": {"tag": "T"}}, "sheet")
    assert "rate_for_tool" not in {c.name for c in vk.check(recording, bare).checks}


def test_levels_near_the_loudest_background() -> None:
    base = report()
    reports = [
        replace(base, file=file, condition=condition, level_mps2=level)
        for file, condition, level in (
            ("off1", "off", 0.5),
            ("off2", "off", 1.0),
            ("near", "loaded", 2.9),
            ("far", "loaded", 3.1),
            ("none", None, 2.0),
            ("short", "loaded", None),
            ("off3", "off", None),
        )
    ]
    found = background_notices(reports)
    assert [said(n).message.partition(":")[0] for n in found] == ["near", "none"]
    assert [n.value for n in found] == pytest.approx([2.9, 2.0])
    assert background_notices(reports[2:]) == []
