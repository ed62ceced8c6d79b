"""The row of a graded recording: a tone of known size, its cuts in time, and what cannot be given."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import vibekit as vk
from tests.documents import notice_of, sound
from vibekit.errors import UsageError
from vibekit.handarm import uncertainty as unc
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.toolsheet import ToolSheet

RATE = 6400.0
TAG = ToolSheet("T-1")
FACTS = RecordingFacts(condition="loaded", position="rear handle", operator="A", run=2, calibration_uncertainty_pct=3.0)


def tone(seconds: float = 12.0, hz: float = 100.0, rms: tuple[float, ...] = (3.0, 2.0, 1.0)) -> np.ndarray:
    time = np.arange(round(seconds * RATE)) / RATE
    return np.stack([a * np.sqrt(2) * np.sin(2 * np.pi * hz * time + i) for i, a in enumerate(rms)])


def graded(samples: np.ndarray, axes: tuple[str, ...] = ("x", "y", "z"), **origin: Any) -> vk.VibrationMagnitude:
    return vk.grade(Recording(samples, RATE, axes, Origin("run.wav", **origin)))


def factors(hz: float) -> tuple[float, float]:
    """Return |Wh| and its band-limiting part, ISO 5349-1:2001 eq. A.1 and A.2, worked out here."""
    s = 2j * np.pi * hz
    w1, w2, w3 = 2 * np.pi * 10**0.8, 2 * np.pi * 10**3.1, 100.0
    q = 2**0.5
    band = s**2 * w2**2 / ((s**2 + q * w1 * s + w1**2) * (s**2 + q * w2 * s + w2**2))
    return abs(band * (s + w3) * w3 / (s**2 + w3 / 0.64 * s + w3**2)), abs(band)


def test_a_tone_in_every_field_of_its_row() -> None:
    """3, 2 and 1 m/s² r.m.s. at 100 Hz: total sqrt(14), peak sqrt(2) times the r.m.s., one band holds it all."""
    notice = vk.Notice("own", "info", "from the reader")
    found = graded(tone(), facts=FACTS, tool=TAG, notices=(notice,), sensor=SensorFacts(band_hz=(2.0, 1300.0)))
    document = sound(found.to_dict(), "grade")
    (row,) = document["recordings"]
    assert row.pop("states") == [{"state": "on", "time_s": 12.0, "a_hv_mps2": row["a_hv_mps2"]}]
    assert (row.pop("energy_outside_pct"), row.pop("trigger_on_high_s")) == (0.0, 12.0)
    weighted, limited = factors(100.0)
    total = 14**0.5 * weighted
    centre = row.pop("third_octave")
    assert [n["code"] for n in row.pop("notices")] == ["own"]
    parts = row.pop("uncertainty_budget")
    by_name = {part["name"]: part["standard_pct"] for part in parts}
    assert by_name["calibration"] == pytest.approx(1.5)  # 3 % with k = 2
    for part in (unc.MOUNTING, unc.ALIGNMENT, unc.POSITION, unc.OPERATOR, unc.REPEATABILITY):
        assert by_name[part.name] == pytest.approx(100 * part.relative)
    doubt = 2 * total * sum((pct / 100) ** 2 for pct in by_name.values()) ** 0.5  # JCGM 100:2008 eq. 12 and 18
    assert row.pop("checks") == {"verdict": "sound", "not_passed": []}
    by_axis = {
        "a_hw_mps2": [3 * weighted, 2 * weighted, weighted],
        "a_band_limited_mps2": [3 * limited, 2 * limited, limited],
        "peak_mps2": [3 * 2**0.5 * limited, 2 * 2**0.5 * limited, 2**0.5 * limited],
        "crest_factor": [2**0.5] * 3,
    }
    for name, values in by_axis.items():
        got = row.pop(name)
        assert list(got) == ["x", "y", "z"]
        assert list(got.values()) == pytest.approx(values, rel=0.01), name
    assert row == {
        "file": "run.wav",
        "tool": "T-1",
        "condition": "loaded",
        "position": "rear handle",
        "hand": None,
        "operator": "A",
        "run": 2,
        "duration_s": 12.0,
        "trigger_on_s": 12.0,
        "sample_rate_hz": RATE,
        "band_covered_hz": [2.0, 1300.0],
        "gradeable": True,
        "weighting": "Wh",
        "a_hv_mps2": pytest.approx(total, rel=0.005),
        "running_max_mps2": pytest.approx(total, rel=0.005),
        "expanded_uncertainty_mps2": pytest.approx(doubt, rel=0.005),
        "coverage_factor": 2.0,
        "effective_degrees_of_freedom": None,
        "missing_axes_factor": None,
        "test_code": None,
    }
    assert set(centre) == {"centre_hz", "x_mps2", "y_mps2", "z_mps2"}
    assert len(centre["centre_hz"]) == 24
    place = centre["centre_hz"].index(100.0)
    for axis, rms in (("x", 3.0), ("y", 2.0), ("z", 1.0)):
        assert centre[f"{axis}_mps2"][place] == pytest.approx(rms, rel=0.01)
        assert sum(v**2 for v in centre[f"{axis}_mps2"]) == pytest.approx(rms**2, rel=0.02)


def test_a_stated_tool_wins_and_weighted_recordings_are_refused() -> None:
    recording = Recording(tone(), RATE, origin=Origin("run.wav", tool=TAG))
    assert vk.grade(recording, ToolSheet("T-2")).tool == "T-2"
    assert graded(tone()).tool is None
    with pytest.raises(UsageError, match=r"run\.wav: is weighted already"):
        vk.grade(vk.weight(recording))
    with pytest.raises(UsageError, match=r"^recording: is weighted already"):
        vk.grade(Recording(tone(), RATE, weighted=True))


@pytest.mark.parametrize(("axes", "rows"), [(("x",), [0]), (("z", "x"), [0, 2])])
def test_missing_axes(axes: tuple[str, ...], rows: list[int]) -> None:
    """ISO 5349-1:2001 4.5 (from memory): 1.7 times the dominant axis at most, if that was measured."""
    found = graded(tone()[rows], axes)
    row = found.row()
    dominant = factors(100.0)[0] * 3.0
    assert row["a_hv_mps2"] == pytest.approx(1.7 * dominant, rel=0.005)
    assert row["running_max_mps2"] is not None
    missing = {"x", "y", "z"} - set(axes)
    for name in ("a_hw_mps2", "a_band_limited_mps2", "peak_mps2", "crest_factor"):
        assert {axis for axis, value in row[name].items() if value is None} == missing
    assert {axis for axis in "xyz" if row["third_octave"][f"{axis}_mps2"] is None} == missing
    notice = notice_of(found.notices, "axes_missing")
    assert (notice.severity, notice.value, notice.limit) == ("caution", len(axes), 3)
    assert f"only axis {', '.join(sorted(axes))} measured" in notice.message and notice.remedy
    part = next(p for p in found.budget if p.name == "missing axes")
    assert part.relative > 0.3 and "no source" in part.origin and part.cause == "position"


@pytest.mark.parametrize(("slow", "near"), [(0.0, False), (0.3, False), (0.6, True)])
def test_a_floor_that_the_weighting_leaves_standing_is_said(slow: float, near: bool) -> None:
    """30 m/s² at 400 Hz for 12 s, on a floor that shakes at 10 Hz: a tenth of the level, and more for the hand."""
    t = np.arange(24 * RATE) / RATE
    on = (t > 6) & (t < 18)
    wave = 2**0.5 * (30.0 * np.sin(2 * np.pi * 400 * t) * on + slow * np.sin(2 * np.pi * 10 * t))
    found = graded(np.stack([wave, 1e-3 * np.cos(t), 1e-3 * np.sin(t)]))
    tool, floor = factors(400.0)[0] * 30.0, factors(10.0)[0] * slow
    assert found.a_hv_mps2 == pytest.approx(math.hypot(tool, floor), rel=0.02)
    said = [notice for notice in found.notices if notice.code == "near_background"]
    assert bool(said) == near
    if said:
        assert said[0].value == pytest.approx(math.hypot(tool, floor) / floor, rel=0.03)
        assert said[0].severity == "caution"


def test_what_is_not_gradeable_keeps_what_is_known() -> None:
    found = graded(tone(1.5))
    row = sound(found.to_dict(), "grade")["recordings"][0]
    assert row["gradeable"] is False
    for name in ("a_hv_mps2", "running_max_mps2", "expanded_uncertainty_mps2"):
        assert row[name] is None
    for name in ("a_hw_mps2", "a_band_limited_mps2", "crest_factor"):
        assert set(row[name].values()) == {None}
    assert row["peak_mps2"]["x"] == pytest.approx(3 * 2**0.5 * factors(100.0)[1], rel=0.02)
    assert (row["duration_s"], row["trigger_on_s"]) == (1.5, 1.5)


def test_silence_has_no_crest() -> None:
    assert set(graded(np.zeros((3, 64_000))).crest_factor.values()) == {None}


def test_a_tool_switched_on_in_the_midst() -> None:
    """6 s off, 12 s on, 6 s off; the time is said, the level is that of the time on, the peak no bump while off."""
    off = 0.001 * np.random.default_rng(1).standard_normal((3, round(6 * RATE)))
    bump = off.copy()
    bump[:, 19200:19220] = 400.0
    found = graded(np.concatenate([bump, tone(), off], axis=1))
    assert found.trigger_on_s == pytest.approx(12.0, abs=0.3)
    assert found.duration_s == 24.0
    assert found.a_hv_mps2 == pytest.approx(14**0.5 * factors(100.0)[0], rel=0.02)
    assert found.running_max_mps2 == pytest.approx(14**0.5 * factors(100.0)[0], rel=0.02)
    assert found.peak_mps2["x"] == pytest.approx(3 * 2**0.5, rel=0.1)
    notice = notice_of(found.notices, "trigger_on_part")
    assert notice.severity == "info" and notice.value == pytest.approx(found.trigger_on_s)
    assert f"{found.trigger_on_s:.1f} s" in notice.message
    place = found.third_octave.centre_hz.index(100.0)
    assert found.third_octave.values[0, place] == pytest.approx(3.0, rel=0.03)
    assert "trigger_on_part" not in {n.code for n in graded(tone()).notices}


def test_the_start_up_of_the_filter_does_not_count() -> None:
    """A recording that is cut into the full motion: at 6.3 Hz the filter needs 0.3 s to swing in."""
    settled = graded(tone(12.0, 8.0)).a_hv_mps2
    assert settled == pytest.approx(14**0.5 * factors(8.0)[0], rel=2e-3)
    assert graded(tone(2.4, 8.0)).a_hv_mps2 == pytest.approx(settled, rel=0.02)


def test_progress_is_told() -> None:
    told: list[float] = []
    vk.grade(Recording(tone(100.0), RATE), progress=told.append)
    assert told == sorted(told) and told[-1] == 1.0 and len(told) >= 2
