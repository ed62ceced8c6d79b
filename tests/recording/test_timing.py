"""Timestamps: rate, jitter, gaps, duplicates; resampling against exact signals."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import vibekit as vk
from vibekit.errors import InputError
from vibekit.recording.timing import Piece, drop_repeated, linear_loss, measure_clock, resample

Array = NDArray[np.float64]


def clock(stamps: Array, resolution: float = 1e-9, chunk: int = 1000):  # type: ignore[no-untyped-def]
    return measure_clock((stamps[i : i + chunk] for i in range(0, stamps.size, chunk)), resolution, "log")


@pytest.mark.parametrize("chunk", [17, 1000, 10**6])
def test_even_clock(chunk: int) -> None:
    found = clock(np.arange(5000) / 400, chunk=chunk)
    assert found.timing.mean_rate_hz == pytest.approx(400)
    assert (found.timing.resampled, found.timing.gaps, found.timing.duplicates) == (False, (), 0)
    assert found.pieces == (Piece(0, 5000, 0, 5000),)


@pytest.mark.parametrize("chunk", [17, 10**6])
def test_pieces_between_gaps(chunk: int) -> None:
    stamps = np.arange(5000) / 400
    stamps[1000:] += 0.5
    stamps[4000:] += 2 / 400
    found = clock(stamps, chunk=chunk)
    assert found.pieces == (Piece(0, 1000, 0, 1000), Piece(1000, 4000, 1200, 3000), Piece(4000, 5000, 4202, 1000))
    np.testing.assert_allclose(found.timing.gaps, [(2.5, 0.5)])
    assert (found.timing.bridged_places, found.timing.bridged_samples) == (1, 2)
    assert found.timing.mean_rate_hz == pytest.approx(400)
    assert found.timing.largest_step_s == pytest.approx(0.5 + 1 / 400)


def test_stamps_rounded_to_milliseconds_are_an_even_clock() -> None:
    """6400 samples a second written in ms: six or seven samples share a stamp, and the clock is even all the same."""
    found = clock(np.floor(np.arange(64000) / 6.4) / 1000, resolution=1e-3)
    assert not found.timing.resampled
    assert found.timing.mean_rate_hz == pytest.approx(6400, rel=1e-3)


@pytest.mark.parametrize("chunk", [17, 10**6])
def test_time_that_stands_still_or_runs_back(chunk: int) -> None:
    stamps = np.arange(1000) / 400
    still, back = stamps.copy(), stamps.copy()
    still[500:510] = still[500]
    back[700:] -= 0.1
    with pytest.raises(InputError, match="stand still over 10 samples"):
        clock(still, chunk=chunk)
    with pytest.raises(InputError, match="backwards at sample 700"):
        clock(back, chunk=chunk)
    with pytest.raises(InputError, match="stand still"):
        clock(np.zeros(50), chunk=chunk)


def test_repeated_rows_of_an_even_clock_are_left_out() -> None:
    stamps = np.repeat(np.arange(1000) / 400, np.where(np.arange(1000) % 100 == 50, 2, 1))
    found = clock(stamps)
    assert found.drop_repeated and found.timing.duplicates == 10
    assert found.timing.mean_rate_hz == pytest.approx(400)
    values = np.repeat(np.arange(1000.0), np.where(np.arange(1000) % 100 == 50, 2, 1))[:, None]
    kept = np.concatenate(list(drop_repeated([(stamps[:300], values[:300]), (stamps[300:], values[300:])])))
    np.testing.assert_array_equal(kept[:, 0], np.arange(1000.0))


@pytest.mark.parametrize("chunk", [13, 10**6])
def test_resampling_is_linear_interpolation(chunk: int) -> None:
    """Reference: numpy.interp over the whole at once."""
    random = np.random.default_rng(4)
    stamps = np.cumsum(random.uniform(0.002, 0.008, 2000))
    values = random.standard_normal((2000, 3))
    rate, n = 200.0, int((stamps[-1] - stamps[0]) * 200) + 1
    chunks = ((stamps[i : i + chunk], values[i : i + chunk]) for i in range(0, 2000, chunk))
    out = np.concatenate(list(resample(chunks, stamps[0], rate, n)))
    grid = stamps[0] + np.arange(n) / rate
    np.testing.assert_allclose(out, np.stack([np.interp(grid, stamps, v) for v in values.T], axis=1), atol=1e-12)


def test_amplitude_loss_of_linear_interpolation() -> None:
    """A line between samples a step apart keeps sinc² of its amplitude: projected on a dense grid."""
    step, frequency = 0.005, 40.0
    stamps = np.arange(4001) * step
    fine = np.arange(0, 20, step / 64)
    line = np.interp(fine, stamps, np.sin(2 * np.pi * frequency * stamps))
    kept = 2 * np.mean(line * np.sin(2 * np.pi * frequency * fine))
    assert 1 - kept == pytest.approx(linear_loss(frequency, step), rel=0.01)


def test_jittered_phone_log_keeps_a_slow_line(tmp_path: Path) -> None:
    random = np.random.default_rng(8)
    stamps = np.cumsum(random.gamma(4.0, 0.005 / 4, 4000))
    lines = [f"{t * 1e9:.0f},{3 * np.sin(2 * np.pi * 11 * t):.6f},0,9.81" for t in stamps]
    file = tmp_path / "phone.csv"
    file.write_text("time_ns,ax,ay,az\n" + "\n".join(lines))
    recording = vk.read(file, unit="m/s2")
    timing = recording.origin.timing
    assert timing is not None and timing.resampled
    assert "resampled" in {n.code for n in recording.origin.notices}
    spectrum = np.abs(np.fft.rfft(recording.samples[0] * np.hanning(recording.n_samples)))
    peak = np.argmax(spectrum) * recording.sample_rate / recording.n_samples
    assert peak == pytest.approx(11, abs=0.1)
    assert recording.samples[0].std() * np.sqrt(2) == pytest.approx(3, rel=0.1)


@pytest.mark.skipif("VIBEKIT_REAL_DATA" not in os.environ, reason="real recordings are not here")
def test_real_phone_log() -> None:
    """Its README: 103492 rows, mean 203.4 Hz, largest step 32 ms, 1.8 % duplicates, spin line 19.15 Hz late in it."""
    recording = vk.read(Path(os.environ["VIBEKIT_REAL_DATA"]) / "phone" / "washer_spin_phone.csv", unit="g")
    timing = recording.origin.timing
    assert timing is not None
    assert timing.mean_rate_hz == pytest.approx(203.4, abs=0.1)
    assert timing.largest_step_s == pytest.approx(0.032, abs=1e-6)
    assert timing.duplicates / 103492 == pytest.approx(0.018, abs=0.001)
    late = recording.samples[:, -round(60 * recording.sample_rate) :]
    spectrum = np.abs(np.fft.rfft(late * np.hanning(late.shape[1]), axis=1)).sum(axis=0)
    f = np.fft.rfftfreq(late.shape[1], 1 / recording.sample_rate)
    inside = (f > 17) & (f < 21)
    assert f[inside][np.argmax(spectrum[inside])] == pytest.approx(19.15, abs=0.3)
