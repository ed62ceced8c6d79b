"""Plot of a cepstrum: one panel per axis, the quefrencies of shafts, meshes and bearings named at its peaks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.plots import AXIS_COLOURS, new_figure, plain, plain_numbers, save, title, upright
from vibekit.bench.plots_spectrum import chosen_axes

if TYPE_CHECKING:
    from vibekit.machine.lines.power_cepstrum import Cepstrum

_HEIGHT = 2.4
_LABELS = 10  # peaks named per axis
_APART = 0.02  # of the width between labels
_LONGEST = 24
_LETTER = 0.027  # of a panel's height that a letter takes


def plot_cepstrum(result: Cepstrum, path: Path, axes: Sequence[str] = ()) -> None:
    """Write a cepstrum as PNG or SVG, one panel per axis (all if none is named).

    Raises:
        UsageError: the file name ends in neither .png nor .svg, an axis is not there, or the file cannot be written.
    """
    names, source = result.source.axes, result.source.floored.spectrum
    rows = chosen_axes(axes, names)
    figure, panels = new_figure(len(rows), _HEIGHT, path)
    milliseconds = 1000.0 * result.quefrency_s
    for panel, i in zip(panels, rows, strict=True):
        panel.plot(milliseconds, result.values[i], color=AXIS_COLOURS[names[i]], lw=0.7)
        panel.set(xscale="log", xlim=(0.8 * milliseconds[0], milliseconds[-1]))
        plain_numbers(panel.xaxis)
        _name_peaks(panel, result, i)
        panel.set_ylabel(f"{names[i]}  [dB]")
    above = panels[0].secondary_xaxis("top", functions=(_turned, _turned))
    above.set_xlabel("lines apart [Hz]", fontsize=8)
    plain_numbers(above.xaxis)
    above.tick_params(labelsize=8)
    panels[-1].set_xlabel("quefrency at the mean speed [ms]" if source.of else "quefrency [ms]")
    title(
        panels[0],
        f"Cepstrum: {result.source.file}   ({source.window} window, resolution of the spectrum "
        f"{source.resolution:.3g} {source.frequency_unit}, {source.averages} averages)",
    )
    save(figure, path)


def _turned(value: Any) -> Any:
    """Return milliseconds as Hz and Hz as milliseconds; nothing is asked for at zero but by the drawing library."""
    with np.errstate(divide="ignore"):
        return 1000.0 / np.asarray(value, dtype=np.float64)


def _name_peaks(panel: Any, result: Cepstrum, axis: int) -> None:
    """Name the highest peaks of an axis, upright above them, and make room."""
    left, right = np.log(panel.get_xlim())
    taken: list[float] = []
    low, high = panel.get_ylim()
    top = high
    for peak in sorted(result.peaks, key=lambda peak: -peak.height[axis]):
        place = float(np.log(1000.0 * peak.quefrency_s))
        if not peak.names or peak.height[axis] < 3.0 * result.noise[axis]:
            continue
        if len(taken) == _LABELS or any(abs(place - other) < _APART * (right - left) for other in taken):
            continue
        taken.append(place)
        text = plain(peak.names[0], _LONGEST)
        top = max(top, low + (float(peak.height[axis]) - low) / (1.0 - min(0.75, 0.08 + _LETTER * len(text))))
        upright(panel, text, (1000.0 * peak.quefrency_s, float(peak.height[axis])))
    panel.set_ylim(low, top)
