"""The run-up or coast-down map: level over frequency and speed, orders and resonances drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.plots import new_figure, on_picture, plain, plain_numbers, save, title
from vibekit.bench.plots_spectrum import Scale, chosen_axes

if TYPE_CHECKING:
    from vibekit.machine.lines.maps import SpeedMap
    from vibekit.machine.lines.resonances import Resonance

_LONGEST = 40  # letters along a panel's height
_DEEP_DB = 60.0  # below the highest level: where the colours end
_BRIGHTEST = 0.9995  # quantile of the levels that has the brightest colour


@dataclass(frozen=True)
class MapView:
    """What of a map to draw, and how: `axes` (all if empty), scale of frequencies, highest frequency [Hz]."""

    axes: tuple[str, ...] = ()
    frequencies: Scale = "log"
    up_to_hz: float | None = None


def plot_map(
    mapped: SpeedMap,
    found: Sequence[Resonance] | None,
    names: dict[str, float],
    file: str,
    path: Path,
    view: MapView = MapView(),
) -> None:
    """Write level over frequency and speed as PNG or SVG, one panel per axis.

    `names` gives the orders to draw, on the shaft that the map counts on; resonances stand at one frequency whatever
    the speed; `found` is None where the recording cannot show any.

    Raises:
        UsageError: the file name ends in neither .png nor .svg, an axis is not there, or the file cannot be written.
    """
    rows = chosen_axes(view.axes, mapped.axes)
    figure, panels = new_figure(len(rows), 3.4, path)
    rpm = 60.0 * mapped.hz
    first, last = _drawn(mapped, names, view)
    with np.errstate(divide="ignore"):
        decibels = 20.0 * np.log10(mapped.levels[rows, :, first:last])
    top = float(np.quantile(decibels, _BRIGHTEST))
    for panel, i, level in zip(panels, rows, decibels, strict=True):
        panel.set_xscale(view.frequencies)
        shown = panel.pcolormesh(
            mapped.frequency[first:last], rpm, level, cmap="cividis", vmin=top - _DEEP_DB, vmax=top, rasterized=True
        )
        figure.colorbar(shown, ax=panel, label=f"{mapped.axes[i]} [dB re 1 m/s²]", pad=0.01)
        panel.set(xlim=(mapped.frequency[first], mapped.frequency[last - 1]), ylim=(rpm[0], rpm[-1]))
        panel.set_ylabel(plain(f"{mapped.of} [1/min]", _LONGEST))
        _orders(panel, names, mapped.hz, named=panel is panels[0])
        _resonances(panel, found or ())
        if view.frequencies == "log":
            plain_numbers(panel.xaxis)
    panels[-1].set_xlabel("frequency [Hz]")
    said = {None: "resonances cannot be told", 0: "no resonance where two orders cross"}
    told = said.get(None if found is None else len(found), "dashed: resonances")
    title(panels[0], f"Level over frequency and speed: {file}   (dotted: orders; {told})", pad=44)
    save(figure, path)


def _drawn(mapped: SpeedMap, names: dict[str, float], view: MapView) -> tuple[int, int]:
    """Return first and last + 1 bin to draw: a little beyond the named orders."""
    lowest, highest = min(names.values(), default=1.0), max(names.values(), default=10.0)
    low = 0.0 if view.frequencies == "linear" else max(0.5 * lowest * mapped.hz[0], 2.0 * mapped.frequency[1])
    first, last = np.searchsorted(mapped.frequency, [low, view.up_to_hz or 1.2 * highest * mapped.hz[-1]])
    return max(1, int(first)), min(mapped.frequency.size, max(int(first) + 8, int(last)))


def _orders(panel: Any, names: dict[str, float], hz: Any, named: bool) -> None:
    """Draw each order as the line on which its frequency grows with the speed, named where it leaves the plot."""
    for name, order in names.items():
        panel.plot(order * hz, 60.0 * hz, color="white", lw=0.7, ls=":")
        if not named:
            continue
        inside = np.flatnonzero(order * hz <= panel.get_xlim()[1])
        last = int(inside[-1]) if inside.size else 0
        at = (order * hz[last], 60.0 * hz[last])
        if last == hz.size - 1:
            look = {"rotation": 30, "ha": "left", "color": "black", "fontsize": 6.5}
            panel.annotate(plain(name, 40), at, xytext=(0, 2), textcoords="offset points", **look)
        else:
            on_picture(panel, name, at, xytext=(-2, 3), ha="right", fontsize=6.5)


def _resonances(panel: Any, found: Sequence[Resonance]) -> None:
    for resonance in found:
        panel.axvline(resonance.frequency_hz, color="white", lw=1.0, ls="--")
        on_picture(
            panel,
            f"resonance {resonance.frequency_hz:.0f} Hz",
            (resonance.frequency_hz, 0.03),
            xycoords=("data", "axes fraction"),
            xytext=(3, 0),
            fontsize=7,
        )
