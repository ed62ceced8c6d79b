"""Order tracking on signals whose orders are known by construction; interpolation against the exact function."""

from __future__ import annotations

import numpy as np
import pytest

from tests.machine.signals import RATIO, Run, geared_tool, grinder_sheet
from vibekit.machine.lines.orders import (
    AngleSignal,
    carried,
    interpolate,
    order_spectrum,
    shaft_share,
    shaft_shares,
    synchronous_average,
    to_angle,
    without_average,
)
from vibekit.machine.spectra.reading import read_line, with_floor
from vibekit.machine.spectra.spectrum import line_level
from vibekit.machine.speed.estimate import ShaftSpeed, SpeedEstimate


def known_speed(run: Run, ratio: float = RATIO) -> SpeedEstimate:
    """The true speed of a run as an estimate."""
    time_s, hz = run.time_s[::100], run.hz[::100]
    shafts = (ShaftSpeed("spindle", float(np.median(hz)), float(hz.min()), float(hz.max())),)
    return SpeedEstimate(
        "", "tach", "spindle", time_s, hz, {"spindle": 1.0, "armature": ratio}, shafts, 1.0, (), (), None, ()
    )


def drooping_sines(orders: dict[float, float], seconds: float = 10.0, rate: float = 12800.0) -> Run:
    run = geared_tool("droop", 100.0, seconds, rate, seed=5, noise=0.0, axes=1)
    turns = np.cumsum(run.hz) / rate
    samples = sum(a * np.sin(2 * np.pi * o * turns) for o, a in orders.items())
    return Run(np.atleast_2d(samples), run.hz, rate)


@pytest.mark.parametrize(("share", "error"), [(0.01, 3e-4), (0.1, 3e-4), (0.25, 3e-4), (0.4, 3e-4), (0.45, 2e-3)])
def test_interpolation_is_band_limited(share: float, error: float) -> None:
    n = np.arange(2000.0)
    position = np.linspace(50, 1950, 5000)
    got = interpolate(np.cos(2 * np.pi * share * n + 0.3)[None, :], position)
    np.testing.assert_allclose(got[0], np.cos(2 * np.pi * share * position + 0.3), atol=error)


def test_orders_stand_still_while_the_speed_droops() -> None:
    orders = {1.0: 2.0, 3.1667: 1.0, 38.0: 0.5}
    run = drooping_sines(orders)
    signal = to_angle(run.samples, run.sample_rate, known_speed(run), "spindle")
    assert signal is not None
    floored = with_floor(order_spectrum(signal))
    assert floored.spectrum.frequency_unit == "orders"
    assert floored.spectrum.of == "spindle"
    for order, amplitude in orders.items():
        line = read_line(floored, order)
        assert line.found
        assert line.frequency == pytest.approx(order, abs=0.001 * max(order, 1))
        assert line.amplitude[0] == pytest.approx(amplitude / np.sqrt(2), rel=0.02)


@pytest.mark.parametrize("droop", [0.0, 0.02, 0.18])
def test_level_of_an_order_between_bins_within_one_per_cent(droop: float) -> None:
    rate = 6400.0
    time_s = np.arange(round(8 * rate)) / rate
    hz = 100.0 * (1 - droop * (0.5 - 0.5 * np.cos(2 * np.pi * time_s / 9)))
    turns = np.cumsum(hz) / rate
    for base in (1.0, 2.5, RATIO, 28.5):  # 28.5 orders of 100 Hz: 0.445 of the rate
        for offset in np.linspace(0, 1, 7) / 128:
            run = Run(np.atleast_2d(2 * np.sqrt(2) * np.sin(2 * np.pi * (base + offset) * turns)), hz, rate)
            angle = to_angle(run.samples, rate, known_speed(run), "spindle")
            assert angle is not None
            spectrum = carried(order_spectrum(angle), angle)
            at = round((base + offset) / spectrum.spacing)
            peak = at - 2 + int(np.argmax(spectrum.values[0, at - 2 : at + 3]))
            assert line_level(spectrum, peak)[0] == pytest.approx(2.0, rel=0.01)


def test_an_order_spectrum_ends_where_the_recording_does() -> None:
    run = drooping_sines({1.0: 1.0})
    angle = to_angle(run.samples, run.sample_rate, known_speed(run))
    assert angle is not None
    top = carried(order_spectrum(angle), angle).frequency[-1] * run.hz.max()
    assert 0.44 * run.sample_rate < top < 0.5 * run.sample_rate


def test_signal_covers_the_turns_made() -> None:
    run = drooping_sines({1.0: 1.0})
    signal = to_angle(run.samples, run.sample_rate, known_speed(run))
    assert signal is not None
    assert signal.turns == pytest.approx(run.hz.sum() / run.sample_rate, abs=0.1)
    assert signal.hz == pytest.approx(run.hz.mean(), rel=1e-3)


def test_synchronous_average_keeps_the_shaft_and_drops_the_rest() -> None:
    run = drooping_sines({2.0: 1.0, RATIO: 1.0})
    noisy = Run(run.samples + np.random.default_rng(0).standard_normal(run.samples.shape), run.hz, run.sample_rate)
    speed = known_speed(noisy)
    spindle = to_angle(noisy.samples, noisy.sample_rate, speed, "spindle")
    armature = to_angle(noisy.samples, noisy.sample_rate, speed, "armature")
    assert spindle is not None
    assert armature is not None
    angle = np.arange(spindle.per_turn) / spindle.per_turn
    np.testing.assert_allclose(synchronous_average(spindle)[0], np.sin(4 * np.pi * angle), atol=0.2)
    angle = np.arange(armature.per_turn) / armature.per_turn
    np.testing.assert_allclose(synchronous_average(armature)[0], np.sin(2 * np.pi * angle), atol=0.2)
    rest = without_average(spindle)
    # what stays: the armature's sine (mean square 0.5) and the noise (1.0)
    assert rest.samples.var() == pytest.approx(1.5, rel=0.05)


@pytest.mark.parametrize("turns", [4, 25, 400])
def test_noise_stays_in_the_average_with_one_nth_of_its_mean_square(turns: int) -> None:
    """Mean of N independent values: variance 1/N (statistics' textbook); the residual has the rest."""
    noise = np.random.default_rng(turns).standard_normal((3, turns * 512))
    knocks = np.tile(4.0 * np.sin(2 * np.pi * np.arange(512) / 512), turns) + 9.81
    signal = AngleSignal(noise + knocks, 512, "spindle", 100.0)
    assert (synchronous_average(signal) - knocks[:512]).var() == pytest.approx(1.0 / turns, rel=0.1)
    assert without_average(signal).samples.var() == pytest.approx(1.0 - 1.0 / turns, rel=0.1)
    share = shaft_share(signal)
    np.testing.assert_allclose(share.repeats, 4.0 / np.sqrt(2.0), rtol=0.03)
    np.testing.assert_allclose(share.rest, 1.0, rtol=0.05)
    alone = shaft_share(AngleSignal(noise, 512, "spindle", 100.0))
    assert alone.repeats.max() < 0.3 / np.sqrt(turns)  # of the 1/√N that the plain average would have


def test_each_shaft_has_its_own_share_of_a_drooping_tool() -> None:
    run = drooping_sines({2.0: 1.0, RATIO: 3.0})
    shares = {share.of: share for share in shaft_shares(run.samples, run.sample_rate, known_speed(run))}
    assert shares["spindle"].repeats[0] == pytest.approx(1.0 / np.sqrt(2), rel=0.03)
    assert shares["spindle"].rest[0] == pytest.approx(3.0 / np.sqrt(2), rel=0.03)
    assert shares["armature"].repeats[0] == pytest.approx(3.0 / np.sqrt(2), rel=0.03)
    assert shares["armature"].rest[0] == pytest.approx(1.0 / np.sqrt(2), rel=0.03)


def test_unknown_shaft_or_speed_gives_nothing() -> None:
    run = drooping_sines({1.0: 1.0}, seconds=3.0)
    speed = known_speed(run)
    assert to_angle(run.samples, run.sample_rate, speed, "no such shaft") is None
    blind = SpeedEstimate("", None, "shaft", np.empty(0), np.empty(0), {"shaft": 1.0}, (), 0.0, (), (), None, ())
    assert to_angle(run.samples, run.sample_rate, blind) is None


def test_sheet_and_signals_agree_on_the_ratio() -> None:
    assert grinder_sheet(100.0).ratio("armature", "spindle") == pytest.approx(RATIO)
