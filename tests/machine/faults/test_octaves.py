"""Octave levels: against SciPy's own integration of white noise, and what a contact's duration says."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from vibekit.machine.faults.octaves import OCTAVES, octave_features
from vibekit.machine.lines.views import View
from vibekit.machine.spectra.reading import with_floor
from vibekit.machine.spectra.spectrum import amplitude_spectrum
from vibekit.recording.recording import FloatArray

RATE = 25600.0


def _view(samples: FloatArray, rate: float = RATE) -> View:
    return View(with_floor(amplitude_spectrum(samples, rate, 1.5)), ("x", "y", "z"), 1.0, 0.45 * rate)


def test_white_noise_has_the_level_that_welch_and_the_trapezoid_rule_give() -> None:
    """Noise alone: an octave's level is SciPy's density integrated over it, and so is its noise.

    The noise is read from a median, corrected as in one segment (Rayleigh, 1.6 dB): up to that too high in many.
    """
    noise = np.random.default_rng(1).standard_normal((3, 12 * int(RATE)))
    found = octave_features(_view(noise))
    f, density = signal.welch(noise, RATE, nperseg=8192)
    for nominal, (low, high) in OCTAVES.items():
        inside = (f >= low) & (f <= high)
        expected = 10 * np.log10(np.trapezoid(density[:, inside], f[inside], axis=1).sum())
        assert found[f"level_{nominal}"] == pytest.approx(expected, abs=0.3)
        assert -0.3 < found[f"level_{nominal}_noise"] - expected < 1.9


def test_a_line_raises_the_level_but_not_the_noise() -> None:
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((3, 12 * int(RATE)))
    line = 3.0 * np.sin(2 * np.pi * 1000.0 * np.arange(noise.shape[1]) / RATE)
    bare, lined = octave_features(_view(noise)), octave_features(_view(noise + line))
    power = 10 ** (bare["level_1000"] / 10) + 3 * 3.0**2 / 2
    assert lined["level_1000"] == pytest.approx(10 * np.log10(power), abs=0.1)
    assert lined["level_1000_noise"] == pytest.approx(bare["level_1000_noise"], abs=0.3)
    assert lined["level_2000"] == pytest.approx(bare["level_2000"], abs=0.1)


@pytest.mark.parametrize(("duration_s", "last"), [(6e-5, 8000), (5e-4, 2000)])
def test_a_soft_contact_leaves_the_high_octaves_alone(duration_s: float, last: int) -> None:
    """Half-sine pulses at random times: the spectrum has its first zero at 1.5/duration (shock handbooks; computed)."""
    rng = np.random.default_rng(3)
    pulses = np.zeros(12 * int(RATE) * 4)
    pulses[rng.integers(0, pulses.size, 3000)] = 1.0
    shape = np.sin(np.pi * np.arange(0, duration_s, 0.25 / RATE) / duration_s)
    struck = signal.resample_poly(signal.fftconvolve(pulses, shape, "same"), 1, 4)
    quiet = 1e-4 * rng.standard_normal((3, struck.size))
    found = octave_features(_view(quiet + struck))
    top = [nominal for nominal in OCTAVES if found[f"level_{nominal}_noise"] > found["level_125_noise"] - 12.0]
    rising = 10 * np.log10(2.0)  # white noise gains 3 dB per octave
    assert top[-1] >= last / 2
    assert (found["level_8000_noise"] > found["level_1000_noise"] + rising) == (last == 8000)


def test_what_the_rate_does_not_carry_is_left_out() -> None:
    noise = np.random.default_rng(4).standard_normal((3, 60000))
    assert set(octave_features(_view(noise, 6400.0))) == {
        f"level_{nominal}{end}" for nominal in (125, 250, 500, 1000, 2000) for end in ("", "_noise")
    }
