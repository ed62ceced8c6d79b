"""Named lines of a geared tool whose lines are known by construction."""

from __future__ import annotations

import numpy as np
import pytest

from tests.machine.signals import RATIO, geared_tool, grinder_sheet
from tests.machine.speed.test_estimate import recording
from vibekit.errors import RecordingLimitError, UsageError
from vibekit.machine.lines.names import fitting
from vibekit.machine.lines.table import LineSpectrum, spectrum
from vibekit.machine.train.drivetrain import expected_lines
from vibekit.recording.recording import Recording


def by_name(result: LineSpectrum) -> dict[str, float]:
    return {name: line.frequency_hz for line in result.lines for name in line.names}


@pytest.mark.parametrize("kind", ["amplitude", "order"])
def test_lines_of_a_steady_tool_are_named(kind: str) -> None:
    run = geared_tool("steady", 147.0)
    result = spectrum(recording(run), grinder_sheet(147.0, supply="mains 50 Hz"), kind)  # type: ignore[arg-type]
    names = by_name(result)
    turning = run.hz.mean()
    for name, order in {"spindle 1x": 1, "armature 1x": RATIO, "mesh armature-spindle": 38}.items():
        assert names[name] == pytest.approx(order * turning, rel=0.003)
    loudest = max(result.lines, key=lambda line: line.over_floor_db.max())
    assert loudest.names[0] == "spindle 1x"
    assert loudest.order == pytest.approx(1.0, abs=0.005)
    assert loudest.of == "spindle"


def test_order_spectrum_reads_levels_under_droop_that_frequency_cannot() -> None:
    run = geared_tool("droop", 147.0)
    tool = grinder_sheet(147.0)
    orders = spectrum(recording(run), tool, "order")
    plain = spectrum(recording(run), tool, "amplitude", orders.speed)
    line = next(n for n in orders.lines if "spindle 1x" in n.names)
    turns = np.cumsum(run.hz) / run.sample_rate
    carrier = np.exp(-2j * np.pi * turns)
    true = np.sqrt(2) * np.abs((run.samples * carrier).mean(axis=1))  # the line's r.m.s. by definition
    np.testing.assert_allclose(line.amplitude, true, rtol=0.06)
    assert "lines_smeared" in {n.code for n in plain.notices}
    smeared = max((n.amplitude.max() for n in plain.lines), default=0.0)
    assert smeared < 0.7 * line.amplitude.max()


def test_every_named_line_stands_where_the_sheet_says() -> None:
    result = spectrum(recording(geared_tool("droop", 120.0)), grinder_sheet(120.0), "order")
    expected = {e.name: e.frequency_hz for e in result.expected}
    assert sum(bool(line.names) for line in result.lines) >= 10
    for name, hz in by_name(result).items():
        assert hz == pytest.approx(expected[name], abs=result.resolution_hz)


def test_lines_closer_than_the_resolution_are_not_separable() -> None:
    # 20 teeth on a shaft of 5 turns per spindle turn: its 20th harmonic is the mesh itself, whatever the resolution
    run = geared_tool("steady", 100.0)
    result = spectrum(recording(run), grinder_sheet(100.0), "order")
    both = [n for n in result.lines if {"armature 10x", "mesh armature-spindle -2 armature"} <= set(n.not_separable)]
    for line in both:
        assert line.order == pytest.approx(10 * RATIO, abs=0.02)
    expected = {e.name: e.frequency_hz for e in result.expected}
    assert expected["armature 10x"] == pytest.approx(expected["mesh armature-spindle -2 armature"])  # 12 - 2 = 10


def test_bearing_names_only_where_nothing_tied_fits() -> None:
    lines = expected_lines(grinder_sheet(100.0), {"spindle": 100.0})
    assert fitting(100.2, lines, 1.0)[0] == "spindle 1x"
    assert fitting(117.0, lines, 1.0) == ()
    assert fitting(1300.3, lines, 1.0) == ("spindle 13x",)
    assert fitting(1320.0, lines, 1.0) == ()


def test_envelope_shows_the_rate_of_impacts() -> None:
    rate, seconds = 25600.0, 6.0
    time_s = np.arange(round(rate * seconds)) / rate
    rng = np.random.default_rng(0)
    shaft = 50.0
    since = (time_s * 179.2) % 1.0 / 179.2
    ringing = 3.0 * np.exp(-since * 1500) * np.sin(2 * np.pi * 6100 * since)
    samples = rng.standard_normal((3, time_s.size)) + ringing + 2 * np.sin(2 * np.pi * shaft * time_s)
    result = spectrum(Recording(samples, rate), kind="envelope")
    low, high = result.floored.spectrum.band_hz or (0, 0)
    assert low < 6100 < high
    loudest = max(result.lines, key=lambda line: line.over_floor_db.max())
    assert loudest.frequency_hz / 179.2 == pytest.approx(round(loudest.frequency_hz / 179.2), abs=0.01)


def test_document_has_the_keys_of_the_contract() -> None:
    run = geared_tool("steady", 147.0, seconds=4.0, axes=1)
    data = spectrum(recording(run), grinder_sheet(147.0)).to_dict()
    assert {"document", "version", "resolution_hz", "floor", "lines", "notices"} <= set(data)
    line = data["lines"][0]
    assert {"frequency_hz", "order", "of", "amplitude_mps2", "over_floor_db", "names"} <= set(line)
    assert set(line["amplitude_mps2"]) == {"x", "y", "z"}
    assert line["amplitude_mps2"]["y"] is None


def test_without_a_speed_lines_have_no_names() -> None:
    samples = np.random.default_rng(0).standard_normal((3, 64000))
    result = spectrum(Recording(samples, 6400.0))
    assert "lines_unnamed" in {n.code for n in result.notices}
    assert all(line.order is None and not line.names for line in result.lines)
    with pytest.raises(RecordingLimitError, match="no order spectrum"):
        spectrum(Recording(samples, 6400.0), kind="order")


def test_wrong_requests() -> None:
    with pytest.raises(UsageError, match="kind"):
        spectrum(Recording(np.ones((3, 64000)), 6400.0), kind="power")  # type: ignore[arg-type]
    with pytest.raises(RecordingLimitError, match="too short"):
        spectrum(Recording(np.ones((3, 640)), 6400.0))
