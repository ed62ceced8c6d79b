"""What speaks against a grade: length (ISO 5349-2 5.4.1), band (6.1.2.2), clipping; and how clipping is counted."""

from __future__ import annotations

import numpy as np
import pytest

from tests.documents import said
from vibekit.errors import Notice
from vibekit.handarm.gradeability import ClippingCount, reasons_against
from vibekit.recording.calibration import Calibration
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import SensorFacts
from vibekit.recording.toolsheet import ToolSheet, parse_tool

FULL_BAND = (0.0, 1250.0)


def tool(rpm: float | None = None) -> ToolSheet:
    shaft = {"name": "spindle"} if rpm is None else {"name": "spindle", "rated_rpm": rpm}
    return parse_tool({"tool": {"tag": "T"}, "shaft": [shaft]}, "sheet")


def reason(
    sheet: ToolSheet | None = None, band: tuple[float, float] = FULL_BAND, on_s: float = 20.0, clipped: float = 0.0
) -> Notice | None:
    found = reasons_against(sheet, band, on_s, clipped)
    assert len(found) <= 1
    return said(found[0]) if found else None


def test_a_sound_recording_has_nothing_against_it() -> None:
    assert reason() is None
    assert reason(tool(11000), (6.3, 3000.0), 8.0) is None


@pytest.mark.parametrize(
    ("on_s", "code", "severity", "limit"),
    [(1.9994, "too_short", "refusal", 2.0), (2.0, "short", "caution", 8.0), (7.99, "short", "caution", 8.0)],
)
def test_length(on_s: float, code: str, severity: str, limit: float) -> None:
    """ISO 5349-2 5.4.1 (from memory): measurements under 8 s are unreliable; under 2 s nothing is said (own rule)."""
    found = reason(on_s=on_s)
    assert found is not None
    assert (found.code, found.severity, found.limit) == (code, severity, limit)
    assert found.value == pytest.approx(on_s, abs=5e-4)
    assert f"{on_s:.1f} s" in found.message
    assert found.remedy and "20 s" in found.remedy


@pytest.mark.parametrize(("pct", "severity"), [(0.001, "caution"), (0.05, "caution"), (0.0501, "refusal")])
def test_clipping(pct: float, severity: str) -> None:
    found = reason(clipped=pct / 100)
    assert found is not None
    assert (found.code, found.severity, found.limit) == ("clipped", severity, 0.05)
    assert found.value == pytest.approx(pct)
    assert f"{pct:.3g} %" in found.message
    assert found.remedy


def test_band() -> None:
    """The tool's lines up to 1250 Hz must lie inside: 11000 rpm is 183.3 Hz, its double 366.7 Hz."""
    beyond = reason(tool(11000), (2.0, 180.0))
    assert beyond is not None
    assert (beyond.code, beyond.severity, beyond.value) == ("band_misses_lines", "refusal", 180.0)
    assert beyond.limit == pytest.approx(2 * 11000 / 60)
    assert "spindle 1x 183 Hz, spindle 2x 367 Hz" in beyond.message
    assert beyond.remedy and "6.3 to 1250 Hz" in beyond.remedy
    inside = reason(tool(11000), (2.0, 400.0))
    assert inside is not None
    assert (inside.code, inside.severity, inside.value, inside.limit) == ("band_incomplete", "caution", 400.0, 1250.0)
    assert inside.remedy == beyond.remedy


@pytest.mark.parametrize("sheet", [None, tool()])
def test_band_of_a_tool_that_nobody_described(sheet: ToolSheet | None) -> None:
    narrow, wide = reason(sheet, (2.0, 629.0)), reason(sheet, (2.0, 630.0))
    assert narrow is not None and wide is not None
    assert (narrow.code, narrow.severity, narrow.value, narrow.limit) == ("band_too_narrow", "refusal", 629.0, 630.0)
    assert narrow.remedy and "tool sheet" in narrow.remedy
    assert (wide.code, wide.severity) == ("band_incomplete", "caution")
    assert reason(sheet, (2.0, 1250.0)) is None


def counted(samples: list[list[float]], full_scale: str | None, sensor: str | None) -> ClippingCount:
    calibration = Calibration.full_scale(full_scale) if full_scale else Calibration.unit("m/s2")
    origin = Origin("r", calibration=calibration, sensor=SensorFacts(range=sensor))
    return ClippingCount(Recording(np.array(samples), 100.0, ("x", "y"), origin))


@pytest.mark.parametrize(
    ("full_scale", "sensor", "share"),
    [
        ("100 m/s2", None, 3 / 8),  # 99.9, 100 and -100 of x; one of y
        (None, "100 m/s2", 3 / 8),
        ("500 m/s2", "100 m/s2", 3 / 8),  # the lower end counts
        ("100 m/s2", "500 m/s2", 3 / 8),
        ("101 m/s2", None, 0.0),
        (None, None, 0.0),
    ],
)
@pytest.mark.parametrize("size", [1, 3, 100])
def test_clipped_samples_of_the_worst_axis(full_scale: str | None, sensor: str | None, share: float, size: int) -> None:
    x = [0.0, 99.9, 100.0, 0.0, -99.8, -100.0, 50.0, 99.8]
    source = counted([x, [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 100.0, 0.0]], full_scale, sensor)
    blocks = list(source.blocks(size))
    np.testing.assert_array_equal(np.concatenate([b.acceleration for b in blocks], axis=1)[0], x)
    assert source.share == share
    assert (source.sample_rate, source.axes, source.n_samples, source.weighted) == (100.0, ("x", "y"), 8, False)


def test_nothing_read_nothing_clipped() -> None:
    assert counted([[0.0], [0.0]], "1 g", None).share == 0.0
    assert counted([[-100.0, 0.0], [0.0, 0.0]], "100 m/s2", None).share == 0.0  # not read yet
