"""Small plots: axes, thinning, embedded data."""

from __future__ import annotations

import json
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from vibekit.bench.markup import Html, el, escape
from vibekit.bench.svg import (
    COLUMNS,
    Reading,
    bars,
    curve,
    embedded,
    highest,
    linear_axis,
    log_axis,
    straightened,
    thin,
)


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(3, 9))
def test_linear_ticks_are_even_round_and_about_as_many_as_asked(low: float, span: float, about: int) -> None:
    axis = linear_axis("q", "u", low, low + span, about)
    values = np.array([tick.value for tick in axis.ticks])
    steps = np.diff(values)
    assert 1 <= len(values) <= 2 * about + 2
    assert np.all((values >= low - 1e-6 * span) & (values <= low + span * (1 + 1e-6)))
    if steps.size:
        digit = steps[0] / 10 ** np.floor(np.log10(steps[0]) + 1e-9)
        assert min(abs(digit - m) for m in (1, 2, 5, 10)) < 1e-3
        assert np.allclose(steps, steps[0], rtol=1e-6)
    for tick in axis.ticks:
        assert float(tick.text) == pytest.approx(tick.value, abs=1e-6 * max(abs(low), span))


def test_shares_of_a_logarithmic_axis() -> None:
    """Equal ratios take equal lengths: ends 0 and 1, the geometric mean in the middle, outside is cut."""
    axis = log_axis("frequency", "Hz", 10.0, 1000.0)
    assert axis.share([10, 100, 1000, 1, 5000, 0]) == pytest.approx([0, 0.5, 1, 0, 1, 0])
    assert {tick.value for tick in axis.ticks if tick.text} == {10, 20, 50, 100, 200, 500, 1000}


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1), st.integers(2, 30_000))
def test_thinning_keeps_every_columns_extremes(seed: int, size: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.linspace(0, 1, size), rng.standard_normal(size)
    axis = linear_axis("t", "s", 0.0, 1.0)
    kept = thin(axis, x, y)
    assert kept.size <= 2 * COLUMNS + 2
    assert np.all(np.diff(kept) > 0)
    column = np.minimum((x * COLUMNS).astype(int), COLUMNS - 1)
    for one in np.unique(column)[:: max(1, size // 2000)]:
        mine = y[column == one]
        shown = y[kept[column[kept] == one]]
        assert (shown.min(), shown.max()) == (mine.min(), mine.max())


def test_a_cursor_reads_a_narrow_line_at_full_height() -> None:
    frequency = np.linspace(0, 5000, 100_001)
    amplitude = np.where(frequency == 1234.5, 7.0, 0.01)
    at, (values,) = highest(log_axis("f", "Hz", 4.0, 5000.0), frequency, [amplitude])
    assert values.max() == 7.0
    assert at[values.argmax()] == 1234.5


def test_a_curve_breaks_where_a_value_is_not_known() -> None:
    x, y = np.arange(10.0), np.arange(10.0)
    y[4] = np.nan
    drawn = curve(linear_axis("t", "s", 0, 9), linear_axis("v", "", 0, 9), x, y, "ink")
    assert drawn.count("M") == 2
    assert "nan" not in drawn


def test_bars_stand_on_the_foot_of_the_grid() -> None:
    """Of the grid 1440 x 1000: 10 lies in the middle of 1 to 100, half of 10 at half the height; none is not drawn."""
    x, y = log_axis("x", "", 1, 100), linear_axis("y", "", 0, 10)
    drawn = bars(x, y, [10.0, 20.0], 10**0.05, [5.0, 0.0], "pale")
    assert drawn == '<path class="bar pale" stroke-width="72" d="M720 1000V500"/>'
    assert bars(x, y, [10.0], 1.1, [0.0], "pale") == ""


def points_of(path: str) -> list[tuple[int, int]]:
    """Return the corners of path data of one start and relative steps (SVG 1.1, 8.3.4)."""
    start, _, steps = path.partition("l")
    at = [int(n) for n in re.findall(r"-?\d+", start)]
    corners = [(at[0], at[1])]
    numbers = [int(n) for n in re.findall(r"-?\d+", steps)]
    for across, down in zip(numbers[::2], numbers[1::2], strict=True):
        corners.append((corners[-1][0] + across, corners[-1][1] + down))
    return corners


@given(st.lists(st.tuples(st.integers(0, 1440), st.integers(0, 1000)), min_size=1, max_size=60).map(sorted))
def test_a_straightened_line_passes_within_two_steps_of_every_point(points: list[tuple[int, int]]) -> None:
    kept = straightened(points)
    assert (kept[0], kept[-1]) == (points[0], points[-1])
    corners = set(kept)
    for x, y in points:
        if (x, y) in corners:
            continue
        (x0, y0), (x1, y1) = next((a, b) for a, b in pairwise(kept) if a[0] <= x <= b[0] and a[0] < b[0])
        assert abs(y0 + (y1 - y0) * (x - x0) / (x1 - x0) - y) <= 2 + 1e-9


@given(st.lists(st.integers(0, 1000), min_size=2, max_size=40))
def test_a_curve_is_written_as_it_is_drawn(down: list[int]) -> None:
    x, y = linear_axis("t", "s", 0, 1440), linear_axis("v", "", 0, 1000)
    at = np.linspace(0, 1440, len(down)).round()
    drawn = curve(x, y, at, np.asarray(down, dtype=float), "ink")
    expected = straightened([(round(a), 1000 - d) for a, d in zip(at.tolist(), down, strict=True)])
    found = re.search(r' d="(M[^"]*)"', drawn)
    assert found is not None
    assert points_of(found[1]) == expected


@given(st.floats(-1e3, 1e3), st.floats(1e-3, 10.0), st.lists(st.integers(1, 500), min_size=2, max_size=50))
def test_an_even_grid_is_written_by_its_steps(start: float, step: float, counts: list[int]) -> None:
    """Read back as the page's script does; the bins of a spectrum that a cursor stops at are such a grid."""
    counts[0] = 1
    values = start + step * np.concatenate([[0], np.cumsum(counts)])
    axis = linear_axis("f", "Hz", float(values[0]), float(values[-1]))
    said = Reading(values, (("y", "", values),)).to_dict(axis)["x"]
    steps = said["steps"] if isinstance(said["steps"], list) else [1] * said["steps"]
    assert np.allclose(said["from"] + said["step"] * np.concatenate([[0], np.cumsum(steps)]), values, atol=1e-3 * step)


def test_an_uneven_grid_is_written_as_it_is() -> None:
    axis = linear_axis("f", "Hz", 0, 100)
    centres = np.array([6.3, 8.0, 10.0, 12.5])  # IEC 61260-1, nominal
    assert Reading(centres, (("y", "", centres),)).to_dict(axis)["x"] == [6.3, 8.0, 10.0, 12.5]


@given(st.text())
def test_embedded_data_survives_and_cannot_end_its_element(text: str) -> None:
    written = embedded({"name": text})
    assert json.loads(written)["name"] == text
    assert not set("<>&") & set(written)


@given(st.text())
def test_text_becomes_text(text: str) -> None:
    assert not set("<>\"'") & set(escape(text).replace("&#x27;", "").replace("&quot;", ""))
    assert all(c.isprintable() or c in "\n\u00a0" for c in escape(text))
    assert el("p", text) == f"<p>{escape(text)}</p>"
    assert el("p", Html("<b>x</b>")) == "<p><b>x</b></p>"
