"""Small plots: axes, thinning, embedded data."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

from vibekit.bench.markup import Html, el, escape
from vibekit.bench.svg import COLUMNS, bars, curve, embedded, highest, linear_axis, log_axis, thin


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
    assert kept.size <= 4 * COLUMNS
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


def test_bars_stand_on_the_foot_and_carry_their_value() -> None:
    x, y = linear_axis("x", "", 0, 2), linear_axis("y", "", 0, 10)
    drawn = bars(x, y, [(0, 1), (1, 2)], [5.0, 0.0], "pale", ["five", "none"])
    assert drawn.count("<rect") == 1
    assert 'y="500.0"' in drawn
    assert 'height="500.0"' in drawn
    assert "<title>five</title>" in drawn


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
