"""The parts of the simulation against tables, textbook formulas and Newton."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.reference import rows
from tests.simulate.order_spectrum import Orders, edges
from vibekit.machine.train.drivetrain import bearing_orders
from vibekit.recording.toolsheet import Mesh, Shaft, ToolSheet
from vibekit.simulate import simulate
from vibekit.simulate.drive import torque_for
from vibekit.simulate.forces import unbalance_force
from vibekit.simulate.gears import GEAR_MASS_KG, TOOTH_STIFFNESS, dynamic_force
from vibekit.simulate.impacts import event_turns, half_sine, impulse_train, load_zone
from vibekit.simulate.path import HAND_MASS_KG, Force, Mode, accelerances, handle_spectrum, modes_of
from vibekit.simulate.presets import PRESETS, SMALL_GRINDER
from vibekit.simulate.rattle import Play, Seat, bounce
from vibekit.simulate.specimen import make_specimen, permissible_g_mm_per_kg
from vibekit.simulate.truth import weighting_gain

RATE = 25600.0


@pytest.mark.parametrize("row", rows("unbalance_force"), ids=lambda r: f"{r['U_g_mm']} g·mm {r['rpm']}")
def test_unbalance_force_against_table(row: dict[str, str]) -> None:
    force = unbalance_force(float(row["U_g_mm"]), float(row["rpm"]) / 60)
    assert force == pytest.approx(float(row["F_N=U*1e-6*omega^2"]), rel=1e-3)


@pytest.mark.parametrize("row", rows("balance_eper"), ids=lambda r: f"G{r['G_mm_s']} {r['rpm']}")
def test_permissible_unbalance_against_table(row: dict[str, str]) -> None:
    value = permissible_g_mm_per_kg(float(row["G_mm_s"]), float(row["rpm"]))
    assert value == pytest.approx(float(row["e_per_g_mm_per_kg"]), abs=6e-5)


def test_healthy_armatures_keep_the_grade_of_small_motors() -> None:
    """ISO 21940-11:2016 Table 1: G 6.3 for motors below 80 mm shaft height; most specimens lie within it."""
    limit = 0.35 * permissible_g_mm_per_kg(6.3, 30400)
    residual = [make_specimen(SMALL_GRINDER, (), seed).rotors[1].unbalance_g_mm for seed in range(100)]
    assert np.mean(np.array(residual) < limit) > 0.9


def test_the_weighting_of_the_truth_matches_the_printed_factors() -> None:
    """ISO 5349-1:2001 Table A.2, rows whose factor was read in print, to the last printed figure."""
    for row in rows("wh_weighting"):
        gain = abs(weighting_gain(np.array([float(row["exact_hz_10^(n/10)"])]))[0])
        assert gain == pytest.approx(float(row["analogue_factor_computed"]), rel=1e-4)
        if row["table_status"] == "found":
            assert gain == pytest.approx(float(row["table_A2_factor"]), rel=5e-3)


def test_between_hand_and_housing_modes_the_tool_moves_as_a_free_body() -> None:
    """Newton: a = F/m for a force through the handle's own direction, well above the hand's and below other modes."""
    specimen = make_specimen(SMALL_GRINDER, (), 1)
    rigid = modes_of(specimen)[1]  # along the body grip, no lever
    gain = abs(accelerances([rigid], np.array([150.0]))[0, 0])
    assert gain == pytest.approx(1 / (specimen.mass_kg + HAND_MASS_KG), rel=0.02)


def test_impulses_keep_their_momentum_wherever_they_fall_between_samples() -> None:
    times = 0.1 + np.linspace(0, 1 / RATE, 9)
    for t in times:
        train = impulse_train(np.array([t]), np.array([0.02]), 8192, RATE)
        assert train.sum() / RATE == pytest.approx(0.02, rel=2e-3)
        assert (np.arange(8192) * train).sum() / train.sum() / RATE == pytest.approx(t, abs=0.05 / RATE)


def test_half_sine_spectrum_is_the_integral_of_the_pulse() -> None:
    """Against direct quadrature of the Fourier integral of π/2T·sin(πt/T)."""
    duration = 2e-4
    t = (np.arange(20000) + 0.5) / 20000 * duration
    pulse = math.pi / (2 * duration) * np.sin(math.pi * t / duration)
    for f in (0.0, 700.0, 2500.0, 2600.0, 9000.0):
        direct = abs(np.sum(pulse * np.exp(-2j * math.pi * f * t)) * duration / 20000)
        assert abs(half_sine(duration)(np.array([f]))[0]) == pytest.approx(direct, abs=1e-4)


def test_energy_of_an_impact_train_through_one_mode() -> None:
    """Mean square velocity of a lightly damped oscillator under N impulses J a second: N·J²/(4ζω·m²).

    Each impulse starts v = J/m·exp(-ζωt)·cos(ωt), whose square integrates to (J/m)²/(4ζω) (textbook, for small ζ).
    """
    mode = Mode(2000.0, 0.02, 0.5, (1.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    n, impulse, rate_hz = 1 << 18, 2e-3, 21.3  # each has died away before the next
    times = np.arange(0.05, n / RATE - 0.1, 1 / rate_hz)
    train = impulse_train(times, np.full(times.size, impulse), n, RATE)
    spectrum = handle_spectrum([Force(train, "head", (1.0, 0.0, 0.0))], [mode], n, RATE)[0]
    f = np.fft.rfftfreq(n, 1 / RATE)
    velocity = np.fft.irfft(np.concatenate([[0.0], spectrum[1:] / (2j * np.pi * f[1:])]), n)
    w = 2 * math.pi * mode.hz
    expected = times.size / (n / RATE) * (impulse / mode.mass_kg) ** 2 / (4 * mode.damping * w)
    assert np.mean(velocity**2) == pytest.approx(expected, rel=0.02)


def test_tooth_force_follows_slow_errors_and_squeezes_quick_ones() -> None:
    """Two inertias on a spring: m·ω²·e far below their resonance, k·e far above it."""
    slow, quick = 20.0, 40000.0
    assert abs(dynamic_force(np.array([slow]))[0]) == pytest.approx(GEAR_MASS_KG * (2 * math.pi * slow) ** 2, rel=0.01)
    assert abs(dynamic_force(np.array([quick]))[0]) == pytest.approx(TOOTH_STIFFNESS, rel=0.02)


@pytest.mark.parametrize("row", [r for r in rows("gears") if "drill" not in r["case"]], ids=lambda r: r["case"])
def test_mesh_lines_stand_where_published_gear_examples_have_them(row: dict[str, str]) -> None:
    tool = ToolSheet(
        "G-1",
        shafts=(Shaft("pinion", rated_rpm=float(row["pinion_rpm"])), Shaft("wheel")),
        meshes=(Mesh("pinion", "wheel", int(row["Zp"]), int(row["Zg"])),),
    )
    session = simulate(tool, seed=2, duration_s=6, sensor="ideal", tach_shaft="pinion")
    spectrum = Orders(session.recording.samples[2], edges(session.recording))
    order = float(row["GMF_hz=Zp*fp"]) / float(row["pinion_hz"])
    assert spectrum.at(order) > 10 * spectrum.floor(order - 0.9, order + 0.9)
    ratio = session.truth["shafts"]["wheel"]["mean_rpm"] / session.truth["shafts"]["pinion"]["mean_rpm"]
    assert ratio == pytest.approx(float(row["wheel_hz"]) / float(row["pinion_hz"]), rel=1e-5)


@pytest.mark.parametrize("row", [r for r in rows("bearings") if r["published"]], ids=lambda r: r["bearing"][:10])
def test_impacts_come_at_published_bearing_rates_less_the_slip(row: dict[str, str]) -> None:
    """Rates printed for well-known test bearings (from memory); slip of 0.5 to 1.5 % (Randall & Antoni 2011)."""
    orders = bearing_orders(int(row["n"]), float(row["d"]), float(row["D"]), float(row["contact_deg"]))
    order = {
        "BPFO": orders.outer_race,
        "BPFI": orders.inner_race,
        "FTF": orders.cage,
        "BSF": orders.rolling_element,
        "BSF2": 2 * orders.rolling_element,
    }[row["quantity"]]
    events = event_turns(order, 4000.0, np.random.Generator(np.random.PCG64(1)))
    published = float(row["published"]) / float(row["shaft_hz"])
    assert 0.982 < events.size / 4000.0 / published < 0.997


def test_load_zone_is_half_the_ring() -> None:
    """Stribeck with half the ring loaded: full at the load, nothing of its own beyond 90° (Harris, from memory)."""
    assert load_zone(np.array([0.0]))[0] == 1.0
    assert load_zone(np.array([math.pi / 2]))[0] == load_zone(np.array([math.pi]))[0] < 0.1


def steady(hz: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    n = int(seconds * RATE)
    return np.arange(n) * hz / RATE, np.full(n, hz)


def bounced(swing: float, rest: float, gap_m: float, seconds: float = 4.0) -> Play:
    turns, hz = steady(150.0, seconds)
    seat = Seat(0.3, np.full(turns.size, swing), np.full(turns.size, rest), gap_m, 0.35, 2e-4)
    return bounce(turns, hz, seat, RATE, np.random.Generator(np.random.PCG64(7)))


def test_a_part_pressed_harder_than_it_is_shaken_never_lifts() -> None:
    play = bounced(9.0, 12.0, 2e-4)
    assert play.times.size == 0 and not play.flights


def test_a_shaken_part_that_lifts_lands_once_per_turn_at_moderate_shaking() -> None:
    """Bouncing on a shaken seat: one impact a turn for Γ between π(1-e)/(1+e) and its first doubling (Guckenheimer &
    Holmes 1982, bouncing ball, from memory); e = 0.35 gives 1.51 to about 1.9."""
    play = bounced(17.0, 10.0, 1.0)
    strong = play.times[np.abs(play.jumps) > 0.5 * np.abs(play.jumps).max()]
    assert np.median(np.diff(strong)) == pytest.approx(1 / 150.0, rel=0.03)


def test_momentum_of_a_bouncing_part_is_kept() -> None:
    """Over many turns the impacts give back what the flights withheld: mean force on the seat stays the press."""
    play, turns = bounced(30.0, 10.0, 1.0), steady(150.0, 4.0)[0]
    withheld = sum(float(np.sum(30.0 * np.cos(2 * math.pi * turns[a:b]) - 10.0)) / RATE for a, b in play.flights)
    assert withheld + play.jumps.sum() == pytest.approx(0.0, abs=0.03 * abs(withheld))


def test_torque_for_a_power_gives_that_power_on_the_drooping_speed() -> None:
    torque = torque_for(0.8, 0.2)
    assert torque * (1 - 0.2 * torque) == pytest.approx(0.8)


@pytest.mark.parametrize("tool", PRESETS)
def test_loaded_tools_slow_down_universal_motors_much_and_regulated_ones_little(tool: str) -> None:
    speed = {}
    for condition in ("no load", "loaded"):
        truth = simulate(tool, seed=1, duration_s=3, sample_rate=3200, condition=condition).truth
        speed[condition] = truth["shafts"]["spindle"]["mean_rpm"]
    lost = 1 - speed["loaded"] / speed["no load"]
    assert (lost < 0.04) if tool == "battery-grinder" else (0.08 < lost < 0.40)


def test_off_time_brings_run_up_and_coast_down() -> None:
    truth = simulate(seed=1, duration_s=16, sample_rate=3200, off_before_s=3, off_after_s=5).truth
    time, rpm = np.array(truth["speed"]["time_s"]), np.array(truth["speed"]["rpm"]["spindle"])
    assert np.all(rpm[time < 2.9] == 0)
    up = time[np.argmax(rpm > 0.9 * rpm.max())] - 3.0
    assert 0.1 < up < 2.0
    after = rpm[time > 11.0]
    assert after[0] > 0.8 * rpm.max() and after[-1] < 0.3 * rpm.max() and np.all(np.diff(after) <= 0)
