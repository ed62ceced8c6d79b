"""Plot of a line spectrum: one panel per axis, named lines, the noise beneath them, orders and frequency readable."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from vibekit.bench.plots import AXIS_COLOURS, INK, PALE, new_figure, plain, plain_numbers, save, title, upright
from vibekit.errors import UsageError

if TYPE_CHECKING:
    from vibekit.machine.lines.names import NamedLine
    from vibekit.machine.lines.table import LineSpectrum

Scale = Literal["linear", "log"]

_HEIGHT = 3.1
_MESH = re.compile(r"mesh \S+-\S+")  # which pair is in the text; on a plot it only takes room
_LABELS = 14  # named lines labelled per axis; more overlap each other
_LONGEST = 32  # letters of a label
_LETTER = 0.02  # of a panel's height that a letter takes
_APART = 0.018  # of a panel's width between labels
_LEAST_DB = 6.0  # over the noise, to be labelled
_LEAST_SHARE = 0.004  # of the largest, on a linear scale: lower ones cannot be seen
_NOT_SEPARABLE = "≈ "
_WHAT = {
    "amplitude": "Lines",
    "density": "Power spectral density",
    "order": "Lines over orders",
    "envelope": "Lines of the envelope",
}


@dataclass(frozen=True)
class SpectrumView:
    """What of a spectrum to draw, and how: `axes` (all if empty), scales, and the highest frequency [Hz]."""

    axes: tuple[str, ...] = ()
    levels: Scale = "log"
    frequencies: Scale = "linear"
    up_to_hz: float | None = None


def chosen_axes(wanted: Sequence[str], there: Sequence[str]) -> list[int]:
    """Return the rows of the axes to draw, all where none is named.

    Raises:
        UsageError: an axis that the recording does not have.
    """
    for axis in wanted:
        if axis not in there:
            raise UsageError(f"--axis {axis!r}: the recording has {', '.join(there) or 'no axis'}")
    return [i for i, axis in enumerate(there) if not wanted or axis in wanted]


def plot_spectrum(result: LineSpectrum, path: Path, view: SpectrumView = SpectrumView()) -> None:
    """Write a line spectrum as PNG or SVG, one panel per axis, lines named.

    Raises:
        UsageError: the file name ends in neither .png nor .svg, an axis is not there, or the file cannot be written.
    """
    rows = chosen_axes(view.axes, result.axes)
    figure, panels = new_figure(len(rows), _HEIGHT, path)
    spectrum = result.floored.spectrum
    first, last = _drawn(result, view)
    part = slice(first, last)
    for panel, i in zip(panels, rows, strict=True):
        panel.set(xscale=view.frequencies, yscale=view.levels)
        panel.plot(spectrum.frequency[part], spectrum.values[i, part], color=AXIS_COLOURS[result.axes[i]], lw=0.7)
        if result.rest is not None:  # beneath the spectrum: it shows only where something was taken off
            said = f"less what repeats every turn of {spectrum.of}"
            panel.plot(
                spectrum.frequency[part],
                result.rest.values[i, part],
                color=PALE,
                lw=0.7,
                zorder=1,
                label=plain(said, 60),
            )
        floor = result.floored.floor[i, part]
        panel.plot(spectrum.frequency[part], floor, color=INK, lw=0.8, ls="--", label="noise beneath the lines")
        panel.set_xlim(spectrum.frequency[first] if view.frequencies == "log" else 0.0, spectrum.frequency[last - 1])
        _name_lines(panel, result, i)
        if view.levels == "log":
            _no_level_above(panel, float(spectrum.values[i, part].max()))
        if view.frequencies == "log":
            plain_numbers(panel.xaxis)
        root = " r.m.s." if spectrum.scaling == "amplitude" else ""
        panel.set_ylabel(f"{result.axes[i]}  [{spectrum.unit}{root}]")
        _orders_above(panel, result, named=panel is panels[0])
    panels[-1].set_xlabel(_along(result))
    title(
        panels[0],
        f"{_WHAT[result.kind]}{_of_band(result)}: {result.file}   ({spectrum.window} window, "
        f"resolution {spectrum.resolution:.3g} {spectrum.frequency_unit}, {spectrum.averages} averages)",
    )
    if any(line.not_separable for line in result.lines):
        panels[0].plot([], [], ls="", label=f"{_NOT_SEPARABLE}not separable from a neighbour")
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside lower left", ncols=3, frameon=False, fontsize=8)
    save(figure, path)


def _no_level_above(panel: Any, highest: float) -> None:
    """Write levels up to the highest there is: above stand names only."""
    from matplotlib.ticker import NullLocator

    low, _ = panel.get_ylim()
    powers = np.arange(np.ceil(np.log10(low)), np.floor(np.log10(highest)) + 1.0)
    if powers.size < 2:
        plain_numbers(panel.yaxis)
        return
    panel.set_yticks(10.0 ** powers[:: 1 + powers.size // 7])
    panel.yaxis.set_minor_locator(NullLocator())


def _of_band(result: LineSpectrum) -> str:
    band = result.floored.spectrum.band_hz
    return f" of the band {band[0]:.0f} to {band[1]:.0f} Hz" if band else ""


def _over_orders(result: LineSpectrum) -> bool:
    return result.floored.spectrum.frequency_unit == "orders"


def _along(result: LineSpectrum) -> str:
    of = result.floored.spectrum.of
    return plain(f"order of {of} (times per turn)" if _over_orders(result) else "frequency [Hz]", 80)


def _orders_above(panel: Any, result: LineSpectrum, named: bool) -> None:
    """Write the other scale along the top: orders over a spectrum in Hz, Hz over one in orders."""
    turning = result.speed.shaft_hz.get(result.speed.of) if result.speed else None
    factor = result.hz_per_unit if _over_orders(result) else 1.0 / turning if turning else None
    if factor is None or not named:
        return
    above = panel.secondary_xaxis("top", functions=(lambda x: x * factor, lambda x: x / factor))
    of = result.speed.of if result.speed else ""
    words = "frequency at the mean speed [Hz]" if _over_orders(result) else f"order of {of}"
    above.set_xlabel(plain(words), fontsize=8)
    above.tick_params(labelsize=8)
    if panel.get_xscale() == "log":
        plain_numbers(above.xaxis)


def _drawn(result: LineSpectrum, view: SpectrumView) -> tuple[int, int]:
    """Return first and last + 1 bin to draw: up to what is wanted, or a little beyond the last named line, if any."""
    spectrum = result.floored.spectrum
    named = [line.frequency_hz for line in result.lines if line.names]
    top = view.up_to_hz or (1.15 * max(named) if named else float("inf"))
    last = int(np.searchsorted(spectrum.frequency, top / result.hz_per_unit))
    last = min(int(spectrum.frequency.size), max(50, last))
    lowest = 0.5 * min(named) / result.hz_per_unit if named else 2.0 * spectrum.resolution
    first = int(np.searchsorted(spectrum.frequency, lowest)) if view.frequencies == "log" else 1
    return max(1, min(first, last // 4)), last


def _name_lines(panel: Any, result: LineSpectrum, axis: int) -> None:
    """Mark the clearest named lines of one axis with their names, upright above their tops, and make room for them."""
    labels = list(_labels(panel, result, axis))
    low, high = panel.get_ylim()
    logarithmic = panel.get_yscale() == "log"
    base, top = (np.log(low), np.log(high)) if logarithmic else (0.0, high)
    for line, text in labels:
        at = _height(result, line, axis)
        reach = (np.log(at) if logarithmic else at) - base
        top = max(top, base + reach / (1.0 - min(0.7, 0.08 + _LETTER * len(text))))
    panel.set_ylim((low, np.exp(top)) if logarithmic else (0.0, top))
    for line, text in labels:
        upright(panel, text, (line.frequency_hz / result.hz_per_unit, _height(result, line, axis)))


def _height(result: LineSpectrum, line: NamedLine, axis: int) -> float:
    """Return the top of a line as drawn: its level, which is summed over its bins, lies higher where it is spread."""
    spectrum = result.floored.spectrum
    at = round(line.frequency_hz / result.hz_per_unit / spectrum.spacing)
    return float(spectrum.values[axis, max(0, at - 1) : at + 2].max())


def _labels(panel: Any, result: LineSpectrum, axis: int) -> list[tuple[NamedLine, str]]:
    """Return the lines to label on an axis with their labels, clearest first, none on top of another."""
    left, right = panel.get_xlim()
    bent = np.log if panel.get_xscale() == "log" else float
    labels: list[tuple[NamedLine, str]] = []
    taken: list[float] = []
    for line in sorted(result.lines, key=lambda n: -n.over_floor_db[axis]):
        x = line.frequency_hz / result.hz_per_unit
        if not line.names or line.over_floor_db[axis] < _LEAST_DB or not left < x < right:
            continue
        if panel.get_yscale() == "linear" and _height(result, line, axis) < _LEAST_SHARE * panel.get_ylim()[1]:
            continue
        place = (bent(x) - bent(left)) / (bent(right) - bent(left))
        if all(abs(place - other) >= _APART for other in taken):
            taken.append(place)
            labels.append((line, _label(line)))
        if len(labels) == _LABELS:
            break
    return labels


def _label(line: NamedLine) -> str:
    name = _MESH.sub("mesh", line.names[0])
    return plain((_NOT_SEPARABLE if line.not_separable else "") + name, _LONGEST)
