"""Maps over speed, and sideband distances by cepstrum, on signals made for the purpose."""

from __future__ import annotations

import numpy as np
import pytest

from tests.machine.lines.test_orders import known_speed
from tests.machine.lines.test_resonances import swept
from tests.machine.signals import Run
from vibekit.errors import RecordingLimitError
from vibekit.machine.lines.maps import speed_map
from vibekit.machine.spectra.cepstrum import line_spacing
from vibekit.machine.spectra.reading import with_floor
from vibekit.machine.spectra.spectrum import amplitude_spectrum
from vibekit.recording.recording import Recording

RATE = 3200.0


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
    run = swept("up and down")
    mapped = speed_map(Recording(np.repeat(run.samples, 3, axis=0), RATE, ("x", "y", "z")), known_speed(run))
    assert mapped.levels.shape == (3, mapped.hz.size, mapped.frequency.size)
    loudest = mapped.frequency[np.argmax(mapped.levels.sum(axis=0), axis=1)]
    assert np.abs(loudest - mapped.hz).max() < 7.5  # bins are 5 Hz wide, rows 1.3 Hz, and a frame sweeps 3 Hz


def test_no_map_of_a_steady_speed() -> None:
    run = Run(swept("coast-down").samples, np.full(round(14 * RATE), 150.0), RATE)
    with pytest.raises(RecordingLimitError, match="hardly changes"):
        speed_map(Recording(np.repeat(run.samples, 3, axis=0), RATE, ("x", "y", "z")), known_speed(run))
