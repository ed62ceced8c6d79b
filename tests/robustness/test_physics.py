"""Laws that hold whatever the recording: of scale, axes, rotation, silence, blocks, resampling, time and magnitude.

They are properties of the definitions themselves: ISO 5349-1:2001 eq. 1 (the total value is the length of a vector),
clause 4.4 (frequency weighting is linear), eq. 2 and 3 (exposure goes with a²·T).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

import vibekit as vk
from tests.robustness.profile import ROUNDS, SLOW_ROUNDS
from vibekit.handarm.exposure import time_to_reach
from vibekit.recording.recording import Recording
from vibekit.units import format_duration, parse_acceleration, parse_duration, unit_factor

RATE = 3200.0
Array = np.ndarray[Any, np.dtype[np.float64]]

SEEDS = st.integers(0, 2**32 - 1)


def shake(seed: int, seconds: float = 4.0, rate: float = RATE, top_hz: float = 700.0) -> Array:
    """Return three axes of lines of random frequency, level and phase [m/s²], shape (3, n)."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate)) / rate
    hz = rng.uniform(10.0, top_hz, 6)
    level, phase = rng.uniform(0.1, 5.0, (3, 6)), rng.uniform(0, 2 * np.pi, (3, 6))
    return np.asarray(np.einsum("ak,akt->at", level, np.sin(2 * np.pi * hz[None, :, None] * t + phase[:, :, None])))


def total(samples: Array, rate: float = RATE) -> float:
    """Return a_hv of samples [m/s²]."""
    value = vk.grade(Recording(samples, rate)).a_hv_mps2
    assert value is not None
    return value


@settings(SLOW_ROUNDS)
@given(SEEDS, st.floats(1e-3, 1e3))
def test_k_times_the_shake_is_k_times_the_magnitude(seed: int, k: float) -> None:
    assert total(k * shake(seed)) == pytest.approx(k * total(shake(seed)), rel=1e-9)


@settings(SLOW_ROUNDS)
@given(SEEDS, st.permutations([0, 1, 2]))
def test_swapped_axes_leave_the_total_and_swap_the_parts(seed: int, order: list[int]) -> None:
    plain, swapped = vk.grade(Recording(shake(seed), RATE)), vk.grade(Recording(shake(seed)[order], RATE))
    assert swapped.a_hv_mps2 == pytest.approx(plain.a_hv_mps2, rel=1e-12)
    for place, axis in enumerate(order):
        assert swapped.a_hw_mps2["xyz"[place]] == pytest.approx(plain.a_hw_mps2["xyz"[axis]], rel=1e-12)


@settings(SLOW_ROUNDS)
@given(SEEDS, SEEDS)
def test_a_turned_sensor_reads_the_same_total(seed: int, turn: int) -> None:
    q, _ = np.linalg.qr(np.random.default_rng(turn).standard_normal((3, 3)))
    assert total(q @ shake(seed)) == pytest.approx(total(shake(seed)), rel=1e-9)


@settings(SLOW_ROUNDS)
@given(SEEDS, st.floats(3.0, 20.0))
def test_silence_behind_the_work_changes_nothing(seed: int, silent_s: float) -> None:
    """Only the frame in which the tool stops (1/8 s) and the filter's ringing (exp(-28·t)) may enter."""
    work = shake(seed, 12.0)
    longer = np.concatenate([work, np.zeros((3, round(silent_s * RATE)))], axis=1)
    plain, with_silence = vk.grade(Recording(work, RATE)), vk.grade(Recording(longer, RATE))
    assert with_silence.trigger_on_s == pytest.approx(plain.trigger_on_s, abs=0.5)
    assert with_silence.a_hv_mps2 == pytest.approx(plain.a_hv_mps2, rel=0.02)


@settings(SLOW_ROUNDS)
@given(SEEDS, st.integers(1, 40_000))
def test_the_size_of_the_blocks_changes_nothing(seed: int, size: int) -> None:
    from tests.robustness.cut import Cut

    recording = Recording(shake(seed, 8.0), RATE)
    plain, cut = vk.grade(recording), vk.grade(Cut(recording, max(size, 200)))
    assert cut.a_hv_mps2 == plain.a_hv_mps2
    assert cut.peak_mps2 == plain.peak_mps2
    assert cut.running_max_mps2 == plain.running_max_mps2


@settings(SLOW_ROUNDS)
@given(SEEDS, st.sampled_from([(2, 1), (3, 1), (4, 1), (3, 2), (5, 4)]))
def test_a_resampled_recording_agrees(seed: int, ratio: tuple[int, int]) -> None:
    """Lines well below half the rate: what differs is the resampler's pass band (SciPy's default, under 0.1 dB)."""
    from scipy.signal import resample_poly

    slow = shake(seed, 8.0, top_hz=700.0)
    fast = resample_poly(slow, *ratio, axis=1)
    assert total(fast, RATE * ratio[0] / ratio[1]) == pytest.approx(total(slow), rel=0.01)


@settings(SLOW_ROUNDS)
@given(SEEDS, st.floats(-12, 6), st.sampled_from([100.0, 800.0, 3200.0, 25600.0]), st.sampled_from([0.3, 2.1, 7.0]))
def test_no_number_of_a_grade_is_negative_or_not_a_number(
    seed: int, decades: float, rate: float, long_s: float
) -> None:
    document = vk.grade(Recording(10.0**decades * shake(seed, long_s, rate, 0.4 * rate), rate)).to_dict()
    for path, value in _numbers(document):
        assert math.isfinite(value), path
        assert value >= 0, path


def _numbers(value: Any, path: str = "") -> list[tuple[str, float]]:
    """Return every number of a document with the way to it."""
    if isinstance(value, dict):
        return [pair for key, item in value.items() for pair in _numbers(item, f"{path}.{key}")]
    if isinstance(value, list | tuple):
        return [pair for item in value for pair in _numbers(item, f"{path}[]")]
    return [(path, float(value))] if isinstance(value, int | float) and not isinstance(value, bool) else []


MAGNITUDES = st.floats(1e-3, 1e3)
TIMES = st.floats(1.0, 12 * 3600.0)


@settings(ROUNDS)
@given(st.lists(st.tuples(MAGNITUDES, st.floats(0, 3600.0)), min_size=1, max_size=20), st.data())
def test_more_time_or_more_shake_is_never_less_exposure(tasks: list[tuple[float, float]], data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(tasks) - 1))
    a, t = tasks[at]
    longer, harder = [*tasks], [*tasks]
    longer[at], harder[at] = (a, t + data.draw(st.floats(0, 3600.0))), (a * data.draw(st.floats(1, 10)), t)
    base = vk.daily_exposure(tasks).a8_mps2
    assert vk.daily_exposure(longer).a8_mps2 >= base * (1 - 1e-12)
    assert vk.daily_exposure(harder).a8_mps2 >= base * (1 - 1e-12)


@settings(ROUNDS)
@given(MAGNITUDES, TIMES, st.integers(1, 50))
def test_a_task_in_pieces_is_the_same_day(a: float, t: float, pieces: int) -> None:
    whole, cut = vk.daily_exposure([(a, t)]), vk.daily_exposure([(a, t / pieces)] * pieces)
    assert cut.a8_mps2 == pytest.approx(whole.a8_mps2, rel=1e-9)
    assert cut.points == pytest.approx(whole.points, rel=1e-9)


@settings(ROUNDS)
@given(MAGNITUDES, st.floats(0, 3600.0), st.sampled_from([2.5, 5.0]))
def test_the_time_left_used_up_reaches_the_value(a: float, t: float, value: float) -> None:
    day = vk.daily_exposure([(a, t)])
    left = day.time_left_s(value)
    assert left is not None
    if left == 0:
        assert day.a8_mps2 >= value * (1 - 1e-9)
    elif t + left <= 86_400.0:
        reached = vk.daily_exposure([(a, t + left)])
        assert reached.a8_mps2 == pytest.approx(value, rel=1e-9)
    alone = time_to_reach(a, value)
    assert alone is not None
    assert a * math.sqrt(alone / 28_800.0) == pytest.approx(value, rel=1e-9)  # eq. 2


@settings(ROUNDS)
@given(st.floats(1e-3, 1e6), st.sampled_from(["g", "m/s2", "m/s²", "mg", "mm/s2", "gn"]))
def test_an_acceleration_written_out_is_read_back(value: float, unit: str) -> None:
    assert parse_acceleration(f"{value!r} {unit}") == pytest.approx(value * unit_factor(unit), rel=1e-12)


@settings(ROUNDS)
@given(st.integers(0, 24 * 3600))
def test_a_time_in_words_is_never_longer_than_the_time(seconds: int) -> None:
    said = parse_duration(format_duration(seconds).replace(" ", "").replace("min", "m"))
    assert 0 <= seconds - said < 60
