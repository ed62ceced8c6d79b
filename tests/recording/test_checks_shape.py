"""Checks of the shape of the signal at and beside their limits, on kurtosis and levels made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.recording.made import context, figures, measures, spectra
from vibekit.recording import checks_shape as shape
from vibekit.recording.timing import Timing

STEP = 0.25
UNEVEN = Timing(200.0, 0.005, 0.001, 0.03, (), 0, True)


@pytest.mark.parametrize(("kurtosis", "status"), [(1.92, "doubtful"), (1.94, "pass")])
def test_a_soft_limit_lowers_the_kurtosis(kurtosis: float, status: str) -> None:
    """Lines with squared shares of 0.5 in sum call for 3 - 1.5·0.5 = 2.25 (fourth moment of independent sines)."""
    m = measures(kurtosis=(4.0, kurtosis, 3.0), found=spectra(np.ones((3, 2001)), STEP, shares=0.5))
    found = shape.soft_clipping(m, context())
    assert figures(found) == (status, pytest.approx(2.25 - kurtosis), 0.32)
    assert found is not None and found.name == "soft_clipping"
    assert found.message.startswith(f"the kurtosis lies {2.25 - kurtosis:.2f} below")
    assert ("soft limit" in found.message) is (status == "doubtful")


def test_the_most_tonal_stretch_sets_what_is_called_for() -> None:
    some = spectra(np.ones((3, 2001)), STEP)
    m = measures(kurtosis=1.6, found=replace(some, line_shares=np.array([[0.1, 0.8, 0.3]] * 3)))
    assert figures(shape.soft_clipping(m, context()))[1] == pytest.approx(3 - 1.5 * 0.8 - 1.6)
    each = replace(some, line_shares=np.array([[0.9], [0.1], [0.1]]))
    m = measures(kurtosis=(1.7, 2.7, 2.7), found=each)  # 1.65, 2.85 and 2.85 are called for, each axis by its own lines
    assert figures(shape.soft_clipping(m, context()))[1] == pytest.approx(0.15)
    none = measures(kurtosis=2.9, found=replace(some, line_shares=np.zeros((3, 0))))
    assert figures(shape.soft_clipping(none, context()))[1] == pytest.approx(0.1)


def test_where_the_kurtosis_says_nothing() -> None:
    above = shape.soft_clipping(measures(kurtosis=5.0), context())
    assert figures(above) == ("pass", pytest.approx(-2.0), 0.32)
    assert above is not None and above.message == "amplitudes are not pressed together"
    assert shape.soft_clipping(measures(level=0.29), context()) is None
    assert shape.soft_clipping(measures(level=0.31), context()) is not None
    assert shape.soft_clipping(measures(seconds=0.9), context()) is None
    assert shape.soft_clipping(measures(), context(timing=UNEVEN)) is None
    assert shape.soft_clipping(measures(), context(timing=replace(UNEVEN, resampled=False))) is not None


@pytest.mark.parametrize(
    ("kurtosis", "level", "peak", "status"),
    [(8.1, 0.31, 51, "doubtful"), (7.9, 9, 51, "pass"), (20, 0.29, 51, "pass"), (8.1, 9, 49, "pass")],
)
def test_shocks_raise_the_kurtosis(kurtosis: float, level: float, peak: float, status: str) -> None:
    made = measures(kurtosis=(3.0, kurtosis, 2.0), level=level)
    found = shape.shocks(replace(made, frame_high=np.full(made.frame_high.shape, float(peak))), context())
    assert figures(found) == (status, pytest.approx(kurtosis), 8.0)
    assert found.name == "shocks" and f"(kurtosis {kurtosis:.3g}" in found.message
    assert ("no shocks" in found.message) is (status == "pass")
    assert ("not made for shocks" in found.message) is (status == "doubtful")
    assert figures(shape.shocks(measures(seconds=0.9), context())) == ("pass", None, 8.0)
    assert shape.shocks(measures(seconds=0.9), context()).name == "shocks"


@pytest.mark.parametrize(("every_s", "status"), [(2.0, "doubtful"), (5.0, "pass")])
def test_shocks_that_come_now_and_then(every_s: float, status: str) -> None:
    """One frame of 0.125 s in so many reaches 12 times the r.m.s. value; the usual second shows nothing of it."""
    made = measures(level=9.0)  # 5.2 m/s² an axis
    high = made.frame_high.copy()
    high[1, 5 :: round(8 * every_s)] = 12 * 9.0
    assert figures(shape.shocks(replace(made, frame_high=high), context()))[0] == status


@pytest.mark.parametrize(("above", "said"), [(51.0, True), (49.0, False)])
def test_what_lies_above_the_bands_of_wh_is_said(above: float, said: bool) -> None:
    """The highest band ends at 1250·10^0.05 = 1403 Hz (IEC 61260-1:2014 eq. 6); half of the power lies above."""
    density = np.zeros((3, 8001))
    density[0, round(1410 / STEP)], density[1, round(1390 / STEP)] = above**2 / STEP, 0.9 * above**2 / STEP
    found = shape.beyond_wh(measures(found=spectra(density, STEP)), "r.wav")
    assert bool(found) is said
    if said:
        assert (found[0].severity, found[0].value) == ("info", pytest.approx(above))
    density[1] *= 1.3
    assert not shape.beyond_wh(measures(found=spectra(density, STEP)), "r.wav")


def test_kurtosis_is_that_of_whole_seconds_with_the_tool_running() -> None:
    """Mean fourth power over mean square squared per second, then the middle second; what stands still is left out."""
    level = np.repeat([0.01, 8.0, 12.0, 10.0, 0.01], [44, 40, 40, 40, 20])
    m = measures(seconds=23.0, level=level, kurtosis=3.0)
    kurtosis, running = shape.running_kurtosis(m)
    assert kurtosis == pytest.approx([3.0, 3.0, 3.0], rel=0.35)  # where a second holds two levels it is more
    assert running == pytest.approx(10.0)
    beat = np.tile([1.0, 3.0**0.5], 80)
    kurtosis, running = shape.running_kurtosis(measures(seconds=20.0, level=beat, kurtosis=2.0))
    assert kurtosis == pytest.approx([2.0 * (1 + 9) / 2 / 4] * 3)  # squares 1 and 3: mean 2
    assert running == pytest.approx(2**0.5)
    edges = np.tile([0.1, 1.0, 1.0, 0.1], 40)  # bursts: their edges and what lies between them are no shape
    assert shape.running_kurtosis(measures(seconds=20.0, level=edges, kurtosis=2.0))[0] == pytest.approx([2.0] * 3)
    assert shape.running_kurtosis(measures(seconds=0.9)) == (None, 0.0)
    still, quiet = shape.running_kurtosis(measures(level=0.0))
    assert still == pytest.approx([0.0] * 3) and quiet == 0.0


@pytest.mark.parametrize(("kurtosis", "status"), [(1.74, "doubtful"), (1.76, "pass")])
def test_a_limited_slope_lowers_the_kurtosis_of_the_slopes(kurtosis: float, status: str) -> None:
    """As for amplitudes: lines with squared shares of 0.5 in the power of the slope call for 2.25."""
    m = measures(slope_kurtosis=(4.0, kurtosis, 3.0), found=spectra(np.ones((3, 2001)), STEP, slope_shares=0.5))
    found = shape.slew(m, context())
    assert figures(found) == (status, pytest.approx(2.25 - kurtosis), 0.5)
    assert found is not None and found.name == "slew"
    assert (f"{2.25 - kurtosis:.2f} below" in found.message) is (status == "doubtful")


def test_where_slopes_say_nothing() -> None:
    """Too quiet, too short, resampled, or differences of hardly three steps of the resolution on every axis."""
    assert shape.slew(measures(level=0.29), context()) is None
    assert shape.slew(measures(level=0.31), context()) is not None
    assert shape.slew(measures(seconds=0.9), context()) is None
    assert shape.slew(measures(), context(timing=UNEVEN)) is None
    assert shape.slew(measures(), context(timing=replace(UNEVEN, resampled=False))) is not None
    assert shape.slew(measures(slope=2.9, lsb=1.0), context()) is None
    assert shape.slew(measures(slope=3.1, lsb=1.0), context()) is not None
    one = replace(measures(slope=3.0, slope_kurtosis=(1.0, 2.9, 1.0)), lsb=np.array([1.1, 0.9, 1.1]))
    assert figures(shape.slew(one, context())) == ("pass", pytest.approx(0.1), 0.5)


def test_load_that_varies_hides_no_limit() -> None:
    """Squares 1 and 3 of frames of a limited signal: over a second the kurtosis is 5/4 times that of the frames."""
    beat = np.tile([1.0, 3.0**0.5], 80)
    m = measures(seconds=20.0, level=beat, kurtosis=1.6, found=spectra(np.ones((3, 2001)), STEP, shares=0.5))
    assert shape.running_kurtosis(m)[0] == pytest.approx([1.6 * 5 / 4] * 3)
    assert figures(shape.soft_clipping(m, context()))[:2] == ("doubtful", pytest.approx(2.25 - 1.6))


def test_slopes_are_judged_by_their_own_kurtosis() -> None:
    assert figures(shape.slew(measures(kurtosis=1.0, slope_kurtosis=2.8), context()))[1] == pytest.approx(0.2)
    assert figures(shape.soft_clipping(measures(kurtosis=2.9, slope_kurtosis=1.0), context()))[1] == pytest.approx(0.1)
