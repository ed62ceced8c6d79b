"""Sideband families: a gear off centre modulates the mesh once per its turn (McFadden 1986, from memory)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import vibekit as vk
from vibekit.machine.lines.sidebands import SidebandRow, sideband_families
from vibekit.machine.spectra.reading import with_floor
from vibekit.machine.spectra.spectrum import amplitude_spectrum
from vibekit.recording.toolsheet import parse_tool
from vibekit.simulate.session import simulate

RATE, PINION_HZ, TEETH = 8192.0, 50.0, 20
SHEET = {
    "tool": {"tag": "T-1"},
    "shaft": [{"name": "pinion", "rated_rpm": 3000}, {"name": "wheel"}],
    "mesh": [{"driver": "pinion", "driven": "wheel", "driver_teeth": TEETH, "driven_teeth": 50}],
}


def families(modulator_hz: float, depth: float) -> tuple[SidebandRow, ...]:
    """Return the families of a mesh of 1000 Hz, r.m.s. 1 m/s², its amplitude modulated by three harmonics."""
    tool = parse_tool(SHEET, "sheet")
    time = np.arange(int(30 * RATE)) / RATE
    envelope = 1.0 + depth * sum(np.cos(2 * np.pi * n * modulator_hz * time + n) for n in (1, 2, 3))
    mesh = np.sqrt(2.0) * envelope * np.cos(2 * np.pi * TEETH * PINION_HZ * time)
    shaft = 0.5 * np.cos(2 * np.pi * PINION_HZ * time)
    samples = (mesh + shaft + 0.02 * np.random.default_rng(1).standard_normal(time.size))[None, :]
    tach = (np.mod(PINION_HZ * time, 1.0) < 0.5).astype(float)
    recording = vk.Recording(samples, RATE, ("x",), simulate("small-grinder", seed=1, duration_s=2.0).recording.origin)
    facts = replace(recording.origin.facts, tach_shaft="pinion", tach_pulses_per_rev=1)
    recording = replace(recording, tach=tach, origin=replace(recording.origin, facts=facts, tool=tool))
    speed = vk.estimate_speed(recording, tool)
    return sideband_families(with_floor(amplitude_spectrum(samples, RATE)), 1.0, tool, speed.shaft_hz)


@pytest.mark.parametrize(("modulator", "shaft"), [(20.0, "wheel"), (50.0, "pinion")])
def test_the_spacing_names_the_gear_and_its_depth_is_read(modulator: float, shaft: str) -> None:
    (found,) = families(modulator, 0.2)
    assert found.of == shaft
    assert found.spacing_hz == pytest.approx(modulator, rel=0.02)
    assert found.found == 6
    # amplitude modulation of depth m: two sidebands of m/2 each, per harmonic; r.m.s. sum over three: m·sqrt(3/2)
    assert found.ratio == pytest.approx(0.2 * np.sqrt(1.5), rel=0.02)


def test_a_smooth_mesh_has_no_family() -> None:
    assert families(20.0, 0.0) == ()


def test_a_chipped_tooth_of_a_simulated_tool_stands_at_the_spindles_rate() -> None:
    recording = simulate("small-grinder", seed=5, faults={"gear.tooth": 0.5}, duration_s=8.0).recording
    document = vk.spectrum(recording, kind="order").to_dict()
    (family,) = document["sideband_families"]
    assert family["of"] == "spindle"
    assert family["sidebands_found"] >= 4
