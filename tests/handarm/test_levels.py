"""The parts of one transform: phases, cut, step sums, peaks; each against arithmetic by hand or a plain transform."""

from __future__ import annotations

import numpy as np
import pytest

from vibekit.handarm.levels import (
    Filters,
    Levels,
    Workspace,
    _filtered,
    _per_frame,
    _phase_responses,
    _step_sums,
    _taper,
    frame_peaks,
    levels,
)
from vibekit.handarm.onepass import measure
from vibekit.handarm.weighting import band_limiting_response, plan_blocks, slope_response
from vibekit.recording.recording import FloatArray, Recording

RATES = [400.0, 3200.0, 6400.0, 25_600.0, 51_200.0, 96_000.0]


def stretches(rate: float, n_axes: int = 2) -> FloatArray:
    """Return as many stretches of noise as a buffer holds, wrapping at their ends as a transform takes them."""
    plan = plan_blocks(rate)
    return np.random.default_rng(int(rate)).standard_normal((n_axes, plan.hops, plan.size))


def limited_rows(rows: FloatArray, rate: float) -> FloatArray:
    """Return the band-limited rows at the full rate, by one plain transform each."""
    plan = plan_blocks(rate)
    return np.fft.irfft(np.fft.rfft(rows) * band_limiting_response(plan.bins_hz), plan.size)


@pytest.mark.parametrize("rate", RATES)
def test_phases_give_every_so_manyth_sample_of_the_plain_transform(rate: float) -> None:
    """Vaidyanathan 1993, 4.3 (from memory): the short transforms of the phases lose nothing but the samples between."""
    plan, rows = plan_blocks(rate), stretches(rate)
    assert _phase_responses(plan).shape == (plan.phases, plan.size // plan.phases // 2 + 1)
    limited, _, _ = _filtered(rows[0], Filters(plan), Workspace(plan))
    expected = limited_rows(rows[0], rate)[:, :: plan.phases]
    if plan.phases == 1:
        np.testing.assert_allclose(limited, expected, atol=1e-12)
    else:  # the bin at half the rate alone is held differently
        np.testing.assert_allclose(limited, expected, atol=1e-4 * np.abs(expected).max())


@pytest.mark.parametrize("rate", [6400.0, 25_600.0, 51_200.0])
def test_what_is_kept_and_what_is_cut_make_the_weighted_energy(rate: float) -> None:
    """Parseval: Σ of the whole weighted row = thinned samples × their spacing + the rest that the cut took."""
    plan, rows = plan_blocks(rate), stretches(rate, 1)[0]
    limited, thinned, rest = _filtered(rows, Filters(plan), Workspace(plan))
    n = limited.shape[1]
    bins = np.fft.rfft(limited)
    weighted = np.fft.irfft(bins * slope_response(plan.bins_hz[: n // 2 + 1]), n)
    whole = plan.phases * np.square(weighted).sum(axis=1)
    np.testing.assert_allclose(plan.every * np.square(thinned).sum(axis=1) + rest, whole, rtol=1e-6)
    assert thinned.shape[1] * plan.every == plan.size
    assert (rest > 0.0).all() and (rest < 0.05 * whole).all()


def test_nothing_is_cut_where_nothing_is_thinned() -> None:
    plan = plan_blocks(400.0)
    assert plan.thinning == 1
    assert (_taper(plan.bins_hz, plan) == 1.0).all()
    filters = Filters(plan)
    assert filters.rest.size == 0 and filters.cut_from == plan.size // 2 + 1
    np.testing.assert_allclose(filters.slope, slope_response(plan.bins_hz))


@pytest.mark.parametrize("rate", [6400.0, 51_200.0])
def test_the_cut_falls_over_the_last_tenth_of_half_the_low_rate(rate: float) -> None:
    """cos² of a quarter turn: 1 at its start, cos²(π/8) a quarter on, 1/2 half way, 0 at the end."""
    plan = plan_blocks(rate)
    half = plan.thinned_rate / 2
    assert half >= 1600.0  # the 1250 Hz band ends at 1413 Hz, below 0.9 of it
    places = np.array([0.0, 0.5, 0.9, 0.925, 0.95, 1.0, 1.5]) * half
    np.testing.assert_allclose(_taper(places, plan), [1.0, 1.0, 1.0, np.cos(np.pi / 8) ** 2, 0.5, 0.0, 0.0], atol=1e-12)
    filters = Filters(plan)
    first = plan.bins_hz[filters.cut_from]
    assert 0.9 * half < first <= 0.9 * half + plan.bins_hz[1]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("short", [0, 1, 777])
def test_levels_of_a_buffer_by_plain_sums(rate: float, short: int) -> None:
    """Samples after the last one count nothing; steps, frames and thinned samples end with it."""
    plan, rows = plan_blocks(rate), stretches(rate)
    count = plan.room - short
    found = levels(rows, count, Filters(plan), Workspace(plan))
    assert isinstance(found, Levels)
    steps, frames = -(-count // plan.step), -(-count // plan.frame)
    assert found.steps.shape == (2, steps) and found.thinned.shape == (2, -(-count // plan.every))
    assert found.weighted.shape == found.band_limited.shape == found.peak.shape == (2, frames)
    new = slice(plan.history, plan.history + plan.hop)
    limited = np.stack([limited_rows(axis, rate)[:, new].reshape(-1) for axis in rows])
    limited[:, count:] = 0.0
    kept = limited[:, :: plan.phases]
    sums = plan.phases * np.square(kept).reshape(2, -1, plan.frame // plan.phases).sum(axis=2)
    np.testing.assert_allclose(found.band_limited, sums[:, :frames], rtol=2e-3)
    highest = np.abs(kept).reshape(2, -1, plan.frame // plan.phases).max(axis=2)[:, :frames]
    assert (found.peak >= 0.999 * highest).all() and (found.peak <= 1.2 * highest).all()
    whole = frames - 1
    np.testing.assert_allclose(
        found.steps[:, : 8 * whole].reshape(2, -1, 8).sum(axis=2), found.weighted[:, :whole], rtol=1e-12
    )
    np.testing.assert_allclose(found.steps.sum(axis=1), found.weighted.sum(axis=1), rtol=1e-9)


def test_silence_has_no_levels() -> None:
    for rate in RATES:
        plan = plan_blocks(rate)
        found = levels(np.zeros((3, 1, plan.size)), plan.hop, Filters(plan), Workspace(plan))
        for values in (found.weighted, found.band_limited, found.peak, found.steps, found.thinned):
            assert values.shape[0] == 3 and not values.any()


def test_sums_by_hand() -> None:
    rows = np.array([[1.0, 2.0, 3.0, 4.0], [0.0, -1.0, 5.0, 0.5]])
    np.testing.assert_array_equal(_step_sums(rows, 2), [[5.0, 25.0], [1.0, 25.25]])
    steps = np.arange(32.0).reshape(2, 2, 8)  # 2 axes, 2 rows of 8 steps
    np.testing.assert_array_equal(_per_frame(steps), [[28.0, 92.0], [156.0, 220.0]])


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_top_of_a_parabola_is_found_exactly(sign: float) -> None:
    """5 - (k - 10.3)²/100 and 3 - (k - 27.6)²/100: tops of 5 and 3 in two frames of 20."""
    k = np.arange(40)
    wave = sign * np.where(k < 20, 5 - (k - 10.3) ** 2 / 100, 3 - (k - 27.6) ** 2 / 100)
    np.testing.assert_allclose(frame_peaks(wave[None], 20), [5.0, 3.0], rtol=1e-12)
    np.testing.assert_allclose(frame_peaks(np.stack([wave, 2 * wave]), 20), [5.0, 3.0, 10.0, 6.0], rtol=1e-12)


def test_the_parabola_reaches_into_the_next_frame_but_not_beyond_the_row() -> None:
    """Samples 0 4 | 5 0: 4 is no top; 5 with neighbours 4 and 0: 5 - (4 - 0)²/(8·(4 - 10 + 0)) = 5 + 1/3."""
    wave = np.array([[0.0, 4.0, 5.0, 0.0]])
    np.testing.assert_allclose(frame_peaks(wave, 2), [4.0, 5 + 1 / 3])
    flat = np.array([[2.0, 2.0, 2.0, 2.0]])
    assert frame_peaks(flat, 2).tolist() == [2.0, 2.0]


def test_the_parabola_reaches_what_stands_before_and_after_the_new_part() -> None:
    """Of 3 | 4 1 | 0 the top 4 has the neighbours 3 and 1: 4 - (3 - 1)²/(8·(3 - 8 + 1)) = 4.125."""
    wave = np.array([[3.0, 4.0, 1.0, 0.0]])
    np.testing.assert_allclose(frame_peaks(wave, 2, new=slice(1, 3)), [4.125])
    np.testing.assert_allclose(frame_peaks(wave[:, ::-1], 2, new=slice(1, 3)), [4.125])


@pytest.mark.parametrize("turn", [0.0, 0.19, 0.39])
def test_the_peak_of_a_tone_is_the_same_in_every_frame(turn: float) -> None:
    """8 samples per period lack up to 1 - cos(π/8) = 7.6 %; the parabola leaves under 1 %, at the ends of rows too."""
    time_s = np.arange(20 * 3200) / 3200.0
    tone = Recording(np.sin(2 * np.pi * (400.0 * time_s + turn))[None], 3200.0, axes=("x",))
    peaks = measure(tone).peak[0, 2:-2] / abs(band_limiting_response(400.0))
    assert peaks.min() > 0.99 and peaks.max() < 1.002


def test_the_last_sample_stands_for_itself() -> None:
    """After 1 2 3 nothing is known: 3, where a parabola through 2 3 0 makes 3 + (2 - 0)²/(8·4) = 3.125."""
    wave = np.array([[1.0, 2.0, 3.0, 0.0]])
    np.testing.assert_allclose(frame_peaks(wave, 4), [3.125])
    assert frame_peaks(wave, 4, 3).tolist() == [3.0]
    both = np.concatenate([wave, wave])  # only the last row ends early
    np.testing.assert_allclose(frame_peaks(both, 4, 3), [3.125, 3.0])
    np.testing.assert_allclose(frame_peaks(wave, 4, 4), [3.125])


@pytest.mark.parametrize("rate", [3200, 6400, 25_600])
@pytest.mark.parametrize("frequency", [50.0, 160.0, 400.0])
@pytest.mark.parametrize("turn", [0.0, 0.25, 0.4])
def test_a_tone_cut_off_in_full_motion_does_not_ring_high(rate: int, frequency: float, turn: float) -> None:
    """The recording ends `turn` of a period after the tone's top; its peak is |Hb|, as in every frame before."""
    time = (np.arange(5 * rate + 37) - (5 * rate + 36)) / rate
    wave = np.cos(2 * np.pi * (frequency * time + turn))
    track = measure(Recording(wave[None], rate, ("x",)))
    true = abs(complex(band_limiting_response(frequency)))
    assert track.peak[0, -1] <= 1.03 * true
