"""Band, folding and clipping ceilings against the published tables."""

from __future__ import annotations

import numpy as np
import pytest

from tests.reference import rows
from vibekit.handarm.weighting import weighting_factor
from vibekit.recording.limits import band_covered, folded_hz, lines_beyond
from vibekit.recording.plan import plan_sensor
from vibekit.recording.timing import Timing
from vibekit.recording.toolsheet import ToolSheet, parse_tool


def tool(rpm: float, **more: object) -> ToolSheet:
    return parse_tool({"tool": {"tag": "T", **more}, "shaft": [{"name": "spindle", "rated_rpm": rpm}]}, "sheet")


@pytest.mark.parametrize("row", rows("alias_effect"), ids=lambda r: f"{r['fs_hz']} Hz, {r['rpm']} rpm")
def test_lines_fold_to_the_tabulated_frequency(row: dict[str, str]) -> None:
    """alias_effect.csv, computed from the sampling theorem."""
    found = folded_hz(float(row["true_hz"]), float(row["fs_hz"]))
    assert found == pytest.approx(float(row["apparent_hz"]), abs=0.001)
    beyond = lines_beyond(tool(float(row["rpm"])), band_covered(float(row["fs_hz"]), None, None))
    if row["below_nyquist"] == "no":
        assert ("spindle 1x", pytest.approx(float(row["true_hz"]), abs=0.001)) in beyond


def test_folding_is_what_sampling_does() -> None:
    n = np.arange(4000)
    for frequency, rate in ((183.3, 100.0), (466.7, 400.0), (141.7, 400.0)):
        spectrum = np.abs(np.fft.rfft(np.sin(2 * np.pi * frequency * n / rate) * np.hanning(4000)))
        assert np.argmax(spectrum) * rate / 4000 == pytest.approx(folded_hz(frequency, rate), abs=rate / 4000)


@pytest.mark.parametrize("row", rows("clip_ceiling"), ids=lambda r: f"{r['full_scale_g']} g, {r['rpm']} rpm")
def test_clipping_ceilings(row: dict[str, str]) -> None:
    """clip_ceiling.csv: range / sqrt(2) r.m.s., weighted by Wh at the line."""
    reach = float(row["full_scale_g"]) * 9.80665
    plan = plan_sensor(tool(float(row["rpm"])), 6400, reach, None, lambda hz: float(weighting_factor(hz)))
    line = plan.lines[0]
    assert line.frequency_hz == pytest.approx(float(row["hz"]), abs=0.001)
    assert line.max_rms_mps2 == pytest.approx(float(row["max_unclipped_sine_rms_m_s2"]), rel=1e-4)
    assert line.wh == pytest.approx(float(row["Wh"]), abs=6e-6)
    assert line.max_weighted_mps2 == pytest.approx(float(row["max_weighted_rms_m_s2"]), abs=6e-4)


def test_band_of_instrument_phone_and_stated_sensor() -> None:
    phone = Timing(200.0, 0.005, 0.001, 0.03, (), 0, True)
    assert band_covered(6400, None, None) == (0.0, pytest.approx(2880))
    assert band_covered(200, None, phone) == (0.0, pytest.approx(80))
    assert band_covered(6400, (2, 1000), None) == (2.0, 1000.0)
    assert band_covered(6400, (2, 5000), None) == (2.0, pytest.approx(2880))


def test_lines_above_1250_hz_do_not_count_for_the_hand() -> None:
    assert lines_beyond(tool(90000), (0.0, 1000.0)) == []
    assert lines_beyond(None, (0.0, 1.0)) == []
    assert lines_beyond(tool(66000), (0.0, 1000.0)) == [("spindle 1x", pytest.approx(1100.0))]


def test_plan_says_what_cannot_be_seen() -> None:
    plan = plan_sensor(
        tool(11000, declared_vibration_mps2=6.0), 400, 39.2, None, lambda hz: float(weighting_factor(hz))
    )
    codes = {n.code: n.severity for n in plan.notices}
    assert codes == {"band_misses_lines": "refusal", "range_too_small": "caution", "band_incomplete": "caution"}
    assert plan.to_dict()["plan"]["lines"][0]["folds_to_hz"] is None
