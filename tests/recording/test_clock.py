"""Clocks at and beside their limits: gaps, late and repeated stamps, rounding, jitter; shared stamps averaged."""

from __future__ import annotations

import numpy as np
import pytest

from tests.recording.test_timing import Array, clock
from vibekit.errors import InputError
from vibekit.recording.gaps import even_frames, known_samples
from vibekit.recording.timing import Piece, drop_repeated, resample

CHUNKS = (3, 7, 10**6)


@pytest.mark.parametrize("chunk", [1, 17, 10**6])
def test_an_even_clock_that_starts_late(chunk: int) -> None:
    found = clock(1000.25 + np.arange(4001) / 256, chunk=chunk)
    assert (found.rows, found.pieces, found.n_frames) == (4001, (Piece(0, 4001, 0, 4001),), 4001)
    assert (found.start_s, found.drop_repeated) == (1000.25, False)
    assert found.timing.mean_rate_hz == 256
    assert (found.timing.median_step_s, found.timing.largest_step_s, found.timing.jitter_s) == (1 / 256, 1 / 256, 0.0)


@pytest.mark.parametrize("chunk", CHUNKS)
def test_each_piece_counts_its_own_repeated_rows(chunk: int) -> None:
    """One stamp stands twice just before a gap and one just after it; each counts for its own side."""
    stamps = 500 + np.concatenate([np.arange(40.0), [39.0], [45.0, 45.0], np.arange(46.0, 146.0)])
    found = clock(stamps, chunk=chunk)
    assert (found.timing.gaps, found.timing.duplicates, found.drop_repeated) == (((40.0, 5.0),), 2, True)
    assert (found.pieces, found.start_s) == ((Piece(0, 41, 0, 40), Piece(41, 143, 45, 101)), 500.0)
    assert (found.timing.mean_rate_hz, found.n_frames) == (1.0, 146)


@pytest.mark.parametrize("chunk", CHUNKS)
def test_gaps_stand_on_the_clock_of_the_recording(chunk: int) -> None:
    """At 100 Hz up to 2 samples (20 ms) in a row are bridged, more are unknown."""
    lost = {*range(100, 102), 500, *range(700, 703), *range(900, 1150)}
    rows = np.array([i for i in range(2000) if i not in lost])
    found = clock(7.0 + rows / 100, chunk=chunk)
    assert found.timing.mean_rate_hz == pytest.approx(100, rel=1e-12) and found.n_frames == 2000
    np.testing.assert_allclose(found.timing.gaps, [(7.0, 0.03), (9.0, 2.5)])
    assert found.timing.unknown_s == pytest.approx(2.53)
    assert (found.timing.bridged_places, found.timing.bridged_samples) == (2, 3)
    np.testing.assert_allclose(found.timing.cut(8.0, 10.0).gaps, [(1.0, 1.0)])
    np.testing.assert_allclose(found.timing.cut(7.01, None).gaps, [(0.0, 0.02), (1.99, 2.5)])
    values = np.concatenate(
        list(even_frames(found, ((np.empty(0), v[:, None]) for v in np.array_split(1.0 * rows, 9))))
    )
    known = known_samples(found.timing, 100.0, 0, 2000)
    assert known is not None and np.flatnonzero(~known).tolist() == [*range(700, 703), *range(900, 1150)]
    np.testing.assert_allclose(values[known, 0], np.flatnonzero(known), rtol=1e-4)  # also where it is filled in
    for start in (650, 701, 899, 1149, 1150):
        part = known_samples(found.timing, 100.0, start, 300)
        np.testing.assert_array_equal(np.ones(300, bool) if part is None else part, known[start : start + 300])
    # fill: from the mean of the half second before to that of the half second after
    np.testing.assert_allclose(values[900:1150, 0], np.linspace(874.5, 1174.5, 252)[1:-1])


def test_a_day_without_samples_is_not_one_recording() -> None:
    stamps = np.arange(200.0)
    stamps[120:] += 90_000.0
    with pytest.raises(InputError, match=r"^log: time jumps by 25 h at sample 120: .* split it there"):
        clock(stamps)


@pytest.mark.parametrize("chunk", [2, *CHUNKS])
@pytest.mark.parametrize(("equal", "still"), [(4, False), (5, True), (12, True)])
def test_how_long_time_may_stand_still(equal: int, still: bool, chunk: int) -> None:
    """Four equal stamps after the first are none that a recorder repeats (own rule), wherever the file is cut."""
    stamps = np.concatenate([np.arange(101.0), np.full(equal - 1, 100.0), np.arange(101.0, 200.0)])
    if still:
        with pytest.raises(InputError, match=rf"^log: timestamps stand still over {equal} samples"):
            clock(stamps, chunk=chunk)
    else:
        assert clock(stamps, chunk=chunk).timing.duplicates == equal - 1


def test_stamps_of_no_use() -> None:
    with pytest.raises(InputError, match=r"^log: timestamps run backwards at sample 4:"):
        clock(np.array([0.0, 1.0, 1.0, 2.0, 1.5, 3.0]))
    for stamps in ([], [3.0]):
        with pytest.raises(InputError, match=f"^log: holds {len(stamps)} samples: too few"):
            clock(np.array(stamps))
    assert clock(np.array([3.0, 3.5])).timing.mean_rate_hz == 2.0


def swaying(part: float, steps: int = 2000) -> Array:
    """Return stamps whose steps are 1 ± `part` in turn: r.m.s. deviation `part`."""
    return np.concatenate([[0.0], np.cumsum(np.tile([1 + part, 1 - part], steps // 2))])


@pytest.mark.parametrize(
    ("part", "resolution", "even"),
    [(0.049, 1e-9, True), (0.051, 1e-9, False), (0.119, 0.2, True), (0.121, 0.2, False)],
)
def test_jitter_of_a_twentieth_or_of_what_rounding_explains(part: float, resolution: float, even: bool) -> None:
    """5 % of the step, or 0.6 of the resolution (rounding of both ends: up to 0.41 r.m.s.)."""
    found = clock(swaying(part), resolution, chunk=10**6)
    assert found.timing.resampled is not even
    assert found.timing.jitter_s == pytest.approx(part)
    assert clock(swaying(0.02), chunk=101).timing.jitter_s == pytest.approx(0.02)


@pytest.mark.parametrize("chunk", [100, 10**6])
@pytest.mark.parametrize(("late", "even"), [(20, True), (21, False)])
def test_a_fiftieth_of_the_steps_may_be_late(late: int, even: bool, chunk: int) -> None:
    steps = np.ones(1000)
    steps[15 : 15 + 40 * late : 40] = 2.0
    found = clock(np.concatenate([[0.0], np.cumsum(steps)]), chunk=chunk)
    assert found.timing.resampled is not even
    assert (found.timing.bridged_places, found.timing.gaps) == (late if even else 0, ())


@pytest.mark.parametrize(("sway", "step", "gaps"), [(0.0, 1.55, 0), (0.0, 1.65, 1), (0.3, 10.05, 0), (0.3, 10.15, 1)])
def test_steps_that_are_gaps(sway: float, step: float, gaps: int) -> None:
    """1.5 steps on an even clock, 10 on one that wanders, each and the resolution (0.1)."""
    stamps = swaying(sway)
    stamps[1001:] += step - 1 - sway  # the step between the two is 1 + sway
    found = clock(stamps, 0.1, chunk=10**6)
    assert (found.timing.resampled, found.timing.bridged_places + len(found.timing.gaps)) == (sway > 0, gaps)
    assert found.timing.largest_step_s == pytest.approx(step)


def test_rounding_to_milliseconds_is_seen_in_the_stamps() -> None:
    """6400 Hz in whole ms, whatever digits are written; and 400 Hz: steps of 2 and 3 ms are 2.5, gap or not."""
    shared = clock(np.floor(np.arange(64_000) / 6.4) / 1000, resolution=1e-9)
    assert not shared.timing.resampled and not shared.drop_repeated
    assert shared.timing.mean_rate_hz == pytest.approx(6400, rel=1e-3)
    stamps = np.floor(np.arange(4000) * 2.5) / 1000
    stamps[3000:] += 60.0
    found = clock(stamps, resolution=1e-3, chunk=10**6)
    np.testing.assert_allclose(found.timing.gaps, [(7.5, 60.0)], atol=0.004)
    assert not found.timing.resampled
    assert found.timing.median_step_s == pytest.approx(2.5e-3, rel=1e-3)


@pytest.mark.parametrize(("held", "still"), [(9, False), (12, True)])
def test_more_equal_stamps_than_rounding_explains(held: int, still: bool) -> None:
    """At 6400 Hz one millisecond is 6.4 samples: 8 steps of 0.156 ms are 1.25 ms, 11 are 1.72 ms, over 1.5."""
    stamps = np.floor(np.arange(6400) / 6.4) / 1000
    start = int(np.searchsorted(stamps, 0.5))
    stamps = np.concatenate([stamps[:start], np.full(held, 0.5), stamps[stamps > 0.5]])
    if still:
        with pytest.raises(InputError, match=f"stand still over {held} samples"):
            clock(stamps, resolution=1e-3)
    else:
        assert not clock(stamps, resolution=1e-3).timing.resampled


def test_repeated_rows_are_left_out_across_chunks() -> None:
    chunks = [(np.array(s), np.array(v)[:, None]) for s, v in (([0.0, 1.0, 2.0], [1, 2, 3]), ([2.0, 3.0], [4, 5]))]
    assert np.concatenate(list(drop_repeated(chunks)))[:, 0].tolist() == [1, 2, 3, 5]


@pytest.mark.parametrize("size", [1, 2, 3, 7, 100])
def test_samples_that_share_a_stamp_are_averaged(size: int) -> None:
    """Reference: numpy.interp over the mean of each stamp; beyond the last stamp its value is held."""
    random = np.random.default_rng(2)
    stamps = np.repeat(np.cumsum(random.uniform(0.5, 1.5, 30)), random.integers(1, 5, 30))
    stamps = np.concatenate([[0.2] * 4, stamps])
    values = random.standard_normal((stamps.size, 2))
    unique = np.unique(stamps)
    means = np.stack([values[stamps == s].mean(axis=0) for s in unique])
    n = int((unique[-1] - unique[0]) * 3.0) + 3
    grid = unique[0] + np.arange(n) / 3.0
    chunks = ((stamps[i : i + size], values[i : i + size]) for i in range(0, stamps.size, size))
    out = np.concatenate(list(resample(chunks, float(unique[0]), 3.0, n)))
    np.testing.assert_allclose(out, np.stack([np.interp(grid, unique, m) for m in means.T], axis=1), atol=1e-12)
