"""The run-up or coast-down map: level over frequency and speed, orders and resonances drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.plots_machine import new_figure, save

if TYPE_CHECKING:
    from vibekit.machine.maps import SpeedMap
    from vibekit.machine.resonances import Resonance

_DEEP_DB = 50.0  # below the highest level: where the colours end


def plot_map(
    mapped: SpeedMap, found: Sequence[Resonance], names: dict[str, float], file: str, path: Path, linear: bool = False
) -> None:
    """Write level over frequency and speed as PNG or SVG, one panel per axis, frequency logarithmic or `linear`.

    `names` gives the orders to draw, on the shaft that the map counts on; resonances stand at one frequency whatever
    the speed.

    Raises:
        UsageError: the file name ends in neither .png nor .svg, or the file cannot be written.
    """
    figure, panels = new_figure(len(mapped.axes), 3.4, path)
    rpm = 60.0 * mapped.hz
    first, last = _drawn(mapped, names, linear)
    with np.errstate(divide="ignore"):
        decibels = 20.0 * np.log10(mapped.levels[:, :, first:last])
    top = float(np.nanmax(decibels))
    for panel, axis, level in zip(panels, mapped.axes, decibels, strict=True):
        panel.set_xscale("linear" if linear else "log")
        shown = panel.pcolormesh(
            mapped.frequency[first:last], rpm, level, cmap="cividis", vmin=top - _DEEP_DB, vmax=top, rasterized=True
        )
        figure.colorbar(shown, ax=panel, label=f"{axis} [dB re 1 m/s²]", pad=0.01)
        panel.set(xlim=(mapped.frequency[first], mapped.frequency[last - 1]), ylim=(rpm[0], rpm[-1]))
        panel.set_ylabel(_plain(f"{mapped.of} [rpm]"))
        _orders(panel, names, mapped.hz, named=panel is panels[0])
        _resonances(panel, found)
    panels[-1].set_xlabel("frequency [Hz]")
    panels[0].set_title(_plain(f"Level over frequency and speed: {file}"), loc="left", fontsize=9, pad=40)
    save(figure, path)


def _drawn(mapped: SpeedMap, names: dict[str, float], linear: bool) -> tuple[int, int]:
    """Return first and last + 1 bin to draw: a little beyond the named orders."""
    lowest, highest = min(names.values(), default=1.0), max(names.values(), default=10.0)
    low = 0.0 if linear else 0.5 * lowest * mapped.hz[0]
    first, last = np.searchsorted(mapped.frequency, [low, 1.2 * highest * mapped.hz[-1]])
    return max(1, int(first)), max(int(first) + 8, int(last))


def _orders(panel: Any, names: dict[str, float], hz: Any, named: bool) -> None:
    """Draw each order as the line on which its frequency grows with the speed, named where it leaves the plot."""
    for name, order in names.items():
        panel.plot(order * hz, 60.0 * hz, color="white", lw=0.7, ls=":")
        if not named:
            continue
        inside = np.flatnonzero(order * hz <= panel.get_xlim()[1])
        last = int(inside[-1]) if inside.size else 0
        at_top = last == hz.size - 1
        panel.annotate(
            _plain(name),
            (order * hz[last], 60.0 * hz[last]),
            xytext=(0, 2) if at_top else (-2, 3),
            textcoords="offset points",
            rotation=30 if at_top else 0,
            ha="left" if at_top else "right",
            color="black" if at_top else "white",
            fontsize=6.5,
        )


def _resonances(panel: Any, found: Sequence[Resonance]) -> None:
    for resonance in found:
        panel.axvline(resonance.frequency_hz, color="white", lw=1.0, ls="--")
        panel.annotate(
            f"resonance {resonance.frequency_hz:.0f} Hz",
            (resonance.frequency_hz, 0.03),
            xycoords=("data", "axes fraction"),
            xytext=(3, 0),
            textcoords="offset points",
            color="white",
            fontsize=7,
        )


def _plain(text: str) -> str:
    return text.replace("$", r"\$")
