"""Spectra against SciPy's reference functions and published window figures (tests/references)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import signal

from tests.reference import rows
from vibekit.machine.spectra.spectrum import (
    Window,
    amplitude_spectrum,
    analytic_band,
    as_density,
    envelope_spectrum,
    line_level,
    noise_bandwidth_bins,
    noise_floor,
    window_values,
)

RATE = 6400.0


def noise(seconds: float = 10.0, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).standard_normal((2, round(seconds * RATE)))


def tone(hz: float, amplitude: float = 1.0, seconds: float = 10.0) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE + 0.4)[None, :]


@pytest.mark.parametrize("name", ["hann", "flattop"])
def test_windows_are_those_of_scipy(name: str) -> None:
    np.testing.assert_allclose(window_values(name, 1000), signal.windows.get_window(name, 1000), atol=1e-12)


@pytest.mark.parametrize(("name", "row"), [("hann", "hann"), ("flattop", "flattop (scipy 5-term)")])
def test_noise_bandwidth_is_the_published_one(name: str, row: str) -> None:
    printed = next(r for r in rows("windows") if r["window_periodic_N65536"] == row)
    assert noise_bandwidth_bins(window_values(name, 65536)) == pytest.approx(float(printed["ENBW_bins"]), abs=5e-5)


def test_density_is_welch_of_scipy() -> None:
    ours = as_density(amplitude_spectrum(noise(), RATE, resolution=1.5 * RATE / 3200))
    frequency, theirs = signal.welch(noise(), RATE, "hann", 3200, 1600, detrend="constant", scaling="density")
    np.testing.assert_allclose(ours.frequency, frequency)
    np.testing.assert_allclose(ours.values, theirs, rtol=1e-9, atol=1e-12)
    assert (ours.scaling, ours.unit, ours.window) == ("density", "(m/s²)²/Hz", "hann")
    assert ours.resolution == pytest.approx(1.5 * RATE / 3200)


def test_amplitude_is_welch_of_scipy_as_root() -> None:
    ours = amplitude_spectrum(noise(), RATE, resolution=3.7702 * RATE / 3200, window="flattop")
    _, theirs = signal.welch(noise(), RATE, "flattop", ours.frequency.size * 2 - 2, scaling="spectrum")
    np.testing.assert_allclose(ours.values, np.sqrt(theirs), rtol=1e-9, atol=1e-12)


def test_parseval() -> None:
    spectrum = as_density(amplitude_spectrum(noise(), RATE, resolution=1.5))
    mean_square = spectrum.values.sum(axis=-1) * spectrum.spacing
    np.testing.assert_allclose(mean_square, (noise() ** 2).mean(axis=-1), rtol=0.01)


@settings(deadline=None, max_examples=40)
@given(st.floats(60.0, 2500.0))
def test_level_of_a_line_between_bins_within_one_per_cent(hz: float) -> None:
    for window in ("hann", "flattop"):
        spectrum = amplitude_spectrum(tone(hz, 3.0), RATE, window=window)  # type: ignore[arg-type]
        peak = int(np.argmax(spectrum.values[0]))
        assert line_level(spectrum, peak)[0] == pytest.approx(3.0 / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize("window", ["hann", "flattop"])
@pytest.mark.parametrize("base", [20, 400, 2900])
def test_level_over_a_fine_grid_of_places_between_bins(window: Window, base: int) -> None:
    for offset in np.linspace(0.0, 1.0, 41):
        spacing = amplitude_spectrum(tone(100.0), RATE, window=window).spacing
        line = tone((base + offset) * spacing, 3.0)
        spectrum = amplitude_spectrum(line, RATE, window=window)
        peak = int(np.argmax(spectrum.values[0]))
        assert line_level(spectrum, peak)[0] == pytest.approx(3.0 / np.sqrt(2), rel=0.001)
        density = as_density(amplitude_spectrum(line, RATE, window=window))
        lobe = slice(max(0, peak - 5), peak + 6)
        assert np.sqrt(density.values[0, lobe].sum() * density.spacing) == pytest.approx(3.0 / np.sqrt(2), rel=0.001)


@settings(deadline=None, max_examples=40)
@given(st.floats(60.0, 2500.0))
def test_flat_top_peak_reads_the_level_directly(hz: float) -> None:
    # scalloping of the flat-top window 0.0098 dB = 0.11 % (tests/references/windows.csv)
    spectrum = amplitude_spectrum(tone(hz, 3.0), RATE, window="flattop")
    assert spectrum.values.max() == pytest.approx(3.0 / np.sqrt(2), rel=0.002)


def test_noise_floor_is_the_median_and_ignores_lines() -> None:
    quiet = amplitude_spectrum(noise(), RATE)
    with_line = amplitude_spectrum(noise() + tone(440.0, 5.0), RATE)
    floor, raised = noise_floor(quiet.values), noise_floor(with_line.values)
    np.testing.assert_allclose(raised, floor, rtol=0.1)
    assert np.median(floor / np.median(quiet.values)) == pytest.approx(1.0, abs=0.03)


def test_envelope_of_a_band_is_the_hilbert_envelope() -> None:
    time_s = np.arange(64000) / RATE
    burst = (1 + 0.5 * np.cos(2 * np.pi * 30 * time_s)) * np.cos(2 * np.pi * 1500 * time_s)
    ours, rate = analytic_band(burst[None, :], RATE, (1200.0, 1800.0))
    theirs = np.abs(signal.hilbert(burst)) ** 2
    at = np.arange(ours.shape[1]) / rate
    np.testing.assert_allclose(ours[0], np.interp(at, time_s, theirs), atol=0.01)


@pytest.mark.parametrize("depth", [0.02, 0.5, 1.0])
@pytest.mark.parametrize("base", [20.0, 60.0, 200.0, 239.0])
def test_envelope_line_has_the_modulation_depth(depth: float, base: float) -> None:
    time_s = np.arange(64000) / RATE
    for rate in np.linspace(base, base + 0.75, 7):
        carrier = 2.0 * (1 + depth * np.cos(2 * np.pi * rate * time_s)) * np.cos(2 * np.pi * 1500 * time_s)
        spectrum = envelope_spectrum(carrier[None, :], RATE, (1200.0, 1800.0), unfolded=True)
        at = round(rate / spectrum.spacing)
        peak = at - 2 + int(np.argmax(spectrum.values[0, at - 2 : at + 3]))
        assert line_level(spectrum, peak)[0] == pytest.approx(depth * np.sqrt(2.0), rel=0.01)  # depth · carrier r.m.s.


def test_unfolded_envelope_is_that_of_scipy_up_to_the_width_of_the_band() -> None:
    time_s = np.arange(64000) / RATE
    two = np.cos(2 * np.pi * 1300 * time_s) + np.cos(2 * np.pi * 1700 * time_s)  # they beat at 400 Hz
    spectrum = envelope_spectrum(two[None, :], RATE, (1200.0, 1800.0), unfolded=True)
    truth = amplitude_spectrum(np.abs(signal.hilbert(two))[None, :] ** 2, RATE, spectrum.resolution)
    place = float(spectrum.frequency[np.argmax(spectrum.values[0])])
    assert place == pytest.approx(400.0, abs=0.5)
    assert 470.0 < spectrum.frequency[-1] <= 480.0  # the flat part of 600 Hz, its edges of a tenth each taken off
    assert place == pytest.approx(float(truth.frequency[np.argmax(truth.values[0])]), abs=0.5)
