"""Rolling bearings: impacts made by the law of the mechanism, with known slip, in noise; passing rates of a 6205.

Impacts: intervals of one mean scattered by 0.7 %, each rings a mode at 3 kHz with 3 % damping (Randall & Antoni 2011,
from memory). Rates of the bearing: published table, tests/references/bearings.csv.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.machine.lines.test_orders import known_speed
from tests.machine.signals import Run, profile
from tests.reference import rows
from vibekit.machine.faults.evidence import Notes
from vibekit.machine.faults.rolling import bearing_features, comb
from vibekit.machine.lines.table import spectrum
from vibekit.machine.lines.views import views_of
from vibekit.machine.spectra.impacts import levelled
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import Bearing, Shaft, ToolSheet

RATE = 25600.0
BEARING = Bearing("front", "spindle", "ball", 9, 0.3126 * 25.4, 1.537 * 25.4)
PUBLISHED = {"BPFO": "outer_race", "BPFI": "inner_race", "FTF": "cage"}
TURN = {
    PUBLISHED[row["quantity"]]: float(row["published"])
    for row in rows("bearings")
    if row["bearing"].startswith("6205") and row["quantity"] in PUBLISHED
}


def struck(hz: float, rate: float, over_noise: float, *, zone: bool = False, seconds: float = 10.0) -> Run:
    """Return noise of unit r.m.s. on three axes with impacts `rate` times per turn, one in `over_noise` of its r.m.s.

    `zone`: they are strong where the shaft's turn brings them to the loaded side.
    """
    rng = np.random.default_rng(7)
    speed = profile("steady", hz, seconds, RATE, seed=3)
    turns = np.cumsum(speed) / RATE
    at = np.cumsum((1.0 + 0.007 * rng.standard_normal(int(turns[-1] * rate) - 1)) / rate)
    time = np.interp(at, turns, np.arange(turns.size))
    train = np.zeros(turns.size)
    np.add.at(train, time.astype(int), np.maximum(np.cos(2 * np.pi * at), 0.1) if zone else 1.0)
    t = np.arange(2048) / RATE
    ring = np.exp(-2 * np.pi * 3000.0 * 0.03 * t) * np.sin(2 * np.pi * 3000.0 * t)
    knocks = np.fft.irfft(np.fft.rfft(train, 2 * turns.size) * np.fft.rfft(ring, 2 * turns.size))[: turns.size]
    knocks *= over_noise / np.sqrt(np.mean(knocks**2))
    return Run(rng.standard_normal((3, turns.size)) + np.array([[1.0], [0.7], [0.4]]) * knocks, speed, RATE)


def features(run: Run) -> dict[str, Notes]:
    views = views_of(Recording(run.samples, RATE, ("x", "y", "z")), known_speed(run), "spindle")
    assert views is not None
    return bearing_features(views, BEARING)


def heights(found: dict[str, Notes], feature: str) -> dict[str, float]:
    return {place: notes.values[feature] for place, notes in found.items()}


@pytest.mark.parametrize("place", ["outer_race", "inner_race"])
@pytest.mark.parametrize("slip", [-0.012, 0.0, 0.01])
def test_slow_impacts_stand_in_the_envelope_at_the_published_rate(place: str, slip: float) -> None:
    run = struck(15.0, TURN[place] * (1 + slip), 0.3, zone=place == "inner_race")
    pulses = heights(features(run), "pulse_comb")
    assert max(pulses, key=pulses.__getitem__) == place
    assert pulses[place] > 2.5


@pytest.mark.parametrize("place", ["outer_race", "inner_race"])
def test_impacts_that_ring_into_each_other_stand_among_the_lines(place: str) -> None:
    """At 450 turns a second a race is passed more than 1600 times, a ring of 3 % at 3 kHz lasts several passes."""
    found = features(struck(450.0, TURN[place] * 0.99, 1.0, zone=place == "inner_race"))
    lines, pulses = heights(found, "line_comb"), heights(found, "pulse_comb")
    assert max(lines, key=lines.__getitem__) == place
    assert lines[place] > 2.0
    assert lines[place] > pulses[place]
    line = found[place].readings["line_comb"]
    assert line.order is not None
    assert line.order / TURN[place] % 0.99 < 0.99 * 0.005 * round(line.order / TURN[place])


@pytest.mark.parametrize("place", ["outer_race", "inner_race"])
@pytest.mark.parametrize("hz", [15.0, 60.0, 150.0])
def test_the_passing_rate_leads_the_envelope_whatever_the_speed_lines_and_knocks(hz: float, place: str) -> None:
    """As loud as the noise; shaft lines ten times as loud; two knocks in all that no bearing makes."""
    run = struck(hz, TURN[place] * 0.99, 1.0, zone=place == "inner_race")
    turns, knocks = np.cumsum(run.hz) / RATE, np.zeros(run.hz.size)
    knocks[[50_000, 170_000]] = 200.0
    lines = sum(10.0 / n * np.sin(2 * np.pi * n * turns + n) for n in (1, 2, 3, 4))
    speed = replace(known_speed(run), ratios={"spindle": 1.0})
    sheet = ToolSheet("T-1", shafts=(Shaft("spindle"),), bearings=(BEARING,))
    recording = Recording(run.samples + lines + knocks, RATE, ("x", "y", "z"))
    found = spectrum(recording, sheet, "envelope", speed).lines
    off_step = [line for line in found if line.order and abs(line.order - round(line.order)) > 0.02]
    first = max(off_step, key=lambda line: line.over_floor_db.max())
    assert first.order is not None
    rates = [TURN[place] * 0.99 * n + side for n in (1, 2, 3, 4) for side in ((-1, 0, 1) if "inner" in place else (0,))]
    assert min(abs(first.order / rate - 1) for rate in rates) < 0.005


@pytest.mark.parametrize("hz", [15.0, 150.0, 450.0])
def test_noise_shows_no_rate(hz: float) -> None:
    found = features(struck(hz, 3.0, 0.0 + 1e-9))
    for feature in ("line_comb", "pulse_comb"):
        assert max(heights(found, feature).values()) < 2.0


def test_what_is_in_step_with_the_shaft_is_no_rolling() -> None:
    """A knock four times a turn, exactly (a blade, a tooth), is no bearing's, though all harmonics stand out."""
    run = struck(150.0, 4.0, 1e-9)
    turns = np.cumsum(run.hz) / RATE
    knocks = np.diff(np.floor(4.0 * turns), prepend=0.0) * 20.0
    found = features(Run(run.samples + knocks, run.hz, RATE))
    assert max(heights(found, "line_comb").values()) < 2.5
    assert max(heights(found, "pulse_comb").values()) < 2.5


def test_comb_finds_the_slip_and_averages_harmonics_in_decibels() -> None:
    over = np.zeros(2000)
    for n in (1, 2, 3, 4):
        over[round(n * 3.0 * 1.01 / 0.01)] = 8.0
    height, share = comb(over, 0.01, 3.0, 4)
    assert height == pytest.approx(8.0)
    assert share == pytest.approx(1.01, abs=0.001)
    assert comb(over[:700], 0.01, 3.0, 4)[0] == pytest.approx(8.0)  # what lies beyond the band does not count


def test_levelled_noise_is_flat_and_lines_are_cut_down() -> None:
    rng = np.random.default_rng(0)
    time = np.arange(65536) / RATE
    noise = np.cumsum(rng.standard_normal(time.size))  # falls 6 dB an octave
    level: FloatArray = np.abs(np.fft.rfft(levelled((noise + 1e4 * np.sin(2 * np.pi * 4000 * time))[None, :])[0]))
    low, high = np.median(level[2000:4000]), np.median(level[20000:22000])
    assert low == pytest.approx(high, rel=0.1)
    assert level[2000:].max() == pytest.approx(3.0, rel=0.05)


@pytest.mark.parametrize("slip", [0.0, 0.01])
def test_multiples_beyond_the_sheets_lines_carry_on_the_series(slip: float) -> None:
    rate = TURN["outer_race"] * (1.0 - slip)
    run = struck(100.0, rate, 3.0)
    sheet = ToolSheet("T-1", shafts=(Shaft("spindle", rated_rpm=6000.0),), bearings=(BEARING,))
    recording = Recording(run.samples, RATE, ("x", "y", "z"))
    lines = spectrum(recording, sheet, "order", known_speed(run)).lines
    named = {name: line.order for line in lines for name in line.names}
    assert named["5x front outer race"] == pytest.approx(5 * rate, rel=0.002)
    for name, order in named.items():
        if name.endswith("x front outer race"):
            assert order == pytest.approx(int(name.split("x")[0]) * rate, rel=0.002)
