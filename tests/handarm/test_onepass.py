"""The one pass against plain computations on the whole signal: levels, bursts, peaks, what the thinning leaves out."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

import vibekit as vk
from vibekit.handarm.levels import frame_peaks
from vibekit.handarm.onepass import LevelTrack, measure
from vibekit.handarm.weighting import band_limiting_response, weighting_response
from vibekit.recording.recording import FloatArray


def one_axis(samples: FloatArray, rate: float) -> vk.Recording:
    return vk.Recording(samples[None], rate, ("x",))


def whole_filter(samples: FloatArray, rate: float, response: object) -> FloatArray:
    """Filter by one transform over the whole signal and as much silence again."""
    n = 2 * len(samples)
    bins = response(np.fft.rfftfreq(n, 1 / rate))  # type: ignore[operator]
    return np.fft.irfft(np.fft.rfft(samples, n) * bins, n)[: len(samples)]


def per_frame(values: FloatArray, track: LevelTrack) -> FloatArray:
    starts = np.concatenate([[0], np.cumsum(track.counts)[:-1]]).astype(int)
    return np.add.reduceat(values**2, starts)


@pytest.mark.parametrize("rate", [400, 2800, 3200, 6400, 11025, 25600, 44100, 51200, 96000])
def test_levels_of_every_frame_against_one_transform_of_the_whole(rate: int) -> None:
    """Noise of changing level up to 0.4 of the rate; the responses are checked against SciPy elsewhere.

    A frame of the thinned signal lies half a thinned sample beside the plain one: seen where the level is low.
    """
    rng = np.random.default_rng(rate)
    noise = scipy.signal.sosfilt(scipy.signal.butter(8, 0.4, fs=1, output="sos"), rng.standard_normal(int(9.3 * rate)))
    samples = noise * (1.2 + np.cos(2 * np.pi * np.arange(len(noise)) / rate / 3))
    track = measure(one_axis(samples, rate))
    weighted = whole_filter(samples, rate, weighting_response)
    limited = whole_filter(samples, rate, band_limiting_response)
    settled, whole = 4, len(track.counts) - 1
    ratio = track.weighted[0] / per_frame(weighted, track)
    np.testing.assert_allclose(ratio[settled:whole], 1.0, atol=0.02)
    assert track.weighted[0, settled:].sum() == pytest.approx(per_frame(weighted, track)[settled:].sum(), rel=5e-4)
    ratio = track.band_limited[0] / per_frame(limited, track)
    np.testing.assert_allclose(ratio[settled:whole], 1.0, atol=0.04 if rate > 40_000 else 0.001)
    assert track.band_limited[0, settled:].sum() == pytest.approx(
        per_frame(limited, track)[settled:].sum(), rel=0.005 if rate > 40_000 else 1e-4
    )


@pytest.mark.parametrize("rate", [6400, 12800, 51200])
@pytest.mark.parametrize("frequency", [1450.0, 1600.0, 2000.0, 2900.0])
def test_lines_above_the_thinned_band_count_with_their_own_factor(rate: int, frequency: float) -> None:
    time = np.arange(8 * rate) / rate
    magnitude = vk.grade(one_axis(np.sqrt(2) * np.sin(2 * np.pi * frequency * time), rate))
    assert magnitude.a_hw_mps2["x"] == pytest.approx(float(vk.weighting_factor(frequency)), rel=1e-3)


@pytest.mark.parametrize("frequency", [20.0, 300.0, 1100.0, 2300.0])
def test_a_burst_anywhere_counts_the_same(frequency: float) -> None:
    rate = 6400
    burst = np.sin(2 * np.pi * frequency * np.arange(960) / rate) * np.hanning(960)
    energies = []
    for at in range(rate, 8 * rate, 1777):
        samples = np.zeros(10 * rate)
        samples[at : at + 960] = burst
        track = measure(one_axis(samples, rate))
        energies.append((track.weighted.sum(), track.band_limited.sum(), track.bands.sum()))
        around = slice(int((at - 0.3 * rate) / 800), int((at + 0.6 * rate) / 800) + 1)
        assert track.weighted[0, around].sum() > 0.999 * track.weighted.sum()
    weighted, limited, bands = np.ptp(10 * np.log10(energies), axis=0)
    assert weighted < (0.001 if frequency < 1440 else 0.02)
    assert limited < 0.001
    assert bands < 0.005 or frequency > 1440


def test_a_burst_stands_where_it_was_beside_steady_noise() -> None:
    """High lines over a low hum: the weighted burst is the hum's neighbour, not spread over the block."""
    rate = 6400
    time = np.arange(10 * rate) / rate
    hum = 0.3 * np.sin(2 * np.pi * 100 * time)
    burst = np.where(np.abs(time - 5) < 0.5, 50.0, 0.0) * np.sin(2 * np.pi * 2000 * time)
    track = measure(one_axis(hum + burst, rate))
    expected = per_frame(whole_filter(hum + burst, rate, weighting_response), track)
    np.testing.assert_allclose(track.weighted[0, 8:-8], expected[8:-8], rtol=0.02)


def test_one_axis_bursts_leave_the_total_right() -> None:
    """What lies above the thinned band is spread by all axes together: the total of each frame stays right.

    (The frames lie half a thinned sample, 0.16 ms, beside the plain ones.)
    """
    rate, rng = 6400, np.random.default_rng(2)
    samples = 0.2 * rng.standard_normal((3, 8 * rate))
    samples[0, 3 * rate : 4 * rate] *= 40
    samples[1, 5 * rate : 6 * rate] *= 40
    track = measure(vk.Recording(samples, rate))
    expected = sum(per_frame(whole_filter(axis, rate, weighting_response), track) for axis in samples)
    np.testing.assert_allclose(track.weighted.sum(axis=0)[4:-1], expected[4:-1], rtol=0.03)


@pytest.mark.parametrize("rate", [3200, 6400, 25600, 51200])
def test_peaks_against_sixteen_times_as_many_samples(rate: int) -> None:
    """scipy.signal.resample of band-limited noise up to 1 kHz: what stands between the samples is found."""
    rng = np.random.default_rng(7)
    low_pass = scipy.signal.butter(8, 1000, fs=rate, output="sos")
    samples = scipy.signal.sosfilt(low_pass, rng.standard_normal(6 * rate))
    fine = scipy.signal.resample(whole_filter(samples, rate, band_limiting_response), 16 * len(samples))
    track = measure(one_axis(samples, rate))
    frame = 16 * int(track.counts[0])
    expected = np.abs(fine[: len(fine) // frame * frame]).reshape(-1, frame).max(axis=1)
    found = track.peak[0, : len(expected)]
    assert np.abs(found / expected - 1)[4:-1].max() < {3200: 0.15, 6400: 0.04}.get(rate, 0.01)


def test_a_peak_between_two_samples() -> None:
    """cos of a tenth of the rate sampled half a step beside its top: 0.9511 in the samples."""
    wave = np.cos(2 * np.pi * 0.1 * (np.arange(40) - 19.5))
    assert np.abs(wave).max() == pytest.approx(0.9511, abs=1e-4)
    assert frame_peaks(wave[None], 20)[0] == pytest.approx(1.0, abs=0.004)
    assert frame_peaks(-wave[None], 20)[0] == pytest.approx(1.0, abs=0.004)
    assert frame_peaks(np.zeros((2, 40)), 20).tolist() == [0.0] * 4


@pytest.mark.parametrize("seconds", [0.01, 0.3, 1.0, 2.0, 2.99, 11.4])
@pytest.mark.parametrize("rate", [6400, 51200])
def test_short_recordings_have_all_their_samples(seconds: float, rate: int) -> None:
    n = round(seconds * rate)
    samples = np.sqrt(2) * np.sin(2 * np.pi * 160 * np.arange(n) / rate)
    track = measure(one_axis(samples, rate))
    assert track.n_samples == n
    assert len(track.counts) == track.weighted.shape[1] == track.band_limited.shape[1] == track.peak.shape[1]
    settled = track.counts.cumsum() > 0.3 * rate
    if settled.any():
        mean = track.band_limited[0, settled].sum() / track.counts[settled].sum()
        assert mean == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize("rate", [6400, 51200])
def test_energy_of_the_bands_is_that_of_the_signal(rate: int) -> None:
    """Lines at midbands with silence before and after: Σ over bands is the mean square, wherever the blocks fall."""
    time = np.arange(12 * rate) / rate
    wave = sum(np.sin(2 * np.pi * f * time) for f in (31.6, 100.0, 316.0, 1000.0))
    for start in (1.0, 4.7, 6.2):
        part = np.where((time > start) & (time < start + 3), wave, 0.0)
        track = measure(one_axis(part, rate))
        assert track.bands.sum() == pytest.approx(np.square(part).sum(), rel=0.005)


def test_an_offset_starts_no_transient_at_either_end() -> None:
    rate, rng = 6400, np.random.default_rng(3)
    noise = 0.1 * rng.standard_normal(7 * rate)
    still, shifted = (measure(one_axis(noise + offset, rate)) for offset in (0.0, 30.0))
    np.testing.assert_allclose(shifted.weighted, still.weighted, rtol=1e-6)
    np.testing.assert_allclose(shifted.peak, still.peak, rtol=1e-6)


def test_every_axis_has_its_own_offset() -> None:
    """Means of 30, -5 and 0 m/s² side by side, each as if it stood alone."""
    rate, rng = 6400, np.random.default_rng(5)
    noise, offsets = 0.1 * rng.standard_normal((3, 3 * rate)), np.array([[30.0], [-5.0], [0.0]])
    still, shifted = (measure(vk.Recording(noise + offset, rate)) for offset in (0.0 * offsets, offsets))
    np.testing.assert_allclose(shifted.peak, still.peak, rtol=1e-6)


def test_steps_are_of_the_total_and_progress_is_the_share_done() -> None:
    """8 steps make a frame, of all axes together; what is told rises to 1."""
    rate, told = 3200, list[float]()
    samples = np.random.default_rng(4).standard_normal((3, 25 * rate)) * np.array([[1.0], [2.0], [3.0]])
    track = measure(vk.Recording(samples, rate), told.append)
    np.testing.assert_allclose(track.steps[: 8 * 199].reshape(-1, 8).sum(axis=1), track.weighted.sum(axis=0)[:199])
    assert len(track.steps) == 8 * len(track.counts) == 1600
    assert told == sorted(told) and told[-1] == 1.0 and 0.0 < told[0] < 1.0
