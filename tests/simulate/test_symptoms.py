"""Each built-in fault shows its textbook signature.

Symptom table: Randall, Vibration-based Condition Monitoring (2011); Randall & Antoni, MSSP 25 (2011); Scheffer &
Girdhar (2004); course texts on vibration; most from memory.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.simulate.order_spectrum import Orders, edges, envelope, in_turns
from vibekit.machine.train.drivetrain import BearingOrders, bearing_orders
from vibekit.simulate import SimulatedSession, simulate
from vibekit.simulate.faults import FAULTS

X, Y, Z = 0, 1, 2  # the spindle of an angle grinder lies along x
ARMATURE = 38 / 12  # turns per turn of the spindle
MESH = 38.0


@cache
def run(fault: str = "healthy", seed: int = 3, tool: str = "small-grinder", part: str = "") -> SimulatedSession:
    kinds = {} if fault == "healthy" else {fault + (f"@{part}" if part else ""): FAULTS[fault].default}
    return simulate(tool, seed=seed, duration_s=6, sample_rate=25600, faults=kinds, sensor="ideal")


@cache
def orders(fault: str = "healthy", axis: int = Z, seed: int = 3, tool: str = "small-grinder") -> Orders:
    recording = run(fault, seed, tool).recording
    return Orders(recording.samples[axis], edges(recording))


def rise(fault: str, order: float, axis: int, **which: object) -> float:
    return orders(fault, axis, **which).at(order) / orders("healthy", axis, **which).at(order)  # type: ignore[arg-type]


def test_accessory_imbalance_is_once_per_turn_and_radial() -> None:
    for axis in (Y, Z):
        assert rise("imbalance.accessory", 1, axis) > 5
        waveform = orders("imbalance.accessory", axis)
        assert waveform.at(3) < 0.1 * waveform.at(1), "the waveform stays a sine"
    one = {axis: orders("imbalance.accessory", axis).at(1) for axis in (X, Y, Z)}
    assert one[X] < 0.3 * min(one[Y], one[Z]), "axial 1x is low"


def test_imbalance_turns_about_90_degrees_between_the_radial_axes() -> None:
    recording = run("imbalance.accessory").recording
    marks = edges(recording)
    phase = [np.angle(np.fft.rfft(in_turns(recording.samples[a], marks).mean(axis=0))[1]) for a in (Y, Z)]
    apart = abs((np.degrees(phase[0] - phase[1]) + 180) % 360 - 180)
    assert apart == pytest.approx(90, abs=15)


def test_armature_imbalance_is_once_per_turn_of_the_armature() -> None:
    assert rise("imbalance.armature", ARMATURE, Z) > 3
    assert rise("imbalance.armature", 1, Z) < 1.1


def test_bent_spindle_shows_once_and_twice_per_turn_along_the_spindle() -> None:
    assert rise("spindle.bent", 1, X) > 4
    assert rise("spindle.bent", 2, X) > 4


def test_worn_gear_raises_mesh_harmonics_with_sidebands() -> None:
    which = {"tool": "drill"}  # second stage: 41 per turn of the spindle
    for order in (41, 82, 41 - 41 / 12, 41 + 41 / 12):
        assert rise("gear.wear", order, Y, **which) > 1.5, order


def test_eccentric_gear_raises_sidebands_of_its_own_shaft() -> None:
    for sideband in (MESH - 1, MESH + 1):
        faulty, healthy = orders("gear.eccentric", X), orders("healthy", X)
        assert faulty.at(sideband) / faulty.at(MESH) > 2 * healthy.at(sideband) / healthy.at(MESH)


def test_chipped_tooth_strikes_once_per_turn_of_its_gear_and_fans_out_around_the_mesh() -> None:
    faulty, healthy = orders("gear.tooth", Z, tool="drill"), orders("healthy", Z, tool="drill")
    near = [n for n in range(41 - 15, 41 + 16) if n != 41]  # second stage: 41 per turn of the spindle
    assert sum(faulty.at(n) > 2 * healthy.at(n) for n in near) > 20
    assert faulty.at(41) < 2 * healthy.at(41), "one tooth in 41 hardly moves the mesh line itself"


def test_worn_bushing_makes_a_series_of_harmonics_over_a_raised_floor() -> None:
    faulty, healthy = orders("bushing.worn", Z, seed=15), orders("healthy", Z, seed=15)
    raised = [n for n in range(2, 9) if faulty.at(n) > 3 * healthy.at(n) and faulty.at(n) > 2 * faulty.floor(n, n + 1)]
    assert len(raised) >= 5
    assert faulty.floor(2, 8) > 3 * healthy.floor(2, 8)


def test_worn_bushing_shows_half_orders_in_some_specimens() -> None:
    shown = 0
    for seed in range(6):
        spectrum = orders("bushing.worn", Z, seed)
        shown += any(spectrum.at(n + 0.5, 0.05) > 2 * spectrum.floor(n + 0.1, n + 0.9) for n in range(4))
    assert 1 <= shown <= 5, "sub-harmonics come when the rebound lasts longer than a turn"


def test_worn_bushing_rattles_less_when_the_feed_presses_on_it() -> None:
    kurtosis = {}
    for condition in ("no load", "loaded"):
        session = simulate(seed=3, duration_s=6, condition=condition, faults={"bushing.worn": 0.2}, sensor="ideal")
        healthy = simulate(seed=3, duration_s=6, condition=condition, sensor="ideal")
        kurtosis[condition] = session.clean[Z].std() / healthy.clean[Z].std()
    assert kurtosis["loaded"] < kurtosis["no load"]


FRONT: BearingOrders = bearing_orders(8, 3.97, 17.5)


def envelope_orders(fault: str, low: float = 8500, high: float = 11500) -> Orders:
    recording = run(fault, part="spindle front").recording
    return Orders(envelope(recording.samples[Z], recording.sample_rate, low, high), edges(recording))


SLIPPED = 0.99  # mean slip of 0.5 to 1.5 %
CARRIERS = {
    "bearing.outer_race": (FRONT.outer_race,),
    "bearing.inner_race": (FRONT.inner_race, FRONT.inner_race * SLIPPED - 1, FRONT.inner_race * SLIPPED + 1),
    "bearing.rolling_element": (
        2 * FRONT.rolling_element,
        2 * FRONT.rolling_element * SLIPPED - FRONT.cage,
        2 * FRONT.rolling_element * SLIPPED + FRONT.cage,
    ),
    "bearing.cage": (FRONT.cage,),
}


@pytest.mark.parametrize("fault", CARRIERS)
def test_bearing_faults_show_their_rates_and_sidebands_in_the_envelope(fault: str) -> None:
    band = (2000, 8000) if fault == "bearing.cage" else (8500, 11500)  # a cage knocks softly
    faulty, healthy = envelope_orders(fault, *band), envelope_orders("healthy", *band)
    first, *sidebands = CARRIERS[fault]
    assert faulty.at(first * SLIPPED, 0.012 * first) > 3 * healthy.at(first * SLIPPED, 0.012 * first)
    for order in sidebands:
        assert faulty.at(order, 0.06) > 3 * faulty.floor(order - 0.4, order + 0.4)


def test_outer_race_has_no_sidebands_of_the_shaft() -> None:
    spectrum, rate = envelope_orders("bearing.outer_race"), FRONT.outer_race * SLIPPED
    assert spectrum.at(rate + 1, 0.06) < 0.2 * spectrum.at(rate, 0.06)


def test_loose_handle_makes_many_harmonics_and_a_one_sided_waveform() -> None:
    faulty, healthy = orders("mount.loose", Y), orders("healthy", Y)
    assert sum(faulty.at(n) > 3 * healthy.at(n) for n in range(2, 9)) >= 5
    samples = run("mount.loose").recording.samples[Y]
    skewness = np.mean((samples - samples.mean()) ** 3) / samples.std() ** 3
    assert abs(skewness) > 0.5


def test_bad_commutator_bar_kicks_the_brushes_twice_per_turn_of_the_armature() -> None:
    assert sum(rise("electrical.commutation", 2 * n * ARMATURE, Z) > 2 for n in range(1, 8)) >= 5


def test_mains_pull_stands_at_twice_the_mains_frequency_whatever_the_speed() -> None:
    def line(fault: str) -> float:
        samples = run(fault).recording.samples
        f = np.fft.rfftfreq(samples.shape[1], 1 / 25600)
        spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.shape[1]))) * 4 / samples.shape[1]
        return float(spectrum[:, np.abs(f - 100) < 0.5].max())

    assert line("electrical.mains") > 3 * line("healthy")


def test_resonance_amplifies_the_shaft_that_meets_it_and_little_else() -> None:
    assert rise("resonance", 1, Z) > 2
    assert rise("resonance", ARMATURE, Z) < 0.8 * rise("resonance", 1, Z)
    assert rise("resonance", MESH, Z) < 1.1


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_of_the_list_changes_the_signal_and_grows_with_its_size(fault: str) -> None:
    def change(size: float) -> float:
        faulty = simulate(seed=5, duration_s=2, sample_rate=25600, faults={fault: size}, sensor="ideal")
        healthy = simulate(seed=5, duration_s=2, sample_rate=25600, sensor="ideal")
        return float(np.std(faulty.clean - healthy.clean))

    small, large = change(0.5 * FAULTS[fault].default), change(FAULTS[fault].default)
    assert large > 0
    if fault not in ("bushing.worn", "mount.loose", "resonance"):  # play and resonance are not proportional
        assert large > 1.3 * small
