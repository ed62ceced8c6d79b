"""Checks of what did not come through, at and beside their limits, on measures made by hand and on recordings."""

from __future__ import annotations

import numpy as np
import pytest

import vibekit as vk
from tests.recording.made import context, figures, measures
from vibekit.recording import checks_gaps as gaps
from vibekit.recording.calibration import Calibration
from vibekit.recording.measures import Measures, Run, measure
from vibekit.recording.recording import Recording


def stuck(*runs: tuple[int, int], level: float = 10.0, value: float = 1.0, **more: float) -> Measures:
    found = tuple(Run(0, start, length, value) for start, length in runs)
    return measures(level=np.full(160, level), runs=found, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("length", "status"), [(200, "doubtful"), (201, "fail")])
def test_samples_that_stand_still_in_motion(length: int, status: str) -> None:
    """200 of 20000 samples are 1 %."""
    found = gaps.dropouts(stuck((5000, 100), (9000, length - 100)), context())
    assert figures(found) == (status, 2.0, 0.0)
    assert found.name == "dropouts"
    assert found.message.startswith(
        f"2 stretches of stuck samples, {length / 200:.2g} % of the time, the first at 5.000 s on x"
    )
    none = gaps.dropouts(stuck(), context())
    assert figures(none) == ("pass", 0.0, 0.0)
    assert none.message == "0 stretches of stuck samples, 0 % of the time"


def test_samples_that_may_stand_still() -> None:
    """Shortly at the end of the range (a flat top), near the resolution, or where nothing moves before or after."""
    passes = ("pass", 0.0, 0.0)
    for value in (10.0, -10.0):  # a flat top for up to 20 ms, half a turn at 25 Hz
        assert figures(gaps.dropouts(stuck((5000, 19), value=value), context())) == passes
        assert figures(gaps.dropouts(stuck((5000, 20), value=value), context()))[1] == 1.0
    axis = 10.0 / 3**0.5
    for steps, count in ((8.1, 1.0), (7.9, 0.0)):
        assert figures(gaps.dropouts(stuck((5000, 200), lsb=axis / steps), context()))[1] == count
    still = np.full(160, 10.0)
    for frame, moved in ((39, 0.0), (42, 0.0), (38, 1.0), (43, 1.0)):  # 5000 samples are 40 frames of 125
        level = still.copy()
        level[frame] = 0.5
        m = measures(level=level, runs=(Run(0, 5000, 200, 1.0),))
        assert figures(gaps.dropouts(m, context()))[1] == moved, frame
    for part, moved in ((0.99, 0.0), (1.01, 1.0)):  # a tenth of the usual level still counts as motion
        level = still.copy()
        level[39] = 1.0 * part
        assert figures(gaps.dropouts(measures(level=level, runs=(Run(0, 5000, 200, 1.0),)), context()))[1] == moved


def test_runs_at_the_ends_of_a_recording() -> None:
    """Beside the first and the last frame stands the run's own; a recording shorter than a frame says nothing."""
    assert figures(gaps.dropouts(stuck((0, 50)), context()))[1] == 1.0
    assert figures(gaps.dropouts(stuck((19_950, 50)), context()))[1] == 1.0
    short = measures(seconds=0.1, runs=(Run(0, 10, 20, 1.0),))
    assert figures(gaps.dropouts(short, context())) == ("pass", 0.0, 0.0)


RATE = 6400.0


def noise(seconds: float = 12.0) -> np.ndarray:
    return 5 * np.random.default_rng(3).standard_normal((3, round(seconds * RATE)))


def status(samples: np.ndarray, name: str) -> str:
    return {c.name: c.status for c in vk.check(Recording(samples, RATE)).checks}[name]


@pytest.mark.parametrize("share", [0.005, 0.03, 0.2])
def test_samples_that_repeat_the_one_before(share: float) -> None:
    """A share of the samples is the one before once more: too short for a stretch, yet a sensor that lags."""
    samples = noise()
    again = np.random.default_rng(4).random(samples.shape[1]) < share
    again[0] = False
    samples[:, again] = samples[:, np.flatnonzero(again) - 1]
    assert status(samples, "dropouts") == ("fail" if share > 0.05 else "doubtful" if share > 0.02 else "pass")


def test_coarse_steps_repeat_by_chance() -> None:
    """Normal slopes of r.m.s. 3.2 steps: two equal samples in a row in 12 % of all cases."""
    samples = np.round(noise() / 2.2) * 2.2
    slope = np.diff(samples).std() / 2.2
    equal = float((np.diff(samples) == 0).mean())
    assert equal == pytest.approx(0.4 / slope, rel=0.1)
    assert status(samples, "dropouts") == "pass"


def test_an_axis_that_stops_while_the_others_go_on() -> None:
    samples = noise()
    samples[2, 40_000:] = samples[2, 40_000]
    assert status(samples, "dropouts") == "fail"
    silent = noise()
    silent[:, 40_000:] = 0.0  # all of them: the tool is off, and this recorder stores no noise
    assert status(silent, "dropouts") == "pass"


@pytest.mark.parametrize(("level", "full_scale", "verdict"), [(60.0, 100.0, "fail"), (9.81, 100.0, "pass")])
def test_a_sensor_at_its_stop(level: float, full_scale: float, verdict: str) -> None:
    """At rest a sensor shows gravity at most; 0.6 of its range throughout is a stop or an open input."""
    samples = np.tile([[0.0], [0.0], [level]], (1, 64_000))
    samples[0, ::7] = 1e-3
    found = measure(Recording(samples, RATE))
    context_ = context(calibration=Calibration(full_scale, "full scale", full_scale))
    assert figures(gaps.alive(found, context_))[0] == verdict


def test_exact_zeros_are_said() -> None:
    found = vk.grade(Recording(np.zeros((3, 64_000)), RATE))
    assert found.a_hv_mps2 == 0.0
    assert [n.severity for n in found.notices if n.code == "check_alive"] == ["caution"]


@pytest.mark.parametrize("start", [65_536 - 40, 20_000])
@pytest.mark.parametrize("value", ["held", "zero"])
def test_the_true_value_lies_where_the_notice_says(start: int, value: str) -> None:
    """A stretch held adds slow energy, zeros take some away; truth by one transform of the unflawed samples."""
    from tests.benchmarks.one_look import a_hv, tool

    clean = tool()
    samples = clean.copy()
    stretch = slice(start, start + 128)
    samples[:, stretch] = samples[:, [start]] if value == "held" else 0.0
    checks = {c.name: c for c in vk.check(Recording(samples, RATE)).checks}
    low, high = checks["dropouts"].true_above_pct or (0.0, 0.0)
    above = 100 * (a_hv(clean) / a_hv(samples) - 1)
    assert low - 0.1 <= above <= high + 0.1
