"""What one pass measures, against numpy and SciPy over the whole recording at once."""

from __future__ import annotations

from itertools import groupby

import numpy as np
import pytest
import scipy.signal
import scipy.stats

from tests.robustness.cut import Cut
from vibekit.recording.measures import BINS, Histogram, QualityPass, Run, measure
from vibekit.recording.recording import Recording

RATE = 1000.0
LONG = 140_123  # three blocks of 65500 samples, whole frames of 125


def noise(n: int = LONG, seed: int = 1) -> Recording:
    """Return three axes that lean on each other, with offsets, in steps of 0.01 m/s²; the second half is louder."""
    random = np.random.default_rng(seed)
    mixed = np.array([[1.0, 0.3, 0.0], [0.0, 2.0, 0.5], [0.2, 0.0, 0.5]]) @ random.standard_normal((3, n))
    loud = np.where(np.arange(n) < n // 2, 1.0, 6.0)
    return Recording(np.round(mixed * loud + np.array([[9.81], [-3.0], [0.0]]), 2), RATE)


def test_moments_and_ends() -> None:
    recording = noise()
    found, samples = measure(recording), recording.samples
    assert (found.n_samples, found.sample_rate, found.duration_s) == (LONG, RATE, LONG / RATE)
    np.testing.assert_allclose(found.mean, samples.mean(axis=1), rtol=1e-9)
    np.testing.assert_allclose(found.covariance, np.cov(samples, bias=True), rtol=1e-9)
    np.testing.assert_allclose(found.rms, samples.std(axis=1), rtol=1e-9)
    np.testing.assert_array_equal(found.peak_low, samples.min(axis=1))
    np.testing.assert_array_equal(found.peak_high, samples.max(axis=1))
    np.testing.assert_allclose(found.lsb, 0.01, rtol=1e-6)


def test_moments_of_every_frame() -> None:
    """Frames of 0.125 s; second and fourth central moment by scipy.stats, of the differences about zero."""
    recording = noise()
    found = measure(recording)
    n_frames = LONG // 125
    frames = recording.samples[:, : n_frames * 125].reshape(3, n_frames, 125)
    np.testing.assert_allclose(found.frame_square, scipy.stats.moment(frames, 2, axis=2), rtol=1e-9)
    np.testing.assert_allclose(found.frame_fourth, scipy.stats.moment(frames, 4, axis=2), rtol=1e-9)
    np.testing.assert_allclose(found.slope_square, np.mean(np.diff(frames, axis=2) ** 2, axis=2), rtol=1e-9)
    np.testing.assert_allclose(found.slope_fourth, np.mean(np.diff(frames, axis=2) ** 4, axis=2), rtol=1e-9)
    np.testing.assert_allclose(found.levels, np.sqrt(frames.var(axis=2).sum(axis=0)), rtol=1e-9)


def test_amplitudes_are_counted_whatever_comes_later() -> None:
    """The range set by the first block doubles as often as a later one needs; no sample is lost or moved far."""
    recording = noise()
    found = measure(recording)
    for histogram, row in zip(found.histograms, recording.samples, strict=True):
        assert histogram.counts.sum() == LONG and len(histogram.counts) == BINS
        assert histogram.low == pytest.approx(-histogram.width * BINS / 2)
        for low, high in ((-2.0, 1.0), (0.5, np.inf), (-np.inf, -1.0), (-np.inf, np.inf), (9.0, 9.5)):
            slack = sum(np.count_nonzero(np.abs(row - edge) <= histogram.width) for edge in (low, high))
            assert abs(histogram.between(low, high) - np.count_nonzero((row >= low) & (row < high))) <= slack


def test_values_that_stand_apart_are_counted_exactly() -> None:
    values = np.concatenate([np.tile([-1.0, 0.5, 1.0], 22_000), np.repeat([-7.0, 3.0, 100.0], [5, 7, 2])])
    (histogram,) = measure(Recording(values[None], RATE, ("x",))).histograms
    counts = {v: histogram.between(v - 0.2, v + 0.2) for v in (-7.0, -1.0, 0.5, 1.0, 3.0, 100.0)}
    assert counts == {-7.0: 5, -1.0: 22_000, 0.5: 22_000, 1.0: 22_000, 3.0: 7, 100.0: 2}
    assert Histogram(-1.0, 0.5, np.array([1, 2, 4, 8])).between(-0.5, 0.5) == 6
    silent = measure(Recording(np.zeros((1, 500)), RATE, ("x",))).histograms[0]
    assert silent.between(-1e-12, 1e-12) in (0, 500) and silent.counts.sum() == 500


def test_density_against_scipy() -> None:
    """Welch's mean over segments without overlap, Hann window, each without its mean; 4096 samples are about 4 s."""
    recording = noise(40_960)
    spectra = measure(recording).spectra
    f, density = scipy.signal.welch(recording.samples, RATE, "hann", 4096, 0, detrend="constant")
    np.testing.assert_allclose(spectra.frequency_hz, f)
    np.testing.assert_allclose(spectra.mean[:, 1:-1], density[:, 1:-1], rtol=1e-6)
    segments = [
        scipy.signal.welch(recording.samples[:, i : i + 4096], RATE, "hann", 4096, 0, detrend="constant")[1]
        for i in range(0, 40_960, 4096)
    ]
    quietest = min(segments, key=np.sum)
    np.testing.assert_allclose(spectra.quiet[:, 1:-1], quietest[:, 1:-1], rtol=1e-6)
    assert spectra.line_shares.shape == spectra.slope_shares.shape == (3, 10)


@pytest.mark.parametrize(
    ("n", "lines"), [(40_000, 2049), (16_000, 2049), (8191, 1025), (4000, 513), (100, 17), (10, 5)]
)
def test_length_of_the_segments(n: int, lines: int) -> None:
    """The largest power of two up to 8 s or half the recording, at least 8."""
    spectra = measure(noise(n)).spectra
    assert spectra.frequency_hz.shape == (lines,)
    assert spectra.frequency_hz[-1] == RATE / 2


def test_a_short_recording_of_unknown_length_keeps_its_power() -> None:
    """Parseval: the density integrates to the mean square, also where the only segment is not full.

    Reference: SciPy's periodogram of the samples there are, with zeros behind.
    """
    random = np.random.default_rng(5)
    short = Recording(random.standard_normal((2, 1000)) + 5.0, RATE, ("x", "y"))
    spectra = measure(Cut(short, 1000)).spectra
    f, density = scipy.signal.periodogram(short.samples, RATE, "hann", 4096, "constant")
    np.testing.assert_allclose(spectra.frequency_hz, f)
    np.testing.assert_allclose(spectra.mean[:, 1:-1], density[:, 1:-1], rtol=1e-6)
    np.testing.assert_array_equal(spectra.mean, spectra.quiet)
    np.testing.assert_allclose(spectra.mean.sum(axis=1) * f[1], short.samples.var(axis=1), rtol=0.1)


def test_shares_of_the_lines() -> None:
    """Lines of power 9 and 1 at 50 and 200 Hz: 0.9² + 0.1²; of their slopes, times f²: 22500 and 40000.

    What lies below 5 Hz, the hand's own motion, does not count.
    """
    t = np.arange(32_768) / 1024
    tone = 3 * np.sin(2 * np.pi * 50 * t) + np.sin(2 * np.pi * 200 * t) + 20 * np.sin(2 * np.pi * 3 * t)
    spectra = measure(Recording(np.stack([tone, np.zeros(t.size)]), 1024.0, ("x", "y"))).spectra
    np.testing.assert_allclose(spectra.line_shares[0], 0.82, rtol=1e-3)
    np.testing.assert_allclose(spectra.slope_shares[0], 0.36**2 + 0.64**2, rtol=1e-2)
    assert not spectra.line_shares[1].any()


def test_six_lines_as_wide_as_a_wandering_speed() -> None:
    """Seven equal lines: six are taken, each a seventh. Two within 4 % of their frequency are one."""
    t = np.arange(32_768) / 1024
    seven = sum(np.sin(2 * np.pi * f * t) for f in (20, 40, 70, 110, 160, 250, 400))
    pair = np.sin(2 * np.pi * 200 * t) + np.sin(2 * np.pi * 207 * t)
    spectra = measure(Recording(np.stack([seven, pair]), 1024.0, ("x", "y"))).spectra
    np.testing.assert_allclose(spectra.line_shares[0], 6 / 49, rtol=1e-3)
    np.testing.assert_allclose(spectra.line_shares[1], 1.0, rtol=1e-3)


def test_runs_of_equal_samples_also_across_blocks() -> None:
    """From 2 ms and eight samples on, each once, where a block ends or not; at 8000 a second 16 samples."""
    random = np.random.default_rng(3)
    samples = random.standard_normal((2, LONG))
    wanted = [(0, 100, 8), (0, 65_490, 30), (0, 131_000, 9), (1, 0, 12), (1, 65_500, 20), (1, LONG - 10, 10)]
    for row, start, length in wanted:
        samples[row, start : start + length] = samples[row, start]
    samples[0, 300:307] = 5.0  # seven are too few
    recording = Recording(samples, RATE, ("x", "y"))
    runs = [Run(row, start, length, samples[row, start]) for row, start, length in wanted]
    assert sorted(measure(recording).runs, key=lambda r: (r.row, r.start)) == runs
    fast = measure(Recording(np.repeat([[1.0, 2.0, 3.0]], [15, 16, 17], axis=1), 8000.0, ("x",))).runs
    assert fast == (Run(0, 15, 16, 2.0), Run(0, 31, 17, 3.0))
    whole = measure(Recording(np.zeros((1, LONG)), RATE, ("x",))).runs
    assert whole == (Run(0, 0, LONG, 0.0),)


def test_smallest_step() -> None:
    def step(values: list[float]) -> float:
        return float(measure(Recording(np.array([values * 20]), RATE, ("x",))).lsb[0])

    assert step([0.0, 0.5, 1.25, 1.0]) == 0.25
    assert step([3.0]) == 0.0
    assert step([1.0, 1.0 + 1e-13, 2.0]) == pytest.approx(1.0)  # rounding of the arithmetic is no step


def test_progress_where_the_length_is_known() -> None:
    told: list[float] = []
    measure(noise(), told.append)
    assert told == [pytest.approx(65_500 / LONG), pytest.approx(131_000 / LONG), 1.0]
    measure(Cut(noise(1000), 1000), told.append)
    assert len(told) == 3


def test_runs_of_equal_samples_are_those_counted_one_by_one() -> None:
    rng = np.random.default_rng(2)
    for _ in range(60):
        samples = rng.integers(-1000, 1000, 4000).astype(float)
        for start in rng.integers(0, 4000, 8):
            samples[start : start + rng.integers(2, 100)] = samples[start]
        found, least = QualityPass(1, 4096.0, 2_000_000), round(0.008 * 4096)
        for part in np.split(samples, np.sort(rng.integers(0, 4000, 4))):
            found.add(part[None])
        groups = [list(group) for _, group in groupby(samples.tolist())]
        ends = np.cumsum([len(group) for group in groups])
        expected = [(end - len(g), len(g), g[0]) for end, g in zip(ends, groups, strict=True) if len(g) >= least]
        assert [(run.start, run.length, run.value) for run in found.measures().runs] == expected
