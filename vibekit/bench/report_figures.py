"""The page's plots: one-third-octave bands, running level, speed, spectrum, and how a day fills up."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vibekit.bench.markup import Html, el, join
from vibekit.bench.report_parts import Document, FloatArray, LevelCurve, RecordingPart, SpectrumCurve
from vibekit.bench.svg import (
    Axis,
    Plot,
    Reading,
    Tick,
    band,
    bars,
    curve,
    draw,
    highest,
    level_line,
    linear_axis,
    log_axis,
    plain,
    spans,
    stem,
)
from vibekit.handarm.uncertainty import ends
from vibekit.handarm.verdict import heading, verdict
from vibekit.handarm.weighting import weighting_factor
from vibekit.standards.exposure_values import EU, REFERENCE_DURATION_S
from vibekit.standards.hand_arm_weighting import FIRST_BAND
from vibekit.units import number

AXES = ("x", "y", "z")
_OCTAVES = (8.0, 16.0, 31.5, 63.0, 125.0, 250.0, 500.0, 1000.0)
_BAND_DECADES = 3.5  # of amplitude that a plot of bands shows below its largest value
_LINE_DECADES = 5.0  # that a plot of lines shows at most, its floor included
_NAMED = 12  # marks that fit over a spectrum


def figure(drawing: Html, caption: object) -> Html:
    """Return a plot with its caption."""
    return el("figure", drawing, el("figcaption", caption))


def octave_figure(name: str, part: RecordingPart) -> Html:
    """Return the one-third-octave bands of each measured axis, unweighted and weighted."""
    third = part.grade["third_octave"]
    centres = [float(c) for c in third["centre_hz"]]
    axes = [axis for axis in AXES if third[f"{axis}_mps2"] is not None]
    top = max((max(third[f"{axis}_mps2"], default=0.0) for axis in axes), default=0.0)
    if not centres or top <= 0:
        return el("p", "No vibration in the bands from 6.3 to 1250 Hz.")
    midband = 10 ** (np.arange(FIRST_BAND, FIRST_BAND + len(centres)) / 10)
    x = _octave_axis(midband)
    drawn = []
    for axis in axes:
        values = np.asarray(third[f"{axis}_mps2"])
        y = _amplitude_axis(f"axis {axis}, r.m.s.", top, _BAND_DECADES)
        drawn.append(_octave_plot(f"{name}-{axis}", axis, x, y, centres, midband, values, first=axis == axes[0]))
    caption = (
        "One-third-octave bands over the trigger-on time, axis by axis: pale as measured, solid as the hand feels it "
        "(weighted with Wh of ISO 5349-1). The weighting takes most off the high bands."
    )
    return figure(join(drawn), caption)


def _octave_axis(midband: FloatArray) -> Axis:
    low, high = float(midband[0] / 10**0.06), float(midband[-1] * 10**0.06)
    return Axis("band", "Hz", low, high, True, tuple(Tick(f, plain(f)) for f in _OCTAVES if low < f < high))


def _octave_plot(
    name: str,
    axis: str,
    x: Axis,
    y: Axis,
    centres: Sequence[float],
    midband: FloatArray,
    values: FloatArray,
    first: bool,
) -> Html:
    felt = values * weighting_factor(midband)
    strongest = centres[int(felt.argmax())]
    return draw(
        Plot(
            name,
            f"One-third-octave bands, axis {axis}",
            f"{len(centres)} bands from {plain(centres[0])} to {plain(centres[-1])} Hz; largest as measured "
            f"{number(float(values.max()))} m/s² at {plain(centres[int(values.argmax())])} Hz, largest weighted "
            f"{number(float(felt.max()))} m/s² at {plain(strongest)} Hz.",
            x,
            y,
            (
                bars(x, y, midband, 10**0.043, values.tolist(), "pale"),
                bars(x, y, midband, 10**0.026, felt.tolist(), f"axis-{axis}"),
            ),
            (),
            Reading(
                np.asarray(centres),
                ((f"{axis} as measured", "m/s²", values), ("weighted", "m/s²", felt)),
                follows=not first,
            ),
            height=130,
            key=(("bar pale", "as measured"), (f"bar axis-{axis}", "weighted")) if first else (),
        )
    )


def _amplitude_axis(title: str, top: float, decades: float, bottom: float = 0.0) -> Axis:
    high = top * 1.4
    return log_axis(title, "m/s²", max(bottom, high / 10**decades), high)


def time_axis(duration_s: float) -> tuple[Axis, float]:
    """Return a time axis in s, min or h, and seconds per unit."""
    unit, scale = ("s", 1.0) if duration_s <= 300 else ("min", 60.0) if duration_s <= 3 * 3600 else ("h", 3600.0)
    return linear_axis("time", unit, 0.0, duration_s / scale, about=6), scale


def level_figure(name: str, part: RecordingPart) -> Html:
    """Return the running level with the trigger-on time shaded."""
    level, duration = part.level, float(part.grade["duration_s"])
    x, scale = time_axis(duration)
    if level.running_mps2.size == 0:
        return el("p", "The recording is too short for a running level of 1 s.")
    top = float(level.running_mps2.max())
    a_hv = part.grade["a_hv_mps2"]
    y = linear_axis("weighted total, running 1 s r.m.s.", "m/s²", 0.0, 1.15 * max(top, a_hv or 0.0, 1e-3), about=4)
    stretches = _stretches(level)
    on = [(start / scale, stop / scale) for start, stop in stretches]
    marks = [] if a_hv is None else [level_line(y, a_hv, f"a_hv {number(a_hv)}")]
    at, (values,) = highest(x, level.time_s / scale, [level.running_mps2])
    plot = Plot(
        name,
        "Running level",
        f"Weighted total value over {number(duration)} s; largest second {number(top)} m/s²; "
        f"trigger on in {len(stretches)} stretch{'es' if len(stretches) != 1 else ''}.",
        x,
        y,
        (spans(x, on, "on"), curve(x, y, level.time_s / scale, level.running_mps2, "ink")),
        tuple(marks),
        Reading(at, (("level", "m/s²", values),)),
        height=180,
        key=(("curve ink", "level"), ("span on", "trigger on"), *([("reference", "its a_hv")] if marks else [])),
    )
    caption = f"The weighted vibration, second by second. A grade counts the shaded time only.{_few_axes(part)}"
    return figure(draw(plot), caption)


def _few_axes(part: RecordingPart) -> str:
    """Return why level and a_hv differ where not all axes were measured."""
    axes = [axis for axis in AXES if part.grade["third_octave"][f"{axis}_mps2"] is not None]
    if len(axes) == len(AXES):
        return ""
    return f" The curve is axis {' and '.join(axes)} alone; a_hv makes up for the missing ones and stands higher."


def _stretches(level: LevelCurve) -> list[tuple[float, float]]:
    """Return start and end of each trigger-on stretch [s]."""
    edges = np.flatnonzero(np.diff(level.on.astype(int), prepend=0, append=0))
    return [(float(a * level.frame_s), float(b * level.frame_s)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def speed_figure(name: str, speed: Document, duration_s: float) -> Html:
    """Return the speed track of the shaft followed."""
    track = speed["track"]
    rpm = np.array([math.nan if value is None else value for value in track["rpm"]], dtype=np.float64)
    time = np.asarray(track["time_s"], dtype=np.float64)
    if not np.isfinite(rpm).any():
        return el("p", "No speed could be followed.")
    x, scale = time_axis(duration_s)
    low, high = float(np.nanmin(rpm)), float(np.nanmax(rpm))
    room = max(0.15 * (high - low), 0.02 * high)
    y = linear_axis(f"speed of {track['of']}", "1/min", max(0.0, low - room), high + room, about=4)
    loaded = [(s["start_s"] / scale, s["end_s"] / scale) for s in speed["segments"] if s["state"] == "loaded"]
    steady = [(s["start_s"] / scale, s["end_s"] / scale) for s in speed["segments"] if s["state"] == "steady"]
    at, (values,) = highest(x, time / scale, [rpm])
    plot = Plot(
        name,
        f"Speed of {track['of']} over time",
        f"From {number(low, 4)} to {number(high, 4)} revolutions per minute.",
        x,
        y,
        (spans(x, steady, "on"), spans(x, loaded, "load"), curve(x, y, time / scale, rpm, "ink")),
        (),
        Reading(at, (("speed", "1/min", values),)),
        height=160,
        key=(("curve ink", "speed"), *_shading(steady, loaded)),
    )
    return figure(draw(plot), f"How fast it turned ({_SOURCES.get(speed['source'], speed['source'])}).")


def _shading(steady: list[tuple[float, float]], loaded: list[tuple[float, float]]) -> list[tuple[str, str]]:
    return [*([("span on", "steady")] if steady else []), *([("span load", "loaded")] if loaded else [])]


_SOURCES = {"tach": "from the tachometer", "vibration": "from its own vibration", "sound": "from the sound"}


def spectrum_figure(name: str, lines: Sequence[Document], drawn: SpectrumCurve) -> Html:
    """Return the spectrum over frequency or orders with its named lines, numbered as in their table."""
    ordered = drawn.unit == "order"
    lowest = 0.1 if ordered else 4.0
    inside = drawn.frequency >= lowest
    frequency, total, floor = drawn.frequency[inside], drawn.total_mps2[inside], drawn.floor_mps2[inside]
    top = float(total.max(initial=0.0))
    if top <= 0:
        return el("p", "The spectrum is empty.")
    x = log_axis(f"order of {drawn.of}" if ordered else "frequency", "" if ordered else "Hz", lowest, frequency[-1])
    y = _amplitude_axis("line amplitude, r.m.s. of x, y, z together", top, _LINE_DECADES, float(floor.min()) / 2)
    shown = named_lines(lines)
    at = [_place(line, ordered) for line in shown]
    raised = _raised(x, at)
    numbered = sorted(enumerate(zip(at, shown, raised, strict=True), 1), key=lambda one: -one[1][2])  # lowest on top
    stems = [stem(x, y, place, line_total(line), str(i), row) for i, (place, line, row) in numbered]
    plot = Plot(
        name,
        "Spectrum with named lines",
        f"Strongest {number(top)} m/s² at {frequency[int(total.argmax())]:.4g} {drawn.unit}; "
        f"{len(shown)} lines are numbered as in the table below.",
        x,
        y,
        (curve(x, y, frequency, total, "ink"), curve(x, y, frequency, floor, "dashed")),
        tuple(stems),
        _line_reading(x, drawn, frequency, total, floor, lines),
        height=260,
        headroom=1 + max(raised, default=0),
        key=(("curve ink", "spectrum"), ("curve dashed", "noise floor")),
    )
    return figure(draw(plot), _SPECTRUM_CAPTION[ordered])


_SPECTRUM_CAPTION = {
    False: "Lines are things that turn, mesh or strike. The numbers are those of the table.",
    True: "The speed wandered, so the lines are counted per turn of the shaft (orders), where they stand still. "
    "The numbers are those of the table.",
}


def _place(line: Document, ordered: bool) -> float:
    return float(line["order"] if ordered else line["frequency_hz"])


def _line_reading(
    x: Axis, drawn: SpectrumCurve, at: FloatArray, total: FloatArray, floor: FloatArray, lines: Sequence[Document]
) -> Reading:
    ordered = drawn.unit == "order"
    spots, values = highest(x, at, [total, floor])
    marks = tuple((_place(line, ordered), line_name(line)) for line in lines if line["names"])
    second = None
    if drawn.turn_hz:
        second = ("frequency", "Hz", drawn.turn_hz) if ordered else ("order", f"of {drawn.of}", 1.0 / drawn.turn_hz)
    return Reading(spots, (("amplitude", "m/s²", values[0]), ("floor", "m/s²", values[1])), marks, second)


def named_lines(lines: Sequence[Document]) -> list[Document]:
    """Return the strongest named lines, as many as a plot can carry, in the order of frequency."""
    strongest = sorted((line for line in lines if line["names"]), key=line_total, reverse=True)[:_NAMED]
    return sorted(strongest, key=lambda line: float(line["frequency_hz"]))


def line_total(line: Document) -> float:
    """Return the amplitude of a line over all axes [m/s²]."""
    return math.sqrt(math.fsum(float(value) ** 2 for value in line["amplitude_mps2"].values() if value is not None))


def line_name(line: Document) -> str:
    """Return all names of a line."""
    return ", ".join(str(name) for name in line["names"])


def _raised(x: Axis, values: Sequence[float]) -> list[int]:
    """Return by how many rows each mark is raised so that neighbours do not cover each other on a narrow screen."""
    last, rows = [-1.0, -1.0, -1.0], []
    for place in x.share(values).tolist():
        row = next((i for i, at in enumerate(last) if place - at > 0.06), int(np.argmin(last)))
        last[row] = place
        rows.append(row)
    return rows


def day_figure(name: str, summary: Document) -> Html:
    """Return how A(8) grows with the trigger time of a day, with its doubt and the two daily values."""
    a_hv, doubt = float(summary["a_hv_mps2"]), float(summary["expanded_uncertainty_mps2"])
    hours = np.linspace(0.0, 8.0, 97)
    middle, low, high = (a * np.sqrt(hours * 3600 / REFERENCE_DURATION_S) for a in (a_hv, *ends(a_hv, doubt)))
    x = linear_axis("trigger time in the day", "h", 0.0, 8.0, about=8)
    y = linear_axis("daily exposure A(8)", "m/s²", 0.0, max(1.1 * (a_hv + doubt), 5.6), about=5)
    action, limit = EU.action_mps2, EU.limit_mps2
    plot = Plot(
        name,
        "Daily exposure against trigger time",
        f"After 8 h of trigger time: {heading(a_hv, doubt, verdict(ends(a_hv, doubt)))}; action value {action} and "
        f"limit value {limit}.",
        x,
        y,
        (band(x, y, hours, low, high, "doubt"), curve(x, y, hours, middle, "ink")),
        (level_line(y, limit, f"limit value {limit:g}"), level_line(y, action, f"action value {action:g}")),
        Reading(hours[::2], (("A(8)", "m/s²", middle[::2]), ("low", "m/s²", low[::2]), ("high", "m/s²", high[::2]))),
        height=200,
        key=(("curve ink", "A(8)"), ("area doubt", "its doubt (k = 2)"), ("reference", "daily values")),
    )
    caption = "How a day fills up with this tool alone. Read the high edge of the shading to be on the safe side."
    return figure(draw(plot), caption)
