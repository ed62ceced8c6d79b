"""Spectra against SciPy's reference functions and published window figures (tests/references)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st
from scipy import signal

from tests.reference import rows
from vibekit.machine.spectra import (
    amplitude_spectrum,
    analytic_band,
    density_spectrum,
    envelope_spectrum,
    fast_length,
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
    ours = density_spectrum(noise(), RATE, resolution=1.5 * RATE / 3200)
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
    spectrum = density_spectrum(noise(), RATE, resolution=1.5)
    mean_square = spectrum.values.sum(axis=-1) * spectrum.spacing
    np.testing.assert_allclose(mean_square, (noise() ** 2).mean(axis=-1), rtol=0.01)


@settings(deadline=None, max_examples=40)
@given(st.floats(60.0, 2500.0))
def test_level_of_a_line_between_bins_within_one_per_cent(hz: float) -> None:
    for window in ("hann", "flattop"):
        spectrum = amplitude_spectrum(tone(hz, 3.0), RATE, window=window)  # type: ignore[arg-type]
        peak = int(np.argmax(spectrum.values[0]))
        assert line_level(spectrum, peak)[0] == pytest.approx(3.0 / np.sqrt(2), rel=0.01)


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


def test_envelope_line_has_the_modulation_depth() -> None:
    time_s = np.arange(64000) / RATE
    carrier = 2.0 * (1 + 0.1 * np.cos(2 * np.pi * 30 * time_s)) * np.cos(2 * np.pi * 1500 * time_s)
    spectrum = envelope_spectrum(carrier[None, :], RATE, (1200.0, 1800.0))
    peak = int(np.argmax(spectrum.values[0]))
    assert spectrum.frequency[peak] == pytest.approx(30.0, abs=0.5)
    assert line_level(spectrum, peak)[0] == pytest.approx(0.1 * np.sqrt(2.0), rel=0.02)  # depth · carrier r.m.s.


@given(st.integers(4, 3_000_000))
def test_fast_length_has_small_factors(size: int) -> None:
    length = rest = fast_length(size)
    for prime in (2, 3, 5):
        while rest % prime == 0:
            rest //= prime
    assert rest == 1
    assert 0.85 * size <= length <= size or size < 16
