"""Plots of a grade: level over time with what the tool did, and one-third-octave bands. Okabe & Ito colours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.plots import AXIS_COLOURS, BLUE, INK, legend_beside, new_figure, plain, save, title
from vibekit.handarm.verdict import heading
from vibekit.recording.states import COAST_DOWN, IDLING, ON, UNCLEAR, UNKNOWN
from vibekit.standards.hand_arm_weighting import PRINTED_FACTORS

if TYPE_CHECKING:
    from vibekit.handarm.exposure import DailyExposure
    from vibekit.handarm.magnitude import VibrationMagnitude

_LOOKS: dict[int, dict[str, Any]] = {  # told apart by their strokes, also without colour
    ON: {"facecolor": "#DCE6F0", "lw": 0, "label": "trigger on"},
    IDLING: {"facecolor": "#FFFFFF", "edgecolor": "#6F8FAF", "lw": 0, "hatch": "...", "label": "idling"},
    UNCLEAR: {
        "facecolor": "#F3EBDD",
        "edgecolor": "#8A6D3B",
        "lw": 0,
        "hatch": "xx",
        "label": "unclear, counted as on",
    },
    COAST_DOWN: {"facecolor": "#FFFFFF", "edgecolor": "#6F8FAF", "lw": 0, "hatch": "\\\\\\", "label": "coast-down"},
    UNKNOWN: {"facecolor": "#E4E4E4", "edgecolor": "#707070", "lw": 0, "hatch": "--", "label": "samples lost"},
}
_REFERENCE_S = 8 * 3600.0  # T0 of A(8), ISO 5349-1
_STROKES = ("-", "--", "-.", ":")
_POINTS = 4000  # of a curve; a shift has ten times as many frames as a plot has columns
_NAME = 28  # letters of a task's name


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
    """Draw the 1 s running r.m.s. of the weighted total, shaded by what the tool did; off is left plain."""
    track = magnitude.track
    step_s = track.step / track.sample_rate
    time = (np.arange(track.running.size) + track.window) * step_s
    panel.plot(time, np.sqrt(track.running), color=INK, lw=1.0, label="weighted total, running 1 s")
    for state, look in _LOOKS.items():
        _shade(panel, magnitude.times.lies_in(state), magnitude.times.step_s, look)
    if magnitude.a_hv_mps2 is not None:
        panel.axhline(magnitude.a_hv_mps2, color=INK, lw=0.8, ls=":", label=f"a_hv {magnitude.a_hv_mps2:.2f} m/s²")
    panel.set(xlabel="time [s]", ylabel="a_hv [m/s²]", xlim=(0, magnitude.duration_s), ylim=(0, None))
    title(panel, f"Weighted vibration (ISO 5349-1): {magnitude.file}")
    legend_beside(panel)


def _shade(panel: Any, inside: Any, step_s: float, look: dict[str, Any]) -> None:
    """Shade the stretches of one state; those too short to be seen as one are drawn as one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
    spans = [(start * step_s, (stop - start) * step_s) for start, stop in zip(edges[::2], edges[1::2], strict=True)]
    if spans:
        axes = panel.get_xaxis_transform()
        panel.broken_barh(spans[:: max(1, len(spans) // _POINTS)], (0, 1), transform=axes, zorder=0, **look)


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
    legend_beside(panel)


@dataclass(frozen=True)
class ShiftCourse:
    """A recording of a shift: its magnitude and, if the sidecar says so, when it began."""

    magnitude: VibrationMagnitude
    started: datetime | None = None


def plot_exposure(day: DailyExposure, path: Path, shifts: Sequence[ShiftCourse | None] = ()) -> None:
    """Write how A(8) grows over the day as PNG or SVG, with the daily values it is held against.

    Tasks follow each other in the order given; a shift recording (entry of `shifts` beside its task) runs as recorded,
    against the time of day where a single one says when it began.

    Raises:
        UsageError: the file name ends in neither .png nor .svg.
    """
    figure, panels = new_figure(1, 4.0, path)
    panel, energy, now = panels[0], 0.0, 0.0
    alone = shifts[0] if len(day.tasks) == 1 and shifts else None
    drawn = [(t, shifts[i] if i < len(shifts) else None) for i, t in enumerate(day.tasks) if t in day.deciding.tasks]
    begin = alone.started if alone else None
    offset = begin.hour + begin.minute / 60 + begin.second / 3600 if begin else 0.0
    for i, (task, shift) in enumerate(drawn):
        time, added = _course(shift.magnitude) if shift else (np.linspace(0, task.time_s, 200), None)
        growth = added if added is not None else task.a_hv_mps2**2 * time
        hours = offset + (now + time) / 3600
        level = np.sqrt((energy + growth) / _REFERENCE_S)
        panel.plot(hours, level, color=INK, lw=1.6, ls=_STROKES[i % len(_STROKES)])
        name = plain(task.name, _NAME) or f"{task.a_hv_mps2:.3g} m/s²"
        panel.annotate(name, (hours[-1], level[-1]), (-4, 5), textcoords="offset points", fontsize=8, ha="right")
        energy, now = energy + float(growth[-1]), now + float(time[-1])
    if day.a8_ends_mps2 is not None:
        panel.plot([offset + now / 3600] * 2, day.a8_ends_mps2, color=INK, lw=3, alpha=0.4, label="doubt of A(8)")
        legend_beside(panel)
    _daily_values(panel, day)
    if begin:
        panel.xaxis.set_major_formatter(lambda hour, _: f"{int(hour) % 24}:{round(hour % 1 * 60) % 60:02d}")
    panel.set(xlabel="time of day" if begin else "time, tasks one after the other [h]", ylabel="A(8) so far [m/s²]")
    panel.set(xlim=(offset, offset + max(now, 60.0) / 3600))
    sums, ends = day.deciding, day.a8_ends_mps2 if day.deciding.declared else None
    said = heading(sums.a8_mps2, sums.expanded_uncertainty_mps2, sums.verdict, bool(sums.without_doubt), ends)
    title(panel, f"Exposure over the day{_hand(day)}: {said}")
    save(figure, path)


def _hand(day: DailyExposure) -> str:
    """Return which hand's day is drawn, where tasks name hands."""
    return next((f" of the {hand} hand" for hand, own in day.hands.items() if own is day.deciding), "")


def _course(magnitude: VibrationMagnitude) -> tuple[Any, Any]:
    """Return times [s] and the energy up to them [m²/s⁴ · s] of a recording, frame by frame, pauses included.

    Scaled to the magnitude over the trigger-on time, so that it ends where A(8) stands (missing axes, settling).
    """
    track = magnitude.track
    energy = np.where(magnitude.on, track.weighted.sum(axis=0), 0.0)
    total = (magnitude.a_hv_mps2 or 0.0) ** 2 * magnitude.trigger_on_s
    growth = np.concatenate([[0.0], np.cumsum(energy)])
    growth *= total / growth[-1] if growth[-1] > 0 else 0.0
    time = np.concatenate([[0.0], np.cumsum(track.counts)]) / track.sample_rate
    thin = np.unique(np.linspace(0, time.size - 1, min(time.size, _POINTS)).astype(int))
    return time[thin], growth[thin]


def _daily_values(panel: Any, day: DailyExposure) -> None:
    """Draw action and limit value as lines told apart by their stroke, each with its words."""
    for words, value, stroke in (
        ("action value", day.values.action_mps2, (0, (6, 3))),
        ("limit value", day.values.limit_mps2, (0, (1, 1.5))),
    ):
        panel.axhline(value, color=BLUE, lw=1.2, ls=stroke)
        place = (0.005, value)
        panel.annotate(
            f"{words} {value:g} m/s²",
            place,
            (0, 3),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            fontsize=8,
            color=BLUE,
        )
    highest = day.a8_ends_mps2[1] if day.a8_ends_mps2 else day.a8_mps2
    panel.set_ylim(0, 1.12 * max(highest, day.values.limit_mps2))
