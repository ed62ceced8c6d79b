"""Resonances crossed by orders, and sideband distances by cepstrum, on signals made for the purpose."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.machine.signals import Run
from tests.machine.test_orders import known_speed
from vibekit.errors import RecordingLimitError
from vibekit.machine.cepstrum import line_spacing
from vibekit.machine.maps import order_map, resonances, speed_map
from vibekit.machine.reading import with_floor
from vibekit.machine.spectra import amplitude_spectrum
from vibekit.recording.recording import Recording

RATE = 6400.0


def swept(resonance_hz: float | None, damping: float, slowest: float = 30.0) -> Run:
    """A tool that speeds up to 150 Hz and down again, on a structure with one resonance (or none)."""
    rng = np.random.default_rng(0)
    time_s = np.arange(round(20 * RATE)) / RATE
    hz = np.interp(time_s, [0, 8, 12, 20], [slowest, 150, 150, slowest])
    turns = np.cumsum(hz) / RATE
    sizes = {1: 2.0, 2: 0.6, 3: 0.5, 4: 0.4, 5: 0.3}
    force = sum((hz / 100) ** 2 * a * np.sin(2 * np.pi * o * turns + o) for o, a in sizes.items())
    answer = np.asarray(force)
    if resonance_hz is not None:
        w = 2 * np.pi * resonance_hz
        top, bottom = signal.bilinear([w * w], [1, 2 * damping * w, w * w], RATE)
        answer = signal.lfilter(top, bottom, force) + 0.2 * np.asarray(force)
    samples = answer * np.array([[1.0], [0.5], [0.3]]) + 0.05 * rng.standard_normal((3, time_s.size))
    return Run(samples, hz, RATE)


@pytest.mark.parametrize(("hz", "damping"), [(300.0, 0.03), (180.0, 0.02)])
def test_a_resonance_is_found_where_orders_cross_it(hz: float, damping: float) -> None:
    run = swept(hz, damping)
    found = resonances(order_map(Recording(run.samples, RATE), known_speed(run)))
    assert found[0].frequency_hz == pytest.approx(hz, rel=0.05)
    assert len(found[0].orders) >= 2
    assert found[0].at_hz[0] == pytest.approx(found[0].frequency_hz / found[0].orders[0])


def test_no_resonance_without_one_or_without_a_sweep() -> None:
    run = swept(None, 0.0)
    assert resonances(order_map(Recording(run.samples, RATE), known_speed(run))) == ()
    run = swept(300.0, 0.03, slowest=140.0)
    assert resonances(order_map(Recording(run.samples, RATE), known_speed(run))) == ()


def test_levels_of_the_map_are_those_of_the_orders() -> None:
    run = swept(None, 0.0)
    mapped = order_map(Recording(run.samples, RATE), known_speed(run), [1.0])
    held = (mapped.time_s > 8.5) & (mapped.time_s < 11.5)
    assert np.median(mapped.levels[held, 0]) == pytest.approx(2.0 * 1.5**2 / np.sqrt(2), rel=0.1)


@pytest.mark.parametrize("spacing", [16.67, 25.0, 33.3])
def test_cepstrum_finds_the_distance_of_sidebands(spacing: float) -> None:
    time_s = np.arange(round(20 * RATE)) / RATE
    rng = np.random.default_rng(1)
    lines = [(766.0 + k * spacing, 0.5 / (1 + abs(k))) for k in range(-4, 5)]
    samples = sum(a * np.sin(2 * np.pi * f * time_s + f) for f, a in lines) + 0.3 * rng.standard_normal(time_s.size)
    floored = with_floor(amplitude_spectrum(np.atleast_2d(samples), RATE))
    found = line_spacing(floored, 10.0, 60.0, (500.0, 1000.0))
    assert found is not None
    assert found.spacing == pytest.approx(spacing, rel=0.02)


def test_noise_has_no_sidebands() -> None:
    samples = np.random.default_rng(2).standard_normal((1, round(20 * RATE)))
    assert line_spacing(with_floor(amplitude_spectrum(samples, RATE)), 10.0, 60.0, (500.0, 1000.0)) is None


def test_the_map_has_the_order_where_frequency_is_order_times_speed() -> None:
    run = swept(None, 0.0)
    mapped = speed_map(Recording(run.samples, RATE, ("x", "y", "z")), known_speed(run))
    assert mapped.levels.shape == (3, mapped.hz.size, mapped.frequency.size)
    loudest = mapped.frequency[np.argmax(mapped.levels.sum(axis=0), axis=1)]
    assert np.abs(loudest - mapped.hz).max() < 7.5  # bins are 5 Hz wide, rows 1.3 Hz, and a frame sweeps 3 Hz


def test_no_map_of_a_steady_speed() -> None:
    run = swept(None, 0.0, slowest=150.0)
    with pytest.raises(RecordingLimitError, match="hardly changes"):
        speed_map(Recording(run.samples, RATE, ("x", "y", "z")), known_speed(run))
