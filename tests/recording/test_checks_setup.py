"""Checks of the set-up at and beside their limits, each with the figure worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.recording.made import context, figures, measures, spectra
from vibekit.recording import checks_setup as setup
from vibekit.recording.calibration import Calibration
from vibekit.recording.check_result import known_ceiling, running_level, verdict
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.timing import Timing
from vibekit.recording.toolsheet import ToolSheet, parse_tool


def tool(rpm: float | None = 11000, **facts: float) -> ToolSheet:
    shaft = {"name": "spindle"} | ({} if rpm is None else {"rated_rpm": rpm})
    return parse_tool({"tool": {"tag": "T-1", **facts}, "shaft": [shaft]}, "sheet")


@pytest.mark.parametrize(("value", "status"), [(5.0, "pass"), (5.1, "doubtful"), (9.0, "doubtful"), (9.1, "fail")])
def test_verdict_of_a_value_that_should_be_small(value: float, status: str) -> None:
    assert verdict(value, 5.0, 9.0) == status
    assert verdict(value, 5.0) == ("pass" if value == 5.0 else "doubtful")


@pytest.mark.parametrize(
    ("seconds", "status", "limit"),
    [(1.999, "fail", 2.0), (2.0, "doubtful", 8.0), (7.999, "doubtful", 8.0), (8.0, "pass", 8.0)],
)
def test_length(seconds: float, status: str, limit: float) -> None:
    """ISO 5349-2 5.4.1 (from memory): under 8 s is unreliable."""
    found = setup.length(measures(seconds), context())
    assert figures(found) == (status, seconds, limit)
    assert found.name == "length" and f"{seconds:.2f} s" in found.message


@pytest.mark.parametrize(
    ("band", "status", "value", "limit"),
    [
        ((0.0, 1250.0), "pass", 0.0, 6.3),
        ((6.3, 3000.0), "pass", 6.3, 6.3),
        ((6.4, 3000.0), "doubtful", 6.4, 6.3),
        ((0.0, 1249.0), "doubtful", 1249.0, 1250.0),
        ((0.0, 6.3), "doubtful", 6.3, 1250.0),
        ((0.0, 6.2), "fail", 6.2, 1250.0),
        ((1249.0, 3000.0), "doubtful", 1249.0, 6.3),
        ((1250.0, 3000.0), "fail", 1250.0, 6.3),
    ],
)
def test_band(band: tuple[float, float], status: str, value: float, limit: float) -> None:
    """ISO 5349-2 6.1.2.2: one-third-octaves 6.3 to 1250 Hz."""
    found = setup.band(measures(), context(band))
    assert figures(found) == (status, value, limit)
    assert found.name == "band"


def test_rate_for_the_tool() -> None:
    """11000 rpm: 183.3 and 366.7 Hz. At 400 a second the double lies above 200 Hz and folds to 400 - 366.7 = 33.3."""
    lost = setup.rate_for_tool(measures(rate=400.0), context((0.0, 180.0), tool()))
    assert figures(lost) == ("fail", 180.0, pytest.approx(1100 / 3))
    assert lost is not None and lost.name == "rate_for_tool"
    assert "spindle 1x 183 Hz; spindle 2x 367 Hz folds to 33 Hz" in lost.message
    carried = setup.rate_for_tool(measures(rate=6400.0), context((0.0, 2880.0), tool()))
    assert figures(carried) == ("pass", 2880.0, pytest.approx(1100 / 3))
    assert carried is not None and "T-1" in carried.message
    fast = setup.rate_for_tool(measures(), context((0.0, 1250.0), tool(60000)))
    assert figures(fast) == ("pass", 1250.0, 1250.0)
    assert setup.rate_for_tool(measures(), context()) is None
    assert setup.rate_for_tool(measures(), context(tool=tool(None))) is None


@pytest.mark.parametrize(
    ("gaps", "resampled", "status"), [(0, False, "pass"), (1, False, "doubtful"), (0, True, "doubtful")]
)
def test_timing(gaps: int, resampled: bool, status: str) -> None:
    stamps = Timing(200.0, 0.005, 0.0002, 0.032, ((1.0, 0.5),) * gaps, 3, resampled)
    found = setup.timing(measures(), context(timing=stamps))
    assert figures(found) == (status, pytest.approx(4.0), 5.0)  # 0.2 of 5 ms
    assert found is not None and found.name == "timing"
    assert f"200 Hz on average, jitter 4 % of the step, largest step 32 ms, {gaps} gaps, 3 rep" in found.message
    assert setup.timing(measures(), context()) is None


@pytest.mark.parametrize(
    ("mean", "told", "status", "limit"),
    [
        ((0.0, 0.0, 9.81), None, "pass", 9.80665),
        ((6.0, 6.0, -5.0), True, "pass", 9.80665),  # sqrt(97) = 9.85
        ((0.0, 0.0, 9.81), False, "doubtful", 9.80665),
        ((0.0, 0.0, 9.33), True, "pass", 9.80665),  # 4.9 % short of gravity
    ],
)
def test_gravity_in_the_samples(mean: tuple[float, ...], told: bool | None, status: str, limit: float) -> None:
    found = setup.dc_offset(measures(mean=mean), context(facts=RecordingFacts(includes_gravity=told)))
    assert (found.name, found.status, found.limit) == ("dc_offset", status, limit)
    assert found.value == pytest.approx(sum(v**2 for v in mean) ** 0.5)
    assert "gravity" in found.message
    assert (found.remedy is None) is (told is True)


@pytest.mark.parametrize(
    ("mean", "range_", "status", "limit"),
    [
        ((0.0, 3.0, 4.0), None, "pass", 9.80665),
        ((0.0, 0.0, 10.4), None, "doubtful", 9.80665),
        ((0.0, 3.0, 4.0), "50 m/s2", "pass", 5.0),
        ((0.0, 3.0, 4.1), "50 m/s2", "doubtful", 5.0),
        ((0.0, 9.81), "50 m/s2", "doubtful", 5.0),  # of two axes nobody can say that it is gravity
    ],
)
def test_an_offset_of_the_chain(mean: tuple[float, ...], range_: str | None, status: str, limit: float) -> None:
    found = setup.dc_offset(measures(mean=mean, rms=(1.0,) * len(mean)), context(sensor=SensorFacts(range=range_)))
    assert figures(found) == (status, pytest.approx(sum(v**2 for v in mean) ** 0.5), pytest.approx(limit))
    assert found.name == "dc_offset" and "constant part" in found.message


def test_the_end_of_range_is_the_lowest_that_is_stated() -> None:
    def ceiling(full_scale: str | None, sensor: str | None) -> float | None:
        calibration = Calibration.full_scale(full_scale) if full_scale else Calibration.unit("g")
        return known_ceiling(context(calibration=calibration, sensor=SensorFacts(range=sensor)).origin)

    assert ceiling(None, None) is None
    assert ceiling("30 m/s2", None) == 30.0
    assert ceiling(None, "40 m/s2") == 40.0
    assert ceiling("30 m/s2", "40 m/s2") == ceiling("40 m/s2", "30 m/s2") == 30.0


def off_on(off: float, on: float) -> np.ndarray:
    return np.repeat([off, on, off], [40, 80, 40])


def test_level_with_the_tool_off() -> None:
    found = setup.noise_floor(measures(level=off_on(0.5, 10.0)), context())
    assert figures(found) == ("pass", pytest.approx(20.0), 3.0)
    assert found.name == "noise_floor" and "running 10 m/s², off 0.5 m/s²" in found.message
    assert running_level(measures(level=off_on(0.5, 10.0))) == pytest.approx(10.0)
    unknown = setup.noise_floor(measures(level=10.0), context())
    assert figures(unknown) == ("pass", None, 3.0)
    assert unknown.name == "noise_floor"
    assert running_level(measures(seconds=0.1)) is None


@pytest.mark.parametrize(("slow", "status"), [(0.3, "pass"), (0.6, "doubtful")])
def test_a_floor_that_counts_for_the_hand(slow: float, status: str) -> None:
    """30 m/s² at 400 Hz over a floor at 10 Hz: 30·0.0398 = 1.19 against 0.951 times the floor (Wh as printed).

    ISO 5349-1:2001 Table A.2. A third of 24 s is off; the mean spectrum holds the tool for two thirds of the time.
    """
    step = 0.25
    quiet, mean = np.zeros(2001), np.zeros(2001)
    quiet[40] = mean[40] = slow**2 / step
    mean[1600] = 30.0**2 / step * 2 / 3
    level = np.concatenate([np.full(64, slow), np.full(128, 30.0)])
    found = setup.noise_floor(measures(24.0, level=level, found=spectra(mean, step, quiet=quiet)), context())
    tool, floor = 30.0 * 0.0398, 0.951 * slow
    assert figures(found) == (status, pytest.approx(np.hypot(tool, floor) / floor, rel=1e-6), 3.0)
    assert "weighted as for the hand" in found.message


@pytest.mark.parametrize(("lsb", "status"), [(0.29, "pass"), (0.31, "doubtful")])
def test_resolution_against_the_weakest_axis(lsb: float, status: str) -> None:
    found = setup.resolution(measures(rms=(3.0, 2.0, 1.0), lsb=lsb), context())
    assert figures(found) == (status, pytest.approx(lsb), 0.3)
    assert found.name == "resolution" and f"{100 * lsb:.2g} %" in found.message


def test_resolution_of_axes_that_stand_still() -> None:
    one = setup.resolution(measures(rms=(3.0, 2.0, 0.0), lsb=0.5), context())
    assert figures(one) == ("pass", pytest.approx(0.25), 0.3)
    none = setup.resolution(measures(rms=(0.0, 0.0, 0.0)), context())
    assert figures(none) == ("pass", None, 0.3)
    assert none.message == "all samples are equal"


def test_fewer_than_three_axes() -> None:
    found = setup.axes(measures(rms=(3.0, 2.0)), context(axes=("x", "z")))
    assert figures(found) == ("doubtful", 2.0, 3.0)
    assert found.name == "axes" and found.message.startswith("only x, z:")


@pytest.mark.parametrize(("rms", "status"), [((10.0, 5.0, 0.101), "pass"), ((10.0, 0.099, 5.0), "doubtful")])
def test_an_axis_40_db_down_is_dead(rms: tuple[float, ...], status: str) -> None:
    found = setup.axes(measures(rms=rms), context())
    assert figures(found) == (status, 0.0, 0.995)
    assert found.name == "axes"
    assert ("axis y is 40 dB below" in found.message) is (status == "doubtful")


@pytest.mark.parametrize(("correlation", "status"), [(0.994, "pass"), (0.996, "doubtful"), (-0.49, "pass")])
def test_axes_that_carry_one_signal(correlation: float, status: str) -> None:
    found = setup.axes(measures(rms=(3.0, 3.0, 2.0), correlation=correlation), context())
    assert figures(found) == (status, pytest.approx(abs(correlation)), 0.995)
    if status == "doubtful":
        assert "x and y, x and z, y and z carry one signal (correlation 0.9960)" in found.message


def test_two_copied_axes_of_three_and_silence() -> None:
    m = measures(rms=(3.0, 2.0, 1.0))
    m.covariance[0, 2] = m.covariance[2, 0] = -3.0  # x = -3·z
    found = setup.axes(m, context())
    assert figures(found) == ("doubtful", pytest.approx(1.0), 0.995)
    assert "x and z carry one signal" in found.message
    assert figures(setup.axes(measures(rms=(0.0, 0.0, 0.0)), context())) == ("pass", 0.0, 0.995)


@pytest.mark.parametrize(("mass_g", "status"), [(100.0, "pass"), (102.0, "doubtful")])
def test_mass_of_the_sensor(mass_g: float, status: str) -> None:
    """ISO 5349-2 6.1.5 (from memory): at most 5 % of what carries it; 100 g on 2 kg."""
    found = setup.sensor_mass(measures(), context(tool=tool(mass_kg=2.0), sensor=SensorFacts(mass_g=mass_g)))
    assert figures(found) == (status, pytest.approx(mass_g / 20), 5.0)
    assert found is not None and found.name == "sensor_mass" and f"{mass_g / 20:.2g} %" in found.message
    assert setup.sensor_mass(measures(), context(tool=tool(mass_kg=2.0))) is None
    assert setup.sensor_mass(measures(), context(tool=tool(), sensor=SensorFacts(mass_g=mass_g))) is None
    assert setup.sensor_mass(measures(), context(sensor=SensorFacts(mass_g=mass_g))) is None
