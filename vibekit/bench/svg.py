"""Small plots as inline SVG that reflow: positions are shares of the plot's width, so letters keep their size.

Curves live in a nested drawing that is stretched to the plot; axes, marks and letters are placed in per cent around it.
Colours and strokes come from the page's style sheet by class name.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibekit.bench.markup import Html, el, join

FloatArray = NDArray[np.float64]

COLUMNS = 720  # a plot's widest width in CSS pixels: finer detail than one column is drawn as its range
_WIDE, _HIGH = 1440, 1000  # grid of the stretched drawing


@dataclass(frozen=True)
class Tick:
    """A grid line and its letters; one without letters is a thin line only."""

    value: float
    text: str = ""


@dataclass(frozen=True)
class Axis:
    """A quantity with its unit from `low` to `high`, linear or logarithmic."""

    title: str
    unit: str
    low: float
    high: float
    log: bool
    ticks: tuple[Tick, ...]

    @property
    def name(self) -> str:
        """Title and unit."""
        return f"{self.title} [{self.unit}]" if self.unit else self.title

    def share(self, values: ArrayLike) -> FloatArray:
        """Return where values lie on the axis, 0 (low) to 1 (high), cut at its ends."""
        numbers = np.asarray(values, dtype=np.float64)
        if self.log:
            tiny = self.low * 1e-3
            place = np.log(np.maximum(numbers, tiny) / self.low) / math.log(self.high / self.low)
        else:
            place = (numbers - self.low) / (self.high - self.low)
        return np.asarray(np.clip(place, 0.0, 1.0))

    def inside(self, value: float) -> bool:
        """Tell whether a value lies on the axis."""
        return self.low <= value <= self.high


def linear_axis(title: str, unit: str, low: float, high: float, about: int = 5) -> Axis:
    """Return a linear axis with ticks at 1, 2 or 5 times a power of ten, about as many as asked."""
    if not high > low:
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1, 2, 5, 10) if power * m >= rough * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    ticks = tuple(Tick(n * step, f"{n * step:.{decimals}f}") for n in range(first, last + 1))
    return Axis(title, unit, low, high, False, ticks)


def log_axis(title: str, unit: str, low: float, high: float) -> Axis:
    """Return a logarithmic axis; letters at powers of ten, over few decades at 2 and 5 too."""
    low = max(low, high * 1e-9, 1e-12)
    if not high > low * 1.5:
        low, high = low / 2, low * 2
    lettered = {1, 2, 5} if high / low < 200 else {1}
    ticks = []
    for power in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1):
        for digit in (1, 2, 5):
            value = digit * 10.0**power
            if low * 0.999 <= value <= high * 1.001:
                ticks.append(Tick(value, plain(value) if digit in lettered else ""))
    return Axis(title, unit, low, high, True, tuple(ticks))


def plain(value: float) -> str:
    """Return a number as short as it can stand beside an axis."""
    return f"{value:.0f}" if value >= 1 and value == round(value) else f"{value:.10f}".rstrip("0").rstrip(".")


def thin(x: Axis, values_x: ArrayLike, values_y: ArrayLike) -> NDArray[np.intp]:
    """Return the indices of a curve's points to draw: first, lowest, highest and last of every column of the plot."""
    at, y = np.asarray(values_x, dtype=np.float64), np.asarray(values_y, dtype=np.float64)
    index = np.flatnonzero(np.isfinite(y) & (at >= x.low) & (at <= x.high))
    if index.size <= 4 * COLUMNS:
        return index
    at, y = at[index], y[index]
    column = np.minimum((x.share(at) * COLUMNS).astype(int), COLUMNS - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    chosen: set[int] = set()
    for start, stop in zip(starts.tolist(), [*starts[1:].tolist(), at.size], strict=True):
        part = y[start:stop]
        chosen |= {start, start + int(part.argmin()), start + int(part.argmax()), stop - 1}
    return np.asarray(index[np.array(sorted(chosen))])


def highest(x: Axis, values_x: ArrayLike, series: Sequence[ArrayLike]) -> tuple[FloatArray, list[FloatArray]]:
    """Return x and, per series, the value at the column's highest point of the first series: what a cursor reads."""
    at = np.asarray(values_x, dtype=np.float64)
    ys = [np.asarray(one, dtype=np.float64) for one in series]
    keep = np.isfinite(ys[0]) & (at >= x.low) & (at <= x.high)
    at, ys = at[keep], [one[keep] for one in ys]
    if at.size <= COLUMNS:
        return at, ys
    column = np.minimum((x.share(at) * COLUMNS).astype(int), COLUMNS - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    stops = [*starts[1:], at.size]
    index = np.array([start + int(ys[0][start:stop].argmax()) for start, stop in zip(starts, stops, strict=True)])
    return at[index], [one[index] for one in ys]


def curve(x: Axis, y: Axis, values_x: ArrayLike, values_y: ArrayLike, style: str) -> Html:
    """Return a curve, thinned to the plot's columns, broken where a value is not known (NaN)."""
    at, values = np.asarray(values_x, dtype=np.float64), np.asarray(values_y, dtype=np.float64)
    index = thin(x, at, values)
    gaps = np.cumsum(~np.isfinite(values))[index]
    pieces = np.split(index, np.flatnonzero(np.diff(gaps)) + 1) if index.size else []
    drawn = "".join(_path(x, y, at[piece], values[piece]) for piece in pieces)
    return el("path", class_=f"curve {style}", d=drawn) if drawn else Html("")


def band(x: Axis, y: Axis, values_x: ArrayLike, low: ArrayLike, high: ArrayLike, style: str) -> Html:
    """Return the area between two curves with the same x."""
    at = np.asarray(values_x, dtype=np.float64)
    there = _path(x, y, at, np.asarray(high, dtype=np.float64))
    back = _path(x, y, at[::-1], np.asarray(low, dtype=np.float64)[::-1])
    return el("path", class_=f"area {style}", d=f"{there}L{back[1:]}Z")


def _path(x: Axis, y: Axis, at: FloatArray, values: FloatArray) -> str:
    across = np.rint(x.share(at) * _WIDE).astype(int)
    down = np.rint((1.0 - y.share(values)) * _HIGH).astype(int)
    return "M" + "L".join(f"{a} {d}" for a, d in zip(across.tolist(), down.tolist(), strict=True))


def bars(
    x: Axis, y: Axis, edges: Sequence[tuple[float, float]], values: Sequence[float], style: str, titles: Sequence[str]
) -> Html:
    """Return bars from the foot of the plot, each with a title for the pointer."""
    drawn = []
    for (left, right), value, title in zip(edges, values, titles, strict=True):
        a, b = (x.share([left, right]) * _WIDE).round(1).tolist()
        height = round(float(y.share(value)) * _HIGH, 1)
        if height > 0:
            shape = {"x": a, "y": round(_HIGH - height, 1), "width": round(b - a, 1), "height": height}
            drawn.append(el("rect", el("title", title), class_=f"bar {style}", **shape))
    return join(drawn)


def spans(x: Axis, stretches: Iterable[tuple[float, float]], style: str) -> Html:
    """Return shaded stretches over the whole height."""
    drawn = []
    for start, stop in stretches:
        a, b = (x.share([start, stop]) * _WIDE).round(1).tolist()
        drawn.append(el("rect", class_=f"span {style}", x=a, y=0, width=round(b - a, 1), height=_HIGH))
    return join(drawn)


def level_line(y: Axis, value: float, text: str, style: str = "reference") -> Html:
    """Return a horizontal line across the plot with its name at the right end (for `around`)."""
    if not y.inside(value):
        return Html("")
    place = _percent(1.0 - float(y.share(value)))
    return join(
        [
            el("line", class_=style, x1=0, x2="100%", y1=place, y2=place),
            el("text", text, class_="note", x="100%", y=place, dx=-4, dy=-4, text_anchor="end"),
        ]
    )


def stem(x: Axis, y: Axis, value: float, height: float, text: str, raised: int = 0) -> Html:
    """Return a mark at a value: a thin stem down to the curve and letters above the plot (for `around`)."""
    place, top = _percent(float(x.share(value))), _percent(1.0 - float(y.share(height)))
    return join(
        [
            el("line", class_="stem", x1=place, x2=place, y1=-2 - 14 * raised, y2=top),
            el("text", text, class_="mark", x=place, y=-5 - 14 * raised, text_anchor="middle"),
        ]
    )


def _percent(share: float) -> str:
    return f"{100 * share:.2f}%"


@dataclass(frozen=True)
class Reading:
    """What a cursor reads at `x`: each series (name, unit, values), names of marks.

    `second` (name, unit, factor) says x once more in another unit.
    """

    x: FloatArray
    series: tuple[tuple[str, str, FloatArray], ...]
    marks: tuple[tuple[float, str], ...] = ()
    second: tuple[str, str, float] | None = None

    def to_dict(self, axis: Axis) -> dict[str, Any]:
        """Return the reading as data for the page's script."""
        return {
            "log": axis.log,
            "low": axis.low,
            "high": axis.high,
            "name": axis.title,
            "unit": axis.unit,
            "x": _short(self.x),
            "series": [{"name": name, "unit": unit, "y": _short(y)} for name, unit, y in self.series],
            "marks": [[_digits(at, 6), name] for at, name in self.marks],
            "second": [*self.second[:2], _digits(self.second[2], 6)] if self.second else None,
        }


def _short(values: FloatArray) -> list[float | None]:
    return [_digits(value, 4) if math.isfinite(value) else None for value in values.tolist()]


def _digits(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")


@dataclass(frozen=True)
class Plot:
    """A plot: `inside` is stretched with it, `around` keeps its letters; `reading` feeds the cursor."""

    name: str
    title: str
    description: str
    x: Axis
    y: Axis
    inside: tuple[Html, ...]
    around: tuple[Html, ...] = ()
    reading: Reading | None = None
    height: int = 220
    headroom: int = 0
    key: tuple[tuple[str, str], ...] = ()


def draw(plot: Plot) -> Html:
    """Return the plot as a block of the page: key, drawing with title and description, data for the cursor."""
    drawing = el(
        "svg",
        el("title", plot.title, id=f"{plot.name}-t"),
        el("desc", plot.description, id=f"{plot.name}-d"),
        _grid(plot.x, plot.y),
        el(
            "svg",
            *plot.inside,
            viewBox=f"0 0 {_WIDE} {_HIGH}",
            preserveAspectRatio="none",
            width="100%",
            height="100%",
        ),
        el("line", class_="foot", x1=0, x2="100%", y1="100%", y2="100%"),
        *plot.around,
        class_="chart",
        role="img",
        width="100%",
        height=plot.height,
        aria_labelledby=f"{plot.name}-t",
        aria_describedby=f"{plot.name}-d",
    )
    data = None
    if plot.reading is not None:
        data = el("script", embedded(plot.reading.to_dict(plot.x)), type="application/json", class_="reading")
    frame = f"plot head{plot.headroom}" if plot.headroom else "plot"
    return join([_key(plot.key), el("div", drawing, data, class_=frame, data_title=plot.title)])


def embedded(data: Any) -> Html:
    """Return data as JSON that may stand in a page: no sign of markup survives in it."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Html(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _grid(x: Axis, y: Axis) -> Html:
    parts = []
    for tick in x.ticks:
        place = _percent(float(x.share(tick.value)))
        parts.append(el("line", class_="grid", x1=place, x2=place, y1=0, y2="100%"))
        if tick.text:
            parts.append(el("text", tick.text, class_="tick", x=place, y="100%", dy=16, text_anchor="middle"))
    for tick in y.ticks:
        place = _percent(1.0 - float(y.share(tick.value)))
        parts.append(el("line", class_="grid", x1=0, x2="100%", y1=place, y2=place))
        if tick.text:
            parts.append(el("text", tick.text, class_="tick", x=0, y=place, dx=-7, dy=4, text_anchor="end"))
    parts.append(el("text", x.name, class_="axis", x="100%", y="100%", dy=34, text_anchor="end"))
    parts.append(el("text", y.name, class_="axis", x=0, y=0, dx=-40, dy=-10))
    return el("g", *parts, aria_hidden="true")


def _key(entries: tuple[tuple[str, str], ...]) -> Html | None:
    """Return the key: a sample of each style with its name; the sample is for the eye only."""
    if not entries:
        return None
    samples = []
    for style, text in entries:
        shape = "M0 5H24" if style.startswith("curve") or style == "reference" else "M0 0H24V10H0Z"
        sample = el("svg", el("path", class_=style, d=shape), class_="sample", width=24, height=10, aria_hidden="true")
        samples.append(el("li", sample, " ", text))
    return el("ul", *samples, class_="key")
