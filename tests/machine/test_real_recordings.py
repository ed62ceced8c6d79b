"""Speed and lines of open recordings that nobody here made; skipped where VIBEKIT_REAL_DATA names no folder.

Sources and what is known of each stand in the folder's own README files: bearing test rigs of two publishers (speed
in the file, or 25 Hz stated), a two-shaft gear rig (33.33 Hz, 23 and 46 teeth, mesh 766.6 Hz), a phone on a
washing machine in spin (19.15 Hz late in the record, 16.65 Hz before, read by the author).
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import io

import vibekit as vk
from vibekit.machine.spectra.cepstrum import line_spacing
from vibekit.machine.spectra.reading import read_line, with_floor
from vibekit.machine.spectra.spectrum import amplitude_spectrum
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import ToolSheet, parse_tool
from vibekit.units import STANDARD_GRAVITY

FOLDER = Path(os.environ.get("VIBEKIT_REAL_DATA", "/nowhere"))
pytestmark = pytest.mark.skipif("VIBEKIT_REAL_DATA" not in os.environ, reason="real recordings are not here")

BEARING_A = [("48k_normal_0hp_97", 48000.0), ("12k_DE_IR007_0hp_105", 12000.0), ("12k_DE_OR007at6_0hp_130", 12000.0)]


def sheet(name: str, rated_rpm: float, **more: Any) -> ToolSheet:
    return parse_tool({"tool": {"tag": "rig"}, "shaft": [{"name": name, "rated_rpm": rated_rpm}], **more}, "test")


def one_axis(samples: np.ndarray, sample_rate: float) -> Recording:
    return Recording(np.atleast_2d(samples.ravel()) * STANDARD_GRAVITY, sample_rate, ("x",))


@pytest.mark.parametrize(("name", "sample_rate"), BEARING_A)
@pytest.mark.parametrize("place", ["DE", "FE", "BA"])
def test_bearing_rig_a(name: str, sample_rate: float, place: str) -> None:
    data = io.loadmat(FOLDER / "bearing_a" / f"{name}.mat")
    stated = [float(v[0, 0]) for k, v in data.items() if k.endswith("RPM")]
    true = stated[0] if stated else 1796.0
    channel = next((v for k, v in data.items() if k.endswith(f"{place}_time")), None)
    if channel is None:
        pytest.skip("the file has no such channel")
    found = vk.estimate_speed(one_axis(channel, sample_rate), sheet("motor", 1800.0))
    # the base plate is the far point: its lines are faint, the coarse path carries half of its frames
    assert 60 * found.shaft_hz["motor"] == pytest.approx(true, rel=0.005 if place == "BA" else 0.003)


@pytest.mark.parametrize("name", ["InnerRaceFault_vload_1", "InnerRaceFault_vload_5", "OuterRaceFault_vload_1"])
def test_bearing_rig_b(name: str) -> None:
    data = io.loadmat(FOLDER / "bearing_b" / f"{name}.mat")["bearing"][0, 0]
    found = vk.estimate_speed(one_axis(data["gs"], float(data["sr"][0, 0])), sheet("shaft", 1500.0))
    # 25 Hz is nominal: the bearing's lines lie 0.6 to 1.4 % below theory; a refusal is right where nothing stands
    if found.known:
        assert found.shaft_hz["shaft"] == pytest.approx(25.0, rel=0.015)
    else:
        assert found.notices[0].code == "no_speed"


def gear() -> Recording:
    return one_axis(io.loadmat(FOLDER / "gear" / "Chan6.mat")["Data1"], 25600.0)


def gear_sheet(**teeth: int) -> ToolSheet:
    data = {
        "tool": {"tag": "rig"},
        "shaft": [{"name": "pinion", "rated_rpm": 2000}, {"name": "wheel"}],
        "mesh": [{"driver": "pinion", "driven": "wheel", **teeth}],
    }
    return parse_tool(data, "test")


@pytest.mark.filterwarnings("ignore:Duplicate variable")
def test_gear_rig() -> None:
    tool = gear_sheet(driver_teeth=23, driven_teeth=46)
    result = vk.spectrum(gear(), tool, "order")
    assert result.speed is not None
    assert result.speed.shaft_hz["pinion"] == pytest.approx(33.333, rel=0.002)
    assert result.speed.shaft_hz["wheel"] == pytest.approx(16.667, rel=0.002)
    named = {name: line.frequency_hz for line in result.lines for name in line.names}
    assert named["mesh pinion-wheel"] == pytest.approx(766.6, rel=0.002)


@pytest.mark.filterwarnings("ignore:Duplicate variable")
def test_gear_rig_sidebands() -> None:
    floored = with_floor(amplitude_spectrum(gear().samples, 25600.0, 0.3))
    mesh = read_line(floored, 766.6, 0.002)
    assert mesh.found
    found = line_spacing(floored, 10.0, 50.0, (600.0, 2500.0))  # mesh and its harmonics
    assert found is not None
    assert min(abs(found.spacing / known - 1) for known in (16.67, 33.33)) < 0.02


def test_phone_on_a_washing_machine() -> None:
    recording = vk.read(FOLDER / "phone" / "washer_spin_phone.csv", unit="g", tool=sheet("drum", 1200.0))
    found = vk.estimate_speed(recording)
    late = (found.time_s > 390) & (found.time_s < 430)
    before = (found.time_s > 275) & (found.time_s < 350)
    assert np.nanmedian(found.hz[late]) == pytest.approx(19.15, rel=0.005)
    assert np.nanmedian(found.hz[before]) == pytest.approx(16.65, rel=0.005)
    unknown = vk.estimate_speed(vk.read(FOLDER / "phone" / "washer_spin_phone.csv", unit="g"))
    assert not unknown.known  # without a rated speed a line folded at 203 samples/s would look the same


RATES = {
    "inner": 1.0,
    "outer": -1.0,
}  # sign of the element's share of the pitch circle (Randall & Antoni 2011, eq. 1, 2)


def envelope_top(recording: Recording, rated_rpm: float, elements: int, mm: tuple[float, float], race: str) -> float:
    """Return the clearest line that is in step with no shaft over the race's rate, or its double or triple."""
    bearing = {"name": "b", "shaft": "s", "kind": "ball", "balls": elements, "ball_mm": mm[0], "pitch_mm": mm[1]}
    result = vk.spectrum(recording, sheet("s", rated_rpm, bearing=[bearing]), "envelope")
    turning = result.speed.shaft_hz["s"] if result.speed and result.speed.known else rated_rpm / 60.0
    orders = [(line.over_floor_db.max(), line.frequency_hz / turning) for line in result.lines]
    off_step = [(height, order) for height, order in orders if abs(order - round(order)) > 0.03]
    times = max(off_step)[1] / (elements / 2.0 * (1.0 + RATES[race] * mm[0] / mm[1]))
    return times / min(max(1, round(times)), 3)


@pytest.mark.parametrize("place", ["DE", "FE", "BA"])
@pytest.mark.parametrize(("name", "race"), [("12k_DE_IR007_0hp_105", "inner"), ("12k_DE_OR007at6_0hp_130", "outer")])
def test_the_race_that_is_spalled_leads_the_envelope_on_rig_a(name: str, race: str, place: str) -> None:
    data = io.loadmat(FOLDER / "bearing_a" / f"{name}.mat")
    channel = next(v for k, v in data.items() if k.endswith(f"{place}_time"))
    inch = (0.3126 * 25.4, 1.537 * 25.4)  # 6205, folder's README
    assert envelope_top(one_axis(channel, 12000.0), 1797.0, 9, inch, race) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("name", ["InnerRaceFault_vload_1", "InnerRaceFault_vload_5", "OuterRaceFault_vload_1"])
def test_the_race_that_is_spalled_leads_the_envelope_on_rig_b(name: str) -> None:
    data = io.loadmat(FOLDER / "bearing_b" / f"{name}.mat")["bearing"][0, 0]
    recording = one_axis(data["gs"], float(data["sr"][0, 0]))
    inch = (0.235 * 25.4, 1.245 * 25.4)  # folder's README
    assert envelope_top(recording, 1500.0, 8, inch, name[:5].lower()) == pytest.approx(1.0, abs=0.02)
