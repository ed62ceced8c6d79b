"""Trigger-on and clipping at and beside their limits, on levels and distributions made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.ndimage

from vibekit.recording.clipping import Clipping, find_clipping
from vibekit.recording.measures import Histogram
from vibekit.recording.segments import middle, otsu, running_median, trigger_on


def off_on_off(off: float, on: float) -> np.ndarray:
    return np.repeat([off, on, off], [80, 160, 80])


@pytest.mark.parametrize(
    ("off", "on", "split"),
    [
        (0.9, 0.9 * 3.96, False),  # 11.95 dB
        (0.9, 0.9 * 4.0, True),  # 12.04 dB, and the lower level is quiet in itself
        (1.1, 1.1 * 19.9, False),  # 25.98 dB from a level that is not
        (1.1, 1.1 * 20.0, True),  # 26.02 dB
    ],
)
def test_how_far_off_and_on_lie_apart(off: float, on: float, split: bool) -> None:
    levels = off_on_off(off, on)
    found = trigger_on(levels)
    assert found.single_state is (not split)
    np.testing.assert_array_equal(found.on, levels == on if split else True)
    if split:
        assert found.contrast_db == pytest.approx(20 * np.log10(on / off))
        assert found.threshold_mps2 == pytest.approx((off * on) ** 0.5)  # half way in decibels
    else:
        assert (found.contrast_db, found.threshold_mps2) == (None, None)


def test_what_lies_30_db_down_is_all_off() -> None:
    """Silence and handling, 60 and 40 dB below the tool, are both off; both count as 30 dB down."""
    levels = np.repeat([0.01, 0.1, 10.0, 0.1, 0.01], [30, 30, 160, 30, 30])
    found = trigger_on(levels)
    np.testing.assert_array_equal(found.on, levels == 10.0)
    assert found.contrast_db == pytest.approx(30.0)
    assert found.threshold_mps2 == pytest.approx(10.0 * 10 ** (-15 / 20))


def test_a_split_between_no_load_and_load_is_tried_again_below() -> None:
    levels = np.repeat([0.5, 6.0, 60.0, 6.0, 0.5], [60, 60, 200, 60, 60])
    found = trigger_on(levels)
    np.testing.assert_array_equal(found.on, levels > 1)
    still = trigger_on(np.repeat([6.0, 60.0, 6.0], [60, 200, 60]))
    assert still.single_state and still.on.all()


@pytest.mark.parametrize(("frame_s", "blip"), [(0.125, 4), (0.25, 2), (0.0625, 8), (1.0, 0)])
def test_events_shorter_than_half_a_second_change_nothing(frame_s: float, blip: int) -> None:
    """The median over 1 s (odd: 9, 5, 17, 1 frames) takes no notice of fewer than half of its frames."""
    for length, on in ((blip, False), (blip + 1, True)):
        levels = np.full(200, 0.1)
        levels[100 : 100 + length] = 10.0
        assert trigger_on(levels, frame_s).single_state is not on


def test_a_gentle_tool_is_a_tool() -> None:
    levels = off_on_off(0.01, 0.5)
    np.testing.assert_array_equal(trigger_on(levels).on, levels == 0.5)


def test_levels_next_to_each_other_are_one_state() -> None:
    """Two neighbouring numbers have no number between them to split at."""
    for level in np.geomspace(0.01, 100.0, 200):
        pair = np.repeat([level, np.nextafter(level, np.inf)], 20)
        assert trigger_on(pair).single_state
        assert trigger_on(np.concatenate([pair, np.full(20, 30 * level)])).on.shape == (60,)


def test_running_median_against_scipy() -> None:
    values = np.random.default_rng(1).standard_normal(101)
    for width in (1, 3, 9, 31):
        expected = scipy.ndimage.median_filter(values, width, mode="nearest")
        np.testing.assert_array_equal(running_median(values, width), expected)
    assert running_median(np.empty(0), 9).size == 0
    assert middle(values) == np.median(values)


@pytest.mark.parametrize("seed", range(8))
def test_otsu_against_its_definition(seed: int) -> None:
    """Otsu 1979 eq. 14: the cut between neighbours with the largest variance between the classes, by trying all."""
    random = np.random.default_rng(seed)
    values = np.concatenate([random.normal(0, 1, random.integers(2, 40)), random.normal(4, 1, random.integers(2, 40))])
    ordered = np.sort(values)
    between = [i * (len(ordered) - i) * (ordered[:i].mean() - ordered[i:].mean()) ** 2 for i in range(1, len(ordered))]
    best = int(np.argmax(between)) + 1
    assert otsu(values) == pytest.approx((ordered[best - 1] + ordered[best]) / 2)


BINS, WIDTH = 2000, 0.001  # from -1 to 1 m/s²


def flat(each: int = 10, top: int = 0, bottom: int = 0, upto: float = 1.0) -> Histogram:
    """Return as many samples in every bin below `upto`, and more in the first and the last bin."""
    counts = np.full(BINS, each, dtype=np.int64)
    counts[round((upto + 1) / WIDTH) :] = 0
    counts[0] += bottom
    counts[-1] += top
    return Histogram(-1.0, WIDTH, counts)


@pytest.mark.parametrize(
    ("top", "bottom", "samples", "level", "side"),
    [
        (120, 0, 0, None, ""),
        (121, 0, 151, 1.0, "the upper side"),
        (0, 120, 0, None, ""),
        (0, 121, 151, -1.0, "the lower side"),
        (200, 300, 560, -1.0, "both sides"),
        (300, 200, 560, 1.0, "both sides"),
        (300, 300, 660, 1.0, "both sides"),
    ],
)
def test_flat_tops_of_an_even_distribution(top: int, bottom: int, samples: int, level: float | None, side: str) -> None:
    """The thinnest layer is three bins: 30 samples and those stacked, which must be over 5 times the 30 below."""
    found = find_clipping(flat(top=top, bottom=bottom), -1.0, 1.0, 0.0, None)
    assert (found.samples, found.level_mps2) == (samples, level)
    assert found.how == (f"flat tops on {side}" if side else "none")


@pytest.mark.parametrize("scale", [0.01, 10.0])
def test_a_layer_is_a_share_of_the_span_and_two_steps_thick_at_least(scale: float) -> None:
    """Steps of 0.8 % of half the span: 16 bins hold 160 samples, and 121 more are not five times as many."""
    histogram = replace(flat(top=121), low=-scale, width=scale * WIDTH)
    assert find_clipping(histogram, -scale, scale, 0.0, None).samples == 151
    assert find_clipping(histogram, -scale, scale, 0.008 * scale, None) == Clipping(0)


@pytest.mark.parametrize(("top", "samples"), [(5, 0), (6, 6)])
def test_a_few_samples_alone_at_the_top(top: int, samples: int) -> None:
    """A quarter of 20 is enough in the thinnest layer, if more than 5 times what lies below (at least 1)."""
    assert find_clipping(flat(top=top, upto=0.9), -1.0, 1.0, 0.0, None).samples == samples


@pytest.mark.parametrize(
    ("away", "count", "samples"), [(0.005, 18, 0), (0.005, 19, 20), (0.02, 19, 20), (0.05, 19, 20), (0.07, 50, 0)]
)
def test_a_soft_limit_makes_a_thicker_layer(away: float, count: int, samples: int) -> None:
    """20 in a layer of 1, 3 or 6 % of half the span (the largest sample among them), nothing in the layer below."""
    histogram = flat(top=1, upto=0.8)
    histogram.counts[-1 - round(away / WIDTH)] = count
    assert find_clipping(histogram, -1.0, 1.0, 0.0, None).samples == samples


def test_coarse_steps_and_few_levels_say_nothing() -> None:
    """Under 200 steps of the resolution, or with fewer than 5 % of the levels that could occur."""
    clipped = flat(top=900)
    assert find_clipping(clipped, -1.0, 1.0, 2.0 / 201, None).samples > 0
    assert find_clipping(clipped, -1.0, 1.0, 2.0 / 199, None) == Clipping(0)
    for levels, tells in ((101, True), (98, False)):  # 5 % of 2000 bins
        counts = np.zeros(BINS, dtype=np.int64)
        counts[np.linspace(0, 1800, levels - 1).astype(int)] = 100
        counts[-1] = 20_000
        found = find_clipping(Histogram(-1.0, WIDTH, counts), -1.0, 1.0, 0.0, None)
        assert (found.samples > 0) is tells, np.count_nonzero(counts)


@pytest.mark.parametrize("per_turn", [5, 8, 20, 40, 100, 200])
def test_a_tone_in_step_with_the_rate_has_no_flat_tops(per_turn: int) -> None:
    """It meets the same few values again and again; noise on them makes a heap of each, and nothing in between."""
    n = 60_000
    tone = np.sin(2 * np.pi * np.arange(n) / per_turn + 0.3)
    for noise in (0.0, 0.003, 0.01):
        samples = tone + noise * np.random.default_rng(1).standard_normal(n)
        counts, edges = np.histogram(samples, 16384, (-1.1, 1.1))
        histogram = Histogram(-1.1, edges[1] - edges[0], counts)
        assert find_clipping(histogram, samples.min(), samples.max(), 0.0, None) == Clipping(0)


@pytest.mark.parametrize(
    ("low", "high", "ceiling", "at_end"),
    [
        (-0.5, 1.0, 1.0, True),
        (-1.0, 0.5, 1.0, True),
        (-0.5, 0.99901, 1.0, True),
        (-0.5, 0.9989, 1.0, False),
        (-0.5, 1.00005, 1.0, True),
        (-0.5, 1.0002, 1.0, False),  # a file that goes beyond its full scale has not its end there
        (-0.5, 1.0, None, False),
    ],
)
def test_samples_at_a_known_end(low: float, high: float, ceiling: float | None, at_end: bool) -> None:
    found = find_clipping(flat(top=7, bottom=3), low, high, 0.0, ceiling)
    assert (found == Clipping(30, 1.0, "at the end of the range")) is at_end  # 10 + 7 and 10 + 3
    assert ("end of the range" in found.how) is at_end


def test_one_sample_at_the_end_between_two_bins() -> None:
    lone = Histogram(-2.0, 0.5, np.array([0, 0, 0, 5, 5, 1, 0, 0], dtype=np.int64))
    assert find_clipping(lone, -0.5, 0.9995, 0.0, 1.0).samples == 1


def test_nothing_measured_nothing_clipped() -> None:
    empty = Histogram(-1.0, WIDTH, np.zeros(BINS, dtype=np.int64))
    assert find_clipping(empty, np.inf, -np.inf, 0.0, 1.0) == Clipping(0)
    assert find_clipping(flat(), 1.0, 1.0, 0.0, 1.0) == Clipping(0)  # one value only: a dead axis
