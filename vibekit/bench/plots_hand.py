"""Plots of a grade: level over time with the trigger-on part, and one-third-octave bands. Okabe & Ito colours."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.plots_machine import AXIS_COLOURS, new_figure, save
from vibekit.standards.hand_arm_weighting import PRINTED_FACTORS

if TYPE_CHECKING:
    from vibekit.handarm.magnitude import VibrationMagnitude

_INK, _SHADE = "#222222", "#DCE6F0"


def plot_grade(magnitude: VibrationMagnitude, path: Path) -> None:
    """Write the weighted level over time and the one-third-octave bands of a graded recording as PNG or SVG.

    Raises:
        UsageError: the file name ends in neither .png nor .svg.
    """
    figure, panels = new_figure(2, 3.2, path, share_x=False)
    _level_over_time(panels[0], magnitude)
    _bands(panels[1], magnitude)
    save(figure, path)


def _level_over_time(panel: Any, magnitude: VibrationMagnitude) -> None:
    """Draw the 1 s running r.m.s. of the weighted total, the trigger-on time shaded."""
    track = magnitude.track
    step_s = track.step / track.sample_rate
    time = (np.arange(track.running.size) + track.window) * step_s
    panel.plot(time, np.sqrt(track.running), color=_INK, lw=1.0, label="weighted total, running 1 s")
    edges = np.flatnonzero(np.diff(np.concatenate([[0], magnitude.on.astype(np.int8), [0]])))
    for i, (start, stop) in enumerate(zip(edges[::2], edges[1::2], strict=True)):
        label = "trigger on" if i == 0 else None
        panel.axvspan(start * track.frame_s, stop * track.frame_s, color=_SHADE, lw=0, zorder=0, label=label)
    if magnitude.a_hv_mps2 is not None:
        panel.axhline(magnitude.a_hv_mps2, color=_INK, lw=0.8, ls=":", label=f"a_hv {magnitude.a_hv_mps2:.2f} m/s²")
    panel.set(xlabel="time [s]", ylabel="a_hv [m/s²]", xlim=(0, magnitude.duration_s), ylim=(0, None))
    panel.set_title(f"Weighted vibration (ISO 5349-1): {magnitude.file}".replace("$", r"\$"), loc="left", fontsize=9)
    panel.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)


def _bands(panel: Any, magnitude: VibrationMagnitude) -> None:
    """Draw bars per axis: the band's unweighted value pale, its weighted share full."""
    bands = magnitude.third_octave
    place, width = np.arange(len(bands.centre_hz)), 0.8 / max(1, len(magnitude.axes))
    factors = np.array([factor for _, factor in PRINTED_FACTORS[: len(bands.centre_hz)]])
    for i, axis in enumerate(magnitude.axes):
        at, colour = place + (i - (len(magnitude.axes) - 1) / 2) * width, AXIS_COLOURS[axis]
        panel.bar(at, bands.values[i], width, color=colour, alpha=0.3, lw=0)
        panel.bar(at, bands.values[i] * factors, width, color=colour, lw=0, label=f"{axis} (pale: unweighted)")
    top = max(float(bands.values.max(initial=0.0)), 1e-3)
    panel.set(yscale="log", ylim=(top * 1e-4, top * 2), xlabel="one-third-octave midband [Hz]", ylabel="r.m.s. [m/s²]")
    panel.set_xticks(place, [f"{centre:g}" for centre in bands.centre_hz], rotation=60, fontsize=8)
    panel.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)
