"""What a whole recording says of a speed, on signals whose shafts are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from vibekit.machine.spectra.warp import warped
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.machine.speed.judge import line_ratio, scored, views
from vibekit.machine.speed.verdict import candidates
from vibekit.machine.tracks.target import target_of
from vibekit.recording.recording import Recording
from vibekit.simulate.presets import PRESETS
from vibekit.simulate.session import simulate

RATE = 12800.0


def lines_of(orders: dict[float, float], hz: float, follow: float, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Samples with lines at orders of a shaft that wanders about `hz`, and the track `follow` times its speed."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(8 * RATE)) / RATE
    speed = hz * (1.0 - 0.08 * np.sin(2 * np.pi * 0.4 * time_s) ** 2)
    turns = np.cumsum(speed) / RATE
    samples = 0.5 * rng.standard_normal((2, time_s.size))
    for order, size in orders.items():
        samples += size * np.sin(2 * np.pi * (order * turns + rng.random((2, 1))))
    return samples, follow * speed[:: int(0.1 * RATE)]


def likeliest(samples: np.ndarray, track: np.ndarray) -> float:
    """The likeliest speed where nothing else is known, as a factor of a track every 0.1 s."""
    return ranked(samples, track)[0]


def ranked(samples: np.ndarray, track: np.ndarray) -> list[float]:
    target = target_of(None, None)
    clock = warped(samples, RATE, 0.1 * np.arange(track.size), track)
    seen = views(clock.samples, RATE)
    found = [s for view in seen for s in scored(view, target.comb, target.low_hz, target.high_hz)]
    return [c.scored.hz / clock.reference_hz for c in candidates(found, target)]


# a pinion of 7 teeth: mesh, its harmonics, sidebands one turn to either side; once-per-turn from unbalance
PINION = {
    1.0: 0.5,
    6.0: 0.05,
    7.0: 0.5,
    8.0: 0.06,
    13.0: 0.04,
    14.0: 0.4,
    15.0: 0.05,
    21.0: 0.4,
    22.0: 0.05,
    24.0: 0.05,
}


@pytest.mark.parametrize("follow", [1.0, 7.0 / 4.0, 7.0, 0.5])
def test_whatever_is_followed_the_shaft_is_found_on_its_clock(follow: float) -> None:
    samples, track = lines_of(PINION, 60.0, follow)
    assert likeliest(samples, track) * follow == pytest.approx(1.0, rel=1e-3)


def test_a_bearing_whose_harmonics_stand_is_no_shaft() -> None:
    # an outer race strikes 3.07 times a turn; what it excites rings high, and at its own rate the tool hardly moves
    bearing = {3.07 * n: 0.05 + 0.04 * n for n in range(1, 9)}
    samples, track = lines_of({1.0: 1.0, 2.0: 0.1} | bearing, 90.0, 3.07)
    assert likeliest(samples, track) * 3.07 == pytest.approx(1.0, rel=1e-3)


# a bearing of 7 balls of 3.97 mm on 14.5 mm: its cage turns at (1 - 3.97/14.5)/2 = 0.363 of the shaft (ISO 15243 calls
# cage wear a damage of its own; the kinematic rate is in every bearing handbook), 1 % less for slip
CAGE = 0.5 * (1.0 - 3.97 / 14.5) * 0.99
KNOCKING = {1.0: 1.0, 2.0: 0.03, 9.0: 0.05} | {CAGE * n: 0.25 / n**0.3 for n in range(1, 25)}


@pytest.mark.parametrize("follow", [1.0, CAGE, 2 * CAGE])
def test_a_cage_that_leaves_more_lines_than_its_shaft_is_no_shaft(follow: float) -> None:
    samples, track = lines_of(KNOCKING, 150.0, follow)
    assert likeliest(samples, track) * follow == pytest.approx(1.0, rel=1e-3)


@pytest.mark.parametrize(("source", "sheet"), [("vibration", "router"), ("vibration", None), ("sound", None)])
def test_a_knocking_cage_is_not_taken_for_the_only_shaft(source: str, sheet: str | None) -> None:
    session = simulate("router", seed=7000, duration_s=8.0, faults={"bearing.cage": 0.8}, sound=True, tach=False)
    heard = Recording(np.empty((0, 204800)), 25600.0, (), sound=session.recording.sound)
    felt = Recording(session.recording.samples, 25600.0, ("x", "y", "z"))
    found = estimate_speed(felt if source == "vibration" else heard, PRESETS[sheet] if sheet else None)
    true = session.speed_hz("spindle", found.time_s)
    assert np.nanmedian(found.hz / true) == pytest.approx(1.0, abs=0.003)


def test_a_shaft_that_hides_is_among_the_first_by_the_mesh_that_it_modulates() -> None:
    # 7 teeth; a second mesh, 12 teeth on a shaft 7/55 as fast, is the loudest below 700 Hz and modulated by nothing
    second = 12.0 * 7.0 / 55.0
    hidden = {6.0: 0.06, 7.0: 1.0, 8.0: 0.06, 13.0: 0.05, 14.0: 0.8, 15.0: 0.05, 20.0: 0.06, 21.0: 0.8, 22.0: 0.06}
    samples, track = lines_of(hidden | {1.0: 0.04, second: 0.12, 2 * second: 0.08}, 290.0, 1.0)
    assert min(abs(factor - 1.0) for factor in ranked(samples, track)[:3]) < 1e-3


@pytest.mark.parametrize("follow", [0.5, 1.0])
def test_half_orders_of_a_loose_shaft_do_not_halve_its_speed(follow: float) -> None:
    # Looseness: harmonics with lines half-way between them (ISO 13373-3, from memory)
    whole = {float(n): 1.0 / n for n in range(1, 11)}
    half = {n + 0.5: 0.2 / (n + 0.5) for n in range(10)}
    samples, track = lines_of(whole | half, 150.0, follow)
    assert likeliest(samples, track) * follow == pytest.approx(1.0, rel=1e-3)


def test_where_no_turn_stands_out_nobody_is_sure() -> None:
    # a stiff bearing rig: what a defect excites rings at 2 to 4 kHz, of the shaft at 30 Hz there is next to nothing
    ringing = {3.585 * n: float(np.exp(-((3.585 * n * 30.0 / 3000.0 - 1.0) ** 2) / 0.1)) for n in range(1, 50)}
    samples, _ = lines_of(ringing | {1.0: 0.02}, 30.0, 1.0)
    found = estimate_speed(Recording(samples, RATE, ("x", "y")))
    assert found.confidence <= 0.5
    assert found.rivals
    if not found.known:
        assert found.notices[0].code == "speed_not_told"


def test_lines_of_the_mains_belong_to_no_shaft() -> None:
    samples, _ = lines_of({1.0: 0.3, 2.0: 0.1}, 90.0, 1.0)
    time_s = np.arange(samples.shape[1]) / RATE
    hum = samples + sum(3.0 / n * np.sin(2 * np.pi * 50.0 * n * time_s) for n in (1, 2, 3, 4))
    target = target_of(None, None)
    bands = [(50.0 * n - 0.15, 50.0 * n + 0.15) for n in range(1, 21)]
    for neutral, there in (((), True), (bands, False)):
        found = [s for v in views(hum, RATE, 0, neutral) for s in scored(v, target.comb, 5.0, 600.0)]
        assert any(abs(s.hz / 50.0 - 1.0) < 0.01 and s.gain > 8.0 for s in found) is there


def test_a_loud_cell_speaks_for_a_line_the_more_the_rarer_such_cells_are() -> None:
    # R = h/f by its definition: lines spread evenly over the logarithm, a hundred times as many of them
    rng = np.random.default_rng(1)
    noise = np.log(rng.exponential(size=20_000) / np.log(2.0))
    few, many = (line_ratio(np.append(noise, np.linspace(1.5, 9.0, n)), 1)[-n // 2] for n in (30, 3000))
    assert few - many == pytest.approx(np.log(100.0), abs=1.0)
    assert np.all(np.diff(line_ratio(np.sort(noise), 1)[10_000:]) >= 0.0)


def test_a_loaded_drill_heard_with_its_sheet_does_not_leave_for_another_ratio() -> None:
    session = simulate("drill", seed=0, duration_s=10.0, condition="loaded", sound=True, tach=False)
    heard = Recording(np.empty((0, 256000)), 25600.0, (), sound=session.recording.sound)
    found = estimate_speed(heard, PRESETS["drill"])
    true = session.speed_hz("spindle", found.time_s, 0.1)
    assert np.nanmean(np.abs(found.at(found.time_s, "spindle") / true - 1) > 0.1) < 0.01


@pytest.mark.parametrize("sheet", [None, "die-grinder"])
@pytest.mark.parametrize(("kind", "rate"), [("white", 3200.0), ("resonance", 6400.0), ("resonance", 3200.0)])
def test_a_resonance_and_what_noise_peaks_at_are_no_shafts(kind: str, rate: float, sheet: str | None) -> None:
    noise = np.random.default_rng(30).standard_normal((1, int(8 * rate)))
    if kind == "resonance":  # of quality 20 at 510 Hz, where the once-per-turn of a die grinder may stand
        b, a = signal.iirpeak(510.0, 20.0, fs=rate)
        noise = 0.3 * noise + 3.0 * signal.lfilter(b, a, noise, axis=1)
    found = estimate_speed(Recording(noise, rate, ("x",)), PRESETS[sheet] if sheet else None)
    assert not found.known
    assert found.notices[0].code in ("no_speed", "speed_not_told")


@pytest.mark.parametrize("n_samples", [45, 83, 128, 250])
@pytest.mark.parametrize("rate", [20.0, 31.0])
def test_a_handful_of_samples_tells_no_speed(n_samples: int, rate: float) -> None:
    for kind in (np.random.default_rng(1).standard_normal((2, n_samples)), np.zeros((2, n_samples))):
        found = estimate_speed(Recording(kind, rate, ("x", "y")))
        assert not found.known
        assert found.notices[0].severity == "refusal"


@pytest.mark.parametrize("sheet", [None, "drill", "die-grinder"])
def test_noise_turns_nothing(sheet: str | None) -> None:
    noise = Recording(np.random.default_rng(5).standard_normal((3, 256000)), 25600.0)
    found = estimate_speed(noise, PRESETS[sheet] if sheet else None)
    assert not found.known or found.confidence < 0.3
