"""Plot of a cepstrum: one panel per axis, the quefrencies of shafts, meshes and bearings named at its peaks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibekit.bench.plots import AXIS_COLOURS, INK, new_figure, plain, save, title
from vibekit.bench.plots_spectrum import chosen_axes

if TYPE_CHECKING:
    from vibekit.machine.power_cepstrum import Cepstrum

_HEIGHT = 2.4
_LABELS = 6  # peaks named per axis
_APART = 0.02  # of the width between labels
_LONGEST = 30


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
        panel.set_xlim(milliseconds[0], milliseconds[-1])
        _name_peaks(panel, result, i)
        panel.set_ylabel(f"{names[i]}  [dB]")
    above = panels[0].secondary_xaxis("top", functions=(_turned, _turned))
    above.set_xlabel("lines apart [Hz]", fontsize=8)
    above.set_xticks([_turned(ms) for ms in panels[0].get_xticks() if milliseconds[0] <= ms <= milliseconds[-1]])
    above.xaxis.set_major_formatter(lambda hz, _: f"{hz:.4g}")
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
    import numpy as np

    with np.errstate(divide="ignore"):
        return 1000.0 / np.asarray(value, dtype=np.float64)


def _name_peaks(panel: Any, result: Cepstrum, axis: int) -> None:
    """Name the highest peaks of an axis, upright above them, and make room."""
    left, right = panel.get_xlim()
    taken: list[float] = []
    low, high = panel.get_ylim()
    top = high
    for peak in sorted(result.peaks, key=lambda peak: -peak.height[axis]):
        place = 1000.0 * peak.quefrency_s
        if not peak.names or peak.height[axis] < 3.0 * result.noise[axis]:
            continue
        if len(taken) == _LABELS or any(abs(place - other) < _APART * (right - left) for other in taken):
            continue
        taken.append(place)
        text = plain(peak.names[0], _LONGEST)
        top = max(top, peak.height[axis] + (0.1 + 0.022 * len(text)) * (high - low))
        panel.annotate(
            text,
            (place, peak.height[axis]),
            xytext=(0, 4),
            textcoords="offset points",
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=6.5,
            color=INK,
        )
    panel.set_ylim(low, top)
