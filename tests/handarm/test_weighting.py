"""Wh against the printed table, the analogue curve by SciPy, and filtering against an independent computation."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

import vibekit as vk
from tests.reference import rows
from vibekit.errors import UsageError
from vibekit.handarm.weighting import HISTORY_S, band_limiting_response, plan_blocks, weighting_response
from vibekit.standards import hand_arm_weighting as wh

RATES = (2800, 3200, 4000, 5000, 6400, 8000, 10240, 12800, 25600, 44100, 48000, 51200)


def test_printed_factors_to_three_figures() -> None:
    """ISO 5349-1:2001 Table A.2 (24 factors 6.3 to 1250 Hz, status found)."""
    printed = [row for row in rows("wh_weighting") if row["table_status"] == "found"]
    assert len(printed) == 24
    for row in printed:
        value = float(vk.weighting_factor(float(row["exact_hz_10^(n/10)"])))
        assert float(f"{value:.3g}") == float(row["table_A2_factor"])


def test_analogue_curve_against_scipy_freqs() -> None:
    """The response from poles and zeros by an independent routine: scipy.signal.freqs_zpk."""
    frequency = np.geomspace(0.5, 5000, 200)
    w1, w2, w3 = (2 * np.pi * f for f in (wh.F1_HZ, wh.F2_HZ, wh.F3_HZ))

    def pair(w: float, q: float) -> np.ndarray:
        return np.roots([1, w / q, w * w])

    poles = np.concatenate([pair(w1, wh.Q1), pair(w2, wh.Q2), pair(w3, wh.Q4)])
    _, expected = scipy.signal.freqs_zpk([0, 0, -w3], poles, w2**2 * w3**2 / w3, 2 * np.pi * frequency)
    np.testing.assert_allclose(weighting_response(frequency), expected, rtol=1e-9)


def test_spot_values() -> None:
    for row in rows("wh_spot"):
        response = complex(weighting_response(float(row["hz"])))
        assert abs(response) == pytest.approx(float(row["factor"]), abs=6e-7)
        assert np.degrees(np.angle(response)) == pytest.approx(float(row["phase_deg"]), abs=6e-4)


def test_band_limiting_against_the_computed_column() -> None:
    for row in rows("wh_weighting"):
        value = abs(complex(band_limiting_response(float(row["exact_hz_10^(n/10)"]))))
        assert value == pytest.approx(float(row["bandlimit_only_factor"]), rel=1e-4)


@pytest.mark.parametrize("rate", RATES)
def test_pure_tones_meet_the_analogue_curve_at_every_rate(rate: int) -> None:
    """ISO 5349-1 Annex A: by band, because white noise hides a filter that is 19 dB low at the top."""
    time = np.arange(4 * rate) / rate
    for row in rows("wh_weighting"):
        frequency = float(row["exact_hz_10^(n/10)"])
        if not 6 < frequency < 1300:
            continue
        tone = vk.Recording(np.sin(2 * np.pi * frequency * time)[None], rate, ("x",))
        settled = vk.weight(tone).samples[0, int(0.8 * rate) :]
        whole = settled[: int(np.floor(len(settled) * frequency / rate) * rate / frequency)]
        factor = np.sqrt(2 * np.mean(whole**2))
        assert 20 * abs(np.log10(factor / float(row["analogue_factor_computed"]))) < 0.01, frequency


def test_filtering_against_an_independent_whole_signal_transform() -> None:
    """Random signal, padded so that nothing wraps: one FFT over all of it, analogue curve by scipy.signal.freqs."""
    rng = np.random.default_rng(5)
    rate, samples = 6400, rng.standard_normal((1, 6400 * 23 + 117))
    samples[:, 0:6400] = 0.0
    b = np.polymul([1, 0, 0], [1, 2 * np.pi * wh.F3_HZ]) * (2 * np.pi * wh.F2_HZ) ** 2 * 2 * np.pi * wh.F4_HZ
    a = np.array([1.0])
    for f, q in ((wh.F1_HZ, wh.Q1), (wh.F2_HZ, wh.Q2), (wh.F4_HZ, wh.Q4)):
        a = np.polymul(a, [1, 2 * np.pi * f / q, (2 * np.pi * f) ** 2])
    n = 2**18
    _, response = scipy.signal.freqs(b, a, 2 * np.pi * np.fft.rfftfreq(n, 1 / rate))
    expected = np.fft.irfft(np.fft.rfft(samples[0], n) * response, n)[: samples.shape[1]]
    weighted = vk.weight(vk.Recording(samples, rate, ("x",))).samples[0]
    error = (weighted - expected)[rate:]
    assert np.sqrt(np.mean(error**2)) < 1e-5  # -100 dB of the input
    assert np.abs(error).max() < abs(weighting_response(rate / 2)) / 2  # the ringing where blocks meet


def test_burst_anywhere_keeps_its_energy() -> None:
    """A filter without memory of its blocks: the same burst gives the same energy wherever the cuts fall."""
    rate = 3200
    burst = np.sin(2 * np.pi * 60 * np.arange(320) / rate) * np.hanning(320)
    energies = []
    for at in range(0, 6 * rate, 977):
        samples = np.zeros((1, 9 * rate))
        samples[0, at + rate : at + rate + 320] = burst
        energies.append(np.square(vk.weight(vk.Recording(samples, rate, ("x",))).samples).sum())
    assert 10 * np.log10(max(energies) / min(energies)) < 0.001


def test_weighting_twice_raises() -> None:
    recording = vk.Recording(np.zeros((3, 6400)), 3200)
    with pytest.raises(UsageError, match="weighted already"):
        vk.weight(vk.weight(recording))


def test_block_length_suits_the_fft_and_holds_whole_frames() -> None:
    for rate in (*RATES, 203.4, 400, 5333.3):
        plan = plan_blocks(float(rate))
        assert plan.hop % plan.frame == 0
        assert plan.step % plan.every == plan.history % plan.every == plan.guard % plan.every == 0
        assert plan.history / rate >= HISTORY_S
        assert plan.thinned_rate >= min(rate, 3200)
        n = plan.size
        for prime in (2, 3, 5):
            while n % prime == 0:
                n //= prime
        assert n == 1
