"""Checks of the signal at and beside their limits, on spectra and levels made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.recording.made import Array, context, figures, measures, spectra
from vibekit.recording import checks_signal as signal
from vibekit.recording.calibration import Calibration
from vibekit.recording.measures import Histogram, Measures
from vibekit.recording.toolsheet import ToolSheet, parse_tool

STEP = 0.25
FREQUENCY = np.arange(8001) * STEP  # up to 2000 Hz
NYQUIST = FREQUENCY[-1]


def tool(rpm: float, supply: str | None = None) -> ToolSheet:
    facts = {"tag": "T"} | ({"supply": supply} if supply else {})
    return parse_tool({"tool": facts, "shaft": [{"name": "spindle", "rated_rpm": rpm}]}, "sheet")


def ended(counts: int, n: int) -> Measures:
    """Return measures of two axes of n samples; the second has so many at the end of a range of 10 m/s²."""
    inside = np.zeros(2048, dtype=np.int64)
    inside[1024] = n
    stacked = inside.copy()
    stacked[2024], stacked[1024] = counts, n - counts  # (10 + 10.24) / 0.01
    flat, full = Histogram(-10.24, 0.01, inside), Histogram(-10.24, 0.01, stacked)
    made = replace(measures(n / 1000, rms=(1.0, 1.0)), histograms=(flat, full))
    ends = {"peak_low": np.array([-1.0, -1.0]), "peak_high": np.array([1.0, 10.0 if counts else 1.0])}
    return replace(made, **ends, at_ceiling=np.array([0, counts]))


@pytest.mark.parametrize(("counts", "status"), [(0, "pass"), (1, "doubtful"), (10, "doubtful"), (11, "fail")])
def test_clipping_of_the_worst_axis(counts: int, status: str) -> None:
    """10 of 20000 samples are 0.05 %."""
    known = context(axes=("x", "y"), calibration=Calibration.full_scale("10 m/s2"))
    found = signal.clipping(ended(counts, 20_000), known)
    assert figures(found) == (status, pytest.approx(counts / 200), 0.05)
    assert found.name == "clipping"
    assert signal.clipped_pct(ended(counts, 20_000), known) == pytest.approx(counts / 200)
    if counts:
        assert "axis y clipped: at the end of the range, at 10 m/s²" in found.message
    assert figures(signal.clipping(ended(0, 0), known)) == ("pass", 0.0, 0.05)


def ending(before_db: float = 0.0, far_db: float = 0.0) -> Array:
    """Return a density that ends flat, 1.0 from 0.45 of the rate on, higher by so much before and far from it."""
    f = FREQUENCY / (2 * NYQUIST)
    return np.where(f >= 0.45, 1.0, np.where(f > 0.4, 10 ** (before_db / 10), 10 ** (far_db / 10)))


def alias(
    density: Array, power: float = 3 * NYQUIST, lsb: float = 0.0, level: float = 10.0
) -> tuple[str, float | None, float | None]:
    rows = spectra(np.stack([density] * 3), STEP)
    m = measures(rate=2 * NYQUIST, rms=(power**0.5, 0.0, 0.0), lsb=lsb, level=level, found=rows)
    found = signal.aliasing(m, context())
    assert found.name == "aliasing"
    if found.status == "doubtful":
        assert f"without a fall ({found.value:+.1f} dB)" in found.message
    return figures(found)


@pytest.mark.parametrize(
    ("before_db", "far_db", "status"),
    [
        (0.0, 0.0, "doubtful"),
        (1.15, 2.4, "doubtful"),
        (-1.15, -2.4, "doubtful"),
        (1.25, 0.0, "pass"),
        (-1.25, 0.0, "pass"),
        (0.0, 2.6, "pass"),
        (0.0, -2.6, "pass"),
    ],
)
def test_a_spectrum_that_runs_flat_into_half_the_rate(before_db: float, far_db: float, status: str) -> None:
    """What is folded is mirrored at half the rate, so that the density has no slope there."""
    assert alias(ending(before_db, far_db)) == (status, pytest.approx(before_db, abs=1e-9), 1.2)


def test_what_ends_flat_without_being_folded() -> None:
    """A floor of under a twentieth of the power, the grain of the steps (LSB²/12 over the band), or hardly a level."""
    assert alias(ending(), 3 * NYQUIST / 0.051)[0] == "doubtful"
    assert alias(ending(), 3 * NYQUIST / 0.049)[0] == "pass"
    for times, status in ((0.99, "doubtful"), (1.01, "pass")):
        lsb = (0.1 * times * 12.0 * NYQUIST) ** 0.5  # a tenth of the density on each axis
        assert alias(ending(), lsb=lsb)[0] == status
    assert [alias(ending(), level=level)[0] for level in (0.31, 0.29)] == ["doubtful", "pass"]
    f = FREQUENCY / (2 * NYQUIST)
    assert alias(np.where(f < 0.47, 1.0, 0.0)) == ("pass", None, 1.2)
    assert alias(np.where(f < 0.45, 0.0, 1.0)) == ("pass", None, 1.2)
    assert alias(np.zeros(FREQUENCY.size), 0.0) == ("pass", None, 1.2)


def test_where_a_spectrum_is_compared() -> None:
    """0.475 to 0.497 of the rate with 0.40 to 0.43 and 0.30 to 0.40; lines there say nothing."""
    f = FREQUENCY / (2 * NYQUIST)
    inside = ((f >= 0.3) & (f <= 0.43)) | ((f >= 0.475) & (f <= 0.497))
    assert alias(np.where(inside, 1.0, 1e6)) == ("doubtful", pytest.approx(0.0, abs=1e-9), 1.2)
    assert alias(np.where(np.arange(f.size) % 5 == 0, 1e6, 1.0)) == ("doubtful", pytest.approx(0.0, abs=1e-9), 1.2)


def shifted(c: float, h: float, flat: bool = False) -> Array:
    """Return a density c/f² (or flat) below 20 Hz and flat from there, h [(m/s²)²/Hz]."""
    f = np.maximum(FREQUENCY, STEP)
    return np.where(FREQUENCY <= 20, c / 100 if flat else c / f**2, h)


def shift(*axes: Array) -> tuple[str, float | None, float | None]:
    rows = np.stack([np.zeros(FREQUENCY.size), *axes])
    found = signal.dc_shift(measures(rms=(1.0,) * len(rows), found=spectra(rows, STEP)), context())
    assert found is not None and found.name == "dc_shift"
    return figures(found)


@pytest.mark.parametrize(("ratio", "status"), [(0.48, "pass"), (0.53, "doubtful"), (0.97, "doubtful"), (1.03, "fail")])
def test_energy_that_creeps_below_the_tool(ratio: float, status: str) -> None:
    """c/f² weighted with 1 up to 16 Hz and (16/f)² above: from 3 to 20 Hz c·(1/3 - 1/16 + 256/3·(1/16³ - 1/20³)),
    h from 20 to 1400 Hz h·256·(1/20 - 1/1400)."""
    c = 100.0
    low = c * (1 / 3 - 1 / 16 + 256 / 3 * (16**-3 - 20**-3))
    h = low / ratio**2 / (256 * (1 / 20 - 1 / 1400))
    assert shift(shifted(c, h)) == (status, pytest.approx(ratio, rel=0.03), 0.5)


def test_what_is_no_shift() -> None:
    """Flat at the bottom (process force), too weak to weigh, or a tool that turns so slowly itself."""
    assert shift(shifted(100, 0.001, flat=True))[0] == "pass"
    weak = 0.3**2 / 0.281  # the weighted r.m.s. below 20 Hz is sqrt(0.281·c)
    assert shift(shifted(1.1 * weak, 1e-6))[0] == "fail"
    assert shift(shifted(0.9 * weak, 1e-6))[0] == "pass"
    for rpm, tested in ((1499, False), (1501, True)):  # 25 Hz are 20 / 0.8
        m = measures(found=spectra(np.stack([shifted(100, 0.01)] * 3), STEP))
        assert (signal.dc_shift(m, context(tool=tool(rpm))) is not None) is tested
    for top, tested in ((160, True), (159, False)):  # 40 Hz must be there to compare with
        m = measures(found=spectra(np.ones((3, top + 1)), STEP))
        assert (signal.dc_shift(m, context()) is not None) is tested


def test_the_slope_of_a_shift() -> None:
    """1/f² falls by 10·lg(240/40) = 7.8 dB from 5 to 8 Hz against 12 to 20 Hz; 4.5 dB is the least that counts."""
    m = measures(found=spectra(np.stack([shifted(100, 0.01)] * 3), STEP))
    found = signal.dc_shift(m, context())
    assert found is not None and "from 3 to 20 Hz" in found.message and "falls by 7.8 dB" in found.message
    for exponent, status in ((1.2, "fail"), (1.05, "doubtful")):  # (f^-1.2 falls by 4.7 dB, f^-1.05 by 4.1)
        f = np.maximum(FREQUENCY, STEP)
        assert shift(np.where(FREQUENCY <= 20, 100 * f**-exponent, 1e-5))[0] == status
    flat = np.full(FREQUENCY.size, 1e-4)  # a quiet axis whose floor weighs more low than high hides no other axis
    assert shift(shifted(100, 5.0), flat)[0] == shift(shifted(100, 5.0))[0] == "doubtful"
    assert shift(shifted(100, 10.0), shifted(100, 5.0)) == shift(shifted(100, 5.0))
    silent = signal.dc_shift(measures(found=spectra(np.zeros((3, 2001)), STEP)), context())
    assert figures(silent)[0] == "pass"


def test_the_less_it_falls_the_more_there_must_be() -> None:
    """f^-0.9 falls by 0.9·10·lg(15.8/6.4) = 3.5 dB, 1.0 dB short of 4.5: 10^(1/3) times as much is asked for."""
    f = np.maximum(FREQUENCY, STEP)

    def found(h: float) -> tuple[str, float | None, float | None]:
        return shift(np.where(FREQUENCY <= 20, 100 * f**-0.9, h))

    _, ratio, limit = found(1.0)
    assert ratio is not None and limit == pytest.approx(0.5 * 10 ** (1.0 / 3.0), rel=0.03)
    for share, status in ((0.9, "pass"), (1.1, "doubtful"), (9.0, "doubtful")):  # ratio goes as 1 / sqrt(h)
        assert found((ratio / (share * limit)) ** 2)[0] == status


def lined(*lines: tuple[float, float], floor: float = 1e-4) -> Array:
    """Return a flat density with lines (frequency [Hz], r.m.s. [m/s²]) in one bin each."""
    density = np.full(FREQUENCY.size, floor)
    for hz, rms in lines:
        density[round(hz / STEP)] = rms**2 / STEP
    return density


def hum(
    mean: Array, quiet: Array | None = None, sheet: ToolSheet | None = None, rms: float = 3.0
) -> tuple[str, float | None, float | None]:
    axes = np.stack([mean, np.full(mean.size, 1e-4)])
    still = None if quiet is None else np.stack([quiet, np.full(mean.size, 1e-4)])
    found = signal.hum(measures(rms=(rms, 0.0), found=spectra(axes, STEP, still)), context(tool=sheet))
    assert found.name == "hum"
    return figures(found)


@pytest.mark.parametrize("line", [50.0, 60.0])
def test_mains_pick_up(line: float) -> None:
    """A line of 0.5 m/s² and its third multiple; 0.03 of 3 m/s² in all is the limit."""
    lines = lined((line, 0.5), (3 * line, 0.2))
    assert hum(lines) == ("doubtful", pytest.approx(0.5, rel=1e-3), pytest.approx(0.09))
    for supply, status in ((f"mains {line:g} Hz", "doubtful"), ("mains 400 Hz", "pass"), ("battery", "doubtful")):
        assert hum(lines, sheet=tool(9000, supply))[0] == status


def test_what_is_no_pick_up() -> None:
    both = lined((50, 0.5), (150, 0.2))
    assert hum(lined((50, 0.5)))[:2] == ("pass", 0.0)
    assert hum(lined((150, 0.5)))[:2] == ("pass", 0.0)
    assert hum(both, lined())[:2] == ("pass", 0.0)  # gone where the tool is off
    assert hum(both, lined((50, 0.5)))[:2] == ("pass", 0.0)
    assert hum(both, lined((50, 0.2), (150, 0.1)))[1] == pytest.approx(0.2, rel=5e-3)
    assert hum(lined((51, 0.5), (150, 0.2)))[:2] == ("pass", 0.0)
    assert hum(lined((50.25, 0.5), (150, 0.2)))[0] == "doubtful"  # within one line of the spectrum
    assert hum(lined((50.5, 0.5), (150, 0.2)))[:2] == ("pass", 0.0)
    for rms, status in ((0.5 / 0.03 * 0.99, "doubtful"), (0.5 / 0.03 * 1.02, "pass")):
        assert hum(both, rms=rms)[0] == status
    for size, status in ((0.0102, "doubtful"), (0.0097, "pass")):  # 0.01 m/s² in any case
        faint = lined((50, size), (150, size), floor=1e-7)
        assert hum(faint, rms=0.01)[0] == status


@pytest.mark.parametrize(("rpm", "status"), [(2540, "doubtful"), (2570, "pass"), (3440, "pass"), (3460, "doubtful")])
def test_a_shaft_near_the_mains(rpm: float, status: str) -> None:
    """Within 15 % of 50 Hz a shaft may be the line itself: 42.5 to 57.5 Hz are 2550 to 3450 rpm."""
    found = hum(lined((50, 0.5), (150, 0.2)), sheet=tool(rpm, "mains 50 Hz"))
    assert found == (status, pytest.approx(0.5, rel=1e-3), pytest.approx(0.09))


def test_how_far_a_line_must_stand_out() -> None:
    """20 times the middle of what lies 0.75 to 8 Hz beside it."""
    for times, status in ((20.5, "doubtful"), (19.5, "pass")):
        density = lined(floor=1.0)
        density[round(50 / STEP)] = density[round(150 / STEP)] = times
        assert hum(density)[0] == status
    coarse = spectra(np.stack([np.where(np.isin(np.arange(300), (25, 75)), 9.0, 1e-4)] * 2), 2.0)
    assert figures(signal.hum(measures(rms=(3.0, 1.0), found=coarse), context()))[1] == 0.0
    for top, seen in ((167.0, True), (166.0, False)):  # 150 Hz lies within 0.9 of 167 Hz
        short = lined((50, 0.5), (150, 0.2))[: round(top / STEP) + 1]
        assert (hum(short)[1] != 0.0) is seen
    assert hum(np.zeros(1))[:2] == ("pass", 0.0)
