"""Reading lines: levels, false alarms counted on noise, sidebands, the band of impacts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from vibekit.machine.spectra.impacts import impact_band, spectral_kurtosis
from vibekit.machine.spectra.reading import needed_db, peaks, read_line, read_sidebands, with_floor
from vibekit.machine.spectra.spectrum import amplitude_spectrum, analytic_band

RATE = 12800.0


def noise(seed: int, seconds: float = 10.0, axes: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((axes, round(seconds * RATE)))


def sines(lines: dict[float, float], seconds: float = 10.0) -> np.ndarray:
    time_s = np.arange(round(seconds * RATE)) / RATE
    return np.sum([a * np.sin(2 * np.pi * f * time_s + f) for f, a in lines.items()], axis=0)[None, :]


@pytest.mark.parametrize("averages", [1, 4, 20, 100])
@pytest.mark.parametrize("bins", [5, 50, 5000])
def test_threshold_is_the_chi_square_quantile_of_scipy(averages: int, bins: int) -> None:
    chance = 1e-3
    freedom = 2 * averages / 1.056
    exact = stats.chi2.isf(chance / bins, freedom) / stats.chi2.median(freedom)
    assert needed_db(averages, bins, chance) == pytest.approx(max(5.0, 10 * np.log10(exact)), abs=0.35)


def test_noise_is_rarely_called_a_line() -> None:
    found = 0
    for seed in range(10):
        floored = with_floor(amplitude_spectrum(noise(seed), RATE))
        found += sum(read_line(floored, hz, 0.01).found for hz in np.arange(100.0, 6000.0, 59.0))
    assert found <= 5  # of 1000 readings with a chance of 1e-3 each


def test_a_line_is_read_where_it_stands_with_its_level() -> None:
    floored = with_floor(amplitude_spectrum(noise(0) + sines({503.3: 1.0}), RATE))
    line = read_line(floored, 500.0, tolerance=0.02)
    assert line.found
    assert line.frequency == pytest.approx(503.3, abs=0.1)
    assert line.amplitude[0] == pytest.approx(1 / np.sqrt(2), rel=0.05)
    assert not read_line(floored, 520.0, tolerance=0.01).found
    assert not read_line(floored, 9000.0).in_band


def test_sidebands_follow_a_carrier_that_slipped() -> None:
    lines = {1000.0: 1.0, 975.0: 0.3, 1025.0: 0.4, 950.0: 0.1, 1050.0: 0.1}
    floored = with_floor(amplitude_spectrum(0.1 * noise(1) + sines(lines), RATE))
    family = read_sidebands(floored, 1010.0, 25.0, count=2, tolerance=0.02)
    assert family.carrier.frequency == pytest.approx(1000.0, abs=0.1)
    assert family.found == 4
    expected = np.sqrt(0.3**2 + 0.4**2 + 2 * 0.1**2)
    assert family.ratio == pytest.approx(expected, rel=0.05)


def test_peaks_are_the_lines_and_nothing_else() -> None:
    lines = {200.0: 1.0, 333.3: 0.5, 2500.7: 0.3}
    floored = with_floor(amplitude_spectrum(0.5 * noise(2, axes=2) + sines(lines), RATE))
    assert [round(p.frequency, 1) for p in peaks(floored)] == pytest.approx(sorted(lines), abs=0.1)


def test_spectral_kurtosis_of_noise_tone_and_bursts() -> None:
    # Gaussian noise 0, steady tone -1 (definition; Antoni 2006)
    envelope, _ = analytic_band(noise(3), RATE, (1000.0, 3000.0))
    assert spectral_kurtosis(envelope)[0] == pytest.approx(0.0, abs=0.1)
    envelope, _ = analytic_band(sines({2000.0: 1.0}), RATE, (1000.0, 3000.0))
    assert spectral_kurtosis(envelope)[0] == pytest.approx(-1.0, abs=0.05)


def test_band_of_ringing_impacts_is_found() -> None:
    time_s = np.arange(round(10 * RATE)) / RATE
    since = (time_s * 87.0) % 1.0 / 87.0
    ringing = 6.0 * np.exp(-since * 900) * np.sin(2 * np.pi * 3700 * since)
    band = impact_band(noise(4, axes=2) + np.stack([ringing, 0.2 * ringing]), RATE)
    assert band.impulsive
    assert band.axis == 0
    assert band.band_hz[0] < 3700 < band.band_hz[1]
    assert not impact_band(noise(5, axes=2), RATE).impulsive


def test_one_knock_makes_no_impact_band() -> None:
    samples = noise(6)
    samples[0, 60000:60100] += 50 * np.exp(-np.arange(100) / 20)
    assert not impact_band(samples, RATE).impulsive
