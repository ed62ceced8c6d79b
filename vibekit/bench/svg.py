"""Small plots as inline SVG that reflow: positions are shares of the plot's width, so letters keep their size.

Curves live in a nested drawing that is stretched to the plot; axes, marks and letters are placed in per cent around it.
Colours and strokes come from the page's style sheet by class name.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vibekit.bench.markup import Html, el, join

FloatArray = NDArray[np.float64]

COLUMNS = 480  # of a plot, which is 700 CSS pixels wide at most: finer detail than one column is drawn as its range
READINGS = 200  # places a cursor can stand at, each at the highest point of its column
_WIDE, _HIGH = 1440, 1000  # grid of the stretched drawing
_NEAR = 2  # of the grid's height, half a pixel: points so near the line through their neighbours are left out


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
    """Return the indices of a curve's points to draw: the lowest and highest of every column of the plot, and the ends.

    Up to two points a column are all drawn.
    """
    at, y = np.asarray(values_x, dtype=np.float64), np.asarray(values_y, dtype=np.float64)
    index = np.flatnonzero(np.isfinite(y) & (at >= x.low) & (at <= x.high))
    if index.size <= 2 * COLUMNS:
        return index
    starts, y = _columns(x, at[index], COLUMNS), y[index]
    chosen = {0, index.size - 1}
    for start, stop in pairwise([*starts, index.size]):
        part = y[start:stop]
        chosen |= {start + int(part.argmin()), start + int(part.argmax())}
    return np.asarray(index[np.array(sorted(chosen))])


def _columns(x: Axis, at: FloatArray, count: int) -> list[int]:
    """Return the place of the first value in each of `count` columns of the plot that holds any."""
    column = np.minimum((x.share(at) * count).astype(int), count - 1)
    starts: list[int] = np.flatnonzero(np.diff(column, prepend=-1)).tolist()
    return starts


def highest(x: Axis, values_x: ArrayLike, series: Sequence[ArrayLike]) -> tuple[FloatArray, list[FloatArray]]:
    """Return x and, per series, the value at the column's highest point of the first series: what a cursor reads."""
    at = np.asarray(values_x, dtype=np.float64)
    ys = [np.asarray(one, dtype=np.float64) for one in series]
    keep = np.isfinite(ys[0]) & (at >= x.low) & (at <= x.high)
    at, ys = at[keep], [one[keep] for one in ys]
    if at.size <= READINGS:
        return at, ys
    ends = pairwise([*_columns(x, at, READINGS), at.size])
    index = np.array([start + int(ys[0][start:stop].argmax()) for start, stop in ends])
    return at[index], [one[index] for one in ys]


def curve(x: Axis, y: Axis, values_x: ArrayLike, values_y: ArrayLike, style: str) -> Html:
    """Return a curve, thinned to the plot's columns, broken where a value is not known (NaN)."""
    at, values = np.asarray(values_x, dtype=np.float64), np.asarray(values_y, dtype=np.float64)
    index = thin(x, at, values)
    gaps = np.cumsum(~np.isfinite(values))[index]
    pieces = np.split(index, np.flatnonzero(np.diff(gaps)) + 1) if index.size else []
    drawn = "".join(_path(_placed(x, y, at[piece], values[piece])) for piece in pieces)
    return el("path", class_=f"curve {style}", d=drawn) if drawn else Html("")


def band(x: Axis, y: Axis, values_x: ArrayLike, low: ArrayLike, high: ArrayLike, style: str) -> Html:
    """Return the area between two curves with the same x."""
    at, below, above = (np.asarray(values, dtype=np.float64) for values in (values_x, low, high))
    around = _placed(x, y, at, above) + _placed(x, y, at, below)[::-1]
    return el("path", class_=f"area {style}", d=f"{_path(around)}Z")


Points = list[tuple[int, int]]


def _placed(x: Axis, y: Axis, at: FloatArray, values: FloatArray) -> Points:
    """Return where a curve's points lie on the drawing's grid, without those that the line does not need."""
    across = np.rint(x.share(at) * _WIDE).astype(int)
    down = np.rint((1.0 - y.share(values)) * _HIGH).astype(int)
    return straightened(list(zip(across.tolist(), down.tolist(), strict=True)))


def straightened(points: Points) -> Points:
    """Return the points whose line passes within `_NEAR` over or under every point: in one pass, ends kept.

    From the last kept point on, each point bounds the slopes of lines that pass near it; the first point whose own
    slope leaves the bounds makes the one before it a corner.
    """
    if len(points) < 3:
        return points
    kept = [points[0]]
    low, high = -math.inf, math.inf
    before = points[0]
    for point in points[1:]:
        across, down = point[0] - kept[-1][0], point[1] - kept[-1][1]
        if before != kept[-1] and (across <= 0 or not low <= down / across <= high):
            kept.append(before)
            low, high = -math.inf, math.inf
            across, down = point[0] - before[0], point[1] - before[1]
        if across <= 0:
            low, high = math.inf, -math.inf  # upright: the next point elsewhere makes this one a corner
        else:
            low, high = max(low, (down - _NEAR) / across), min(high, (down + _NEAR) / across)
        before = point
    return [*kept, before]


def _path(points: Points) -> str:
    """Return path data: the first point, then steps, a sign standing for the space before it."""
    steps = [f"{b[0] - a[0]} {b[1] - a[1]}".replace(" -", "-") for a, b in pairwise(points)]
    start = f"M{points[0][0]} {points[0][1]}"
    return f"{start}l{' '.join(steps).replace(' -', '-')}" if steps else start


def bars(x: Axis, y: Axis, centres: ArrayLike, ratio: float, values: Sequence[float], style: str) -> Html:
    """Return bars on a logarithmic axis from the foot of the plot, each from its centre over to times `ratio`."""
    middle = np.rint(x.share(centres) * _WIDE).astype(int).tolist()
    width = round(2 * math.log(ratio) / math.log(x.high / x.low) * _WIDE)
    tops = [round((1.0 - float(y.share(value))) * _HIGH) for value in values]
    drawn = [f"M{at} {_HIGH}V{top}" for at, top in zip(middle, tops, strict=True) if top < _HIGH]
    return el("path", class_=f"bar {style}", stroke_width=width, d="".join(drawn)) if drawn else Html("")


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
            el("text", text, class_="note end", x="100%", y=place, dx=-4, dy=-4),
        ]
    )


def stem(x: Axis, y: Axis, value: float, height: float, text: str, raised: int = 0) -> Html:
    """Return a mark at a value: a thin stem down to the curve and letters above the plot (for `around`)."""
    place, top = _percent(float(x.share(value))), _percent(1.0 - float(y.share(height)))
    return join(
        [
            el("line", class_="stem", x1=place, x2=place, y1=-2 - 14 * raised, y2=top),
            el("text", text, class_="mark mid", x=place, y=-5 - 14 * raised),
        ]
    )


def _percent(share: float, decimals: int = 2) -> str:
    return f"{100 * share:.{decimals}f}".rstrip("0").rstrip(".") + "%"


@dataclass(frozen=True)
class Reading:
    """What a cursor reads at `x`: each series (name, unit, values), names of marks.

    `second` (name, unit, factor) says x once more in another unit. `follows`: the x is that of the figure's first plot.
    """

    x: FloatArray
    series: tuple[tuple[str, str, FloatArray], ...]
    marks: tuple[tuple[float, str], ...] = ()
    second: tuple[str, str, float] | None = None
    follows: bool = False

    def to_dict(self, axis: Axis) -> dict[str, Any]:
        """Return the reading as data for the page's script."""
        series = {"series": [{"name": name, "unit": unit, "y": _short(y, 3)} for name, unit, y in self.series]}
        if self.follows:
            return series
        return {
            "log": axis.log,
            "low": axis.low,
            "high": axis.high,
            "name": axis.title,
            "unit": axis.unit,
            "x": _even(self.x) or _short(self.x),
            **series,
            **({"marks": [[_digits(at, 6), name] for at, name in self.marks]} if self.marks else {}),
            **({"second": [*self.second[:2], _digits(self.second[2], 6)]} if self.second else {}),
        }


def _even(values: FloatArray) -> dict[str, Any] | None:
    """Return values on an even grid as their start, step and steps in between (one number: each one step), or None."""
    if values.size < 3 or not np.isfinite(values).all():
        return None
    step = float(np.diff(values).min())
    counts = np.diff(values) / step if step > 0 else np.array([math.nan])
    whole = np.rint(counts)
    if not np.all(np.abs(counts - whole) < 1e-3):  # of a step, and so smaller than any letter shows
        return None
    step = float((values[-1] - values[0]) / whole.sum())
    steps = len(whole) if np.all(whole == 1) else whole.astype(int).tolist()
    return {"from": _digits(float(values[0]), 9), "step": _digits(step, 12), "steps": steps}


def _short(values: FloatArray, digits: int = 4) -> list[float | None]:
    return [_digits(value, digits) if math.isfinite(value) else None for value in values.tolist()]


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
        el(
            "svg",
            _grid(plot.x, plot.y),
            *plot.inside,
            el("path", class_="foot", d=f"M0 {_HIGH}H{_WIDE}"),
            viewBox=f"0 0 {_WIDE} {_HIGH}",
            preserveAspectRatio="none",
        ),
        _letters(plot.x, plot.y),
        *plot.around,
        class_="chart",
        role="img",
        height=plot.height,
        aria_labelledby=f"{plot.name}-t",
        aria_describedby=f"{plot.name}-d",
    )
    data = None
    if plot.reading is not None:
        data = el("script", embedded(plot.reading.to_dict(plot.x)), type="application/json", class_="reading")
    frame = f"plot head{plot.headroom}" if plot.headroom else "plot"
    return join([_key(plot.key), el("div", drawing, data, class_=frame)])


def embedded(data: Any) -> Html:
    """Return data as JSON that may stand in a page: no sign of markup survives in it."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return Html(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))


def _grid(x: Axis, y: Axis) -> Html:
    """Return the grid lines of both axes as one shape of the stretched drawing."""
    upright = [f"M{round(float(x.share(tick.value)) * _WIDE)} 0V{_HIGH}" for tick in x.ticks]
    level = [f"M0 {round((1.0 - float(y.share(tick.value))) * _HIGH)}H{_WIDE}" for tick in y.ticks]
    return el("path", class_="grid", d="".join(upright + level))


def _letters(x: Axis, y: Axis) -> Html:
    """Return the numbers and names of both axes."""
    below = [el("text", tick.text, x=_percent(float(x.share(tick.value)), 1)) for tick in x.ticks if tick.text]
    beside = [el("text", tick.text, y=_percent(1.0 - float(y.share(tick.value)), 1)) for tick in y.ticks if tick.text]
    return el(
        "g",
        el("svg", el("g", *below, class_="tick mid"), y="100%"),
        el("g", *beside, class_="tick end"),
        el("text", x.name, class_="axis end", x="100%", y="100%", dy=34),
        el("text", y.name, class_="axis", x=0, y=0, dx=-40, dy=-10),
        aria_hidden="true",
    )


def _key(entries: tuple[tuple[str, str], ...]) -> Html | None:
    """Return the key: a sample of each style with its name; the sample is for the eye only."""
    if not entries:
        return None
    samples = []
    for style, text in entries:
        width = 10 if style.startswith("bar") else None
        shape = "M0 5H24" if width or style.startswith("curve") or style == "reference" else "M0 0H24V10H0Z"
        sample = el("svg", el("path", class_=style, d=shape, stroke_width=width), class_="sample", aria_hidden="true")
        samples.append(el("li", sample, " ", text))
    return el("ul", *samples, class_="key")
