"""Tachometer channels as benches give them: bouncing, drifting, with spikes, hum or losses; speeds are known.

Limits are the project's own targets: median error 0.1 %, 99 % of readings within 0.5 %.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.machine.signals import RATIO, Run, geared_tool, grinder_sheet, tach
from vibekit.machine.speed.estimate import SpeedEstimate, estimate_speed
from vibekit.machine.speed.tach import TachTrack, tach_track
from vibekit.recording.recording import FloatArray, Origin, Recording
from vibekit.recording.sidecar import RecordingFacts

RATE = 6400.0
RUN = geared_tool("droop", 147.0, 12.0, RATE, axes=1)
TURNS = np.cumsum(RUN.hz) / RATE
GEARED = geared_tool("droop", 147.0, 12.0, RATE)


def noise(size: float) -> FloatArray:
    return size * np.random.default_rng(1).standard_normal(RUN.hz.size)


def bouncing(run: Run = RUN) -> FloatArray:
    """A contact that opens again up to three times in the millisecond after it closes, and closes after it opens."""
    rng, channel = np.random.default_rng(2), tach(run)
    closed = channel > 2.5
    for edge in np.flatnonzero(closed[1:] != closed[:-1]) + 1:
        flips = edge + rng.integers(1, 6, 3)
        flips = flips[flips < channel.size]
        channel[flips] = 0.0 if closed[edge] else 5.0
    return channel


def with_spikes(channel: FloatArray) -> FloatArray:
    channel = channel.copy()
    channel[np.random.default_rng(3).integers(0, channel.size, 5)] = 60.0
    return channel


CHANNELS: dict[str, tuple[float, Callable[[], FloatArray]]] = {
    "plain": (1, lambda: tach(RUN)),
    "two pulses": (2, lambda: tach(RUN, 2)),
    "three uneven pulses": (3, lambda: tach(RUN, 3, uneven=0.15)),
    "twelve pulses": (12, lambda: tach(RUN, 12)),
    "inverted": (1, lambda: 5.0 - tach(RUN)),
    "negative": (1, lambda: -tach(RUN)),
    "sine": (1, lambda: 4.0 * np.sin(2 * np.pi * TURNS) + noise(0.02)),
    "hum": (1, lambda: tach(RUN) + 0.8 * np.sin(2 * np.pi * 50.0 * RUN.time_s)),
    "drift over more than the swing": (1, lambda: tach(RUN) + 4.0 * np.sin(2 * np.pi * 0.1 * RUN.time_s)),
    "bouncing": (1, bouncing),
    "spikes": (1, lambda: with_spikes(tach(RUN))),
    "a tenth missing": (1, lambda: tach(RUN, missing=0.1)),
    "a tenth double": (1, lambda: tach(RUN, double=0.1)),
    "narrower than two samples": (1, lambda: 5.0 * ((TURNS % 1.0) < 0.04)),
}


def errors(track: TachTrack | None) -> FloatArray:
    assert track is not None
    known = np.isfinite(track.hz)
    assert known.mean() > 0.99
    return np.abs(track.hz[known] / np.interp(track.time_s[known], RUN.time_s, RUN.hz) - 1.0)


@pytest.mark.parametrize("name", CHANNELS)
def test_speed_of_a_drooping_tool(name: str) -> None:
    pulses, channel = CHANNELS[name]
    error = errors(tach_track(channel(), RATE, pulses))
    assert np.median(error) < 0.001
    assert np.quantile(error, 0.99) < 0.005


@pytest.mark.parametrize("seed", range(3))
def test_noise_is_no_pulse(seed: int) -> None:
    white = np.random.default_rng(seed).standard_normal(60_000)
    assert tach_track(white, RATE, 1.0) is None
    assert tach_track(np.cumsum(white) * 0.02 + white, RATE, 1.0) is None


def test_it_may_rest_for_most_of_the_time() -> None:
    time = np.arange(round(26 * RATE)) / RATE
    hz = np.where((time < 3.0) | (time > 23.0), 147.0, 0.0)
    track = tach_track(5.0 * ((np.cumsum(hz) / RATE % 1.0) < 0.3), RATE, 1.0)
    assert track is not None
    assert (track.missing, track.double) == (0, 0)
    assert np.nanmedian(track.hz) == pytest.approx(147.0, rel=2e-4)
    running = np.isfinite(track.hz)
    assert not running[(track.time_s > 3.1) & (track.time_s < 22.9)].any()
    assert running[(track.time_s < 2.9) | (track.time_s > 23.1)].all()


@pytest.mark.parametrize("hz", [15.0, 50.0, 58.8, 147.0, 333.0])
@pytest.mark.parametrize("rate", [3200.0, 8192.0, 25_600.0])
def test_steps_from_sample_to_sample_with_a_little_noise(hz: float, rate: float) -> None:
    time = np.arange(int(20 * rate)) / rate
    steps = (np.mod(hz * time + 0.3, 1.0) < 0.5) + 0.004 * np.random.default_rng(0).standard_normal(time.size)
    track = tach_track(steps, rate, 1.0)
    assert track is not None
    error = np.abs(track.hz / hz - 1.0)
    assert np.median(error) < 0.001
    assert np.quantile(error, 0.99) < 0.005


def recorded(channel: FloatArray | None, sheet_hz: float = 150.0, **facts: object) -> SpeedEstimate:
    """Return the speed of a geared tool with a tachometer channel beside its vibration."""
    origin = Origin(facts=RecordingFacts(**facts))  # type: ignore[arg-type]
    shaken = Recording(GEARED.samples, RATE, ("x", "y", "z"), origin, tach=channel)
    return estimate_speed(shaken, grinder_sheet(sheet_hz))


def off(found: SpeedEstimate) -> FloatArray:
    known = np.isfinite(found.hz)
    true = np.interp(found.time_s[known], GEARED.time_s, GEARED.hz)
    return np.abs(found.hz[known] * found.ratios["spindle"] / true - 1.0)


WRONG: dict[str, tuple[str, Callable[[], FloatArray], dict[str, object]]] = {
    "twelve marks taken for one": ("tach_over_rated", lambda: tach(GEARED, 12), {}),
    "one mark taken for two": ("tach_not_used", lambda: tach(GEARED), {"tach_pulses_per_rev": 2.0}),
    "armature taken for spindle": ("tach_over_rated", lambda: tach(replace(GEARED, hz=GEARED.hz * RATIO)), {}),
    "hum": ("tach_not_used", lambda: 2.0 * np.sin(2 * np.pi * 50.0 * GEARED.time_s) + noise(0.05), {}),
    "a third missing and double": ("tach_repaired", lambda: tach(GEARED, 4, 0.3, 0.3), {"tach_pulses_per_rev": 4.0}),
    "noise": ("tach_silent", lambda: noise(0.02), {}),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_tachometer_that_cannot_be_believed_gives_way_to_the_lines(name: str) -> None:
    code, channel, facts = WRONG[name]
    found = recorded(channel(), **facts)
    assert found.source == "vibration"
    assert code in {notice.code for notice in found.notices}
    assert np.quantile(off(found), 0.99) < 0.005


def test_a_dial_turned_down_is_no_wrong_tachometer() -> None:
    found = recorded(tach(GEARED), sheet_hz=300.0)  # a sheet of a tool that turns twice as fast
    assert found.source == "tach"
    assert np.median(off(found)) < 0.001


@pytest.mark.parametrize(("start", "stop"), [(0.0, 4.0), (5.0, 7.5), (6.0, 12.0)])
def test_where_pulses_are_missing_while_it_runs_the_lines_stand_in(start: float, stop: float) -> None:
    channel = tach(GEARED)
    channel[round(start * RATE) : round(stop * RATE)] = 0.0
    found = recorded(channel)
    assert found.source == "tach"
    assert "tach_gaps" in {notice.code for notice in found.notices}
    assert {segment.state for segment in found.segments} == {"steady", "loaded"}
    assert np.quantile(off(found), 0.99) < 0.005
    assert np.isfinite(found.hz).mean() > 0.98


def test_a_shaft_that_the_sheet_does_not_know_is_said() -> None:
    found = recorded(tach(GEARED), tach_shaft="rotor")
    assert "armature, spindle" in str(next(n for n in found.notices if n.code == "tach_shaft_unknown").remedy)
