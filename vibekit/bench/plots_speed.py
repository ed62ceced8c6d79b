"""Plot of a speed: spectrogram of every axis with the shafts' track over it, and the track with what the tool did."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.bench.plots import BLUE, INK, PALE, new_figure, on_picture, plain, plain_numbers, save, title
from vibekit.bench.plots_spectrum import Scale, chosen_axes

if TYPE_CHECKING:
    from vibekit.machine.lines.maps import Spectrogram
    from vibekit.machine.speed.estimate import SpeedEstimate
    from vibekit.recording.recording import FloatArray, Recording

_SOURCES = {"tach": "the tachometer", "vibration": "the vibration", "sound": "the sound"}
# Quantiles of the levels: noise is dark, all but single dots have a colour of their own.
_DARKEST, _BRIGHTEST = 0.5, 0.9995
_TURNS = 12  # in a frame
_NARROW = 0.85  # lowest speed to highest from which the scale begins near them
_LONGEST = 34  # letters along a panel's height
_LETTER, _ROW = 0.009, 0.07  # of a panel: width of a letter of a state, height of a row of them
_TALLEST = 3  # harmonics of the fastest shaft that fit below the top of a linear plot


@dataclass(frozen=True)
class SpeedView:
    """What of a recording to draw, and how: `axes` (all if empty), scale of frequencies, highest frequency [Hz]."""

    axes: tuple[str, ...] = ()
    frequencies: Scale = "linear"
    up_to_hz: float | None = None


def plot_speed(result: SpeedEstimate, recording: Recording, path: Path, view: SpeedView = SpeedView()) -> None:
    """Write spectrograms with the shaft track over them, and the track, as PNG or SVG.

    Raises:
        UsageError: the file name ends in neither .png nor .svg, an axis is not there, or the file cannot be written.
    """
    from vibekit.machine.lines.maps import spectrogram

    names, samples = _channels(recording, view)
    figure, panels = new_figure(len(names) + result.known, 2.7, path)
    top = _top(result, recording.sample_rate, view)
    shown = spectrogram(samples, recording.sample_rate, top, _frame_s(result, view))
    for i, (panel, name) in enumerate(zip(panels, names, strict=not result.known)):
        image = _spectrogram(panel, shown, i, view)
        unit = "dB re 1 m/s²" if name != "sound" else "dB"
        figure.colorbar(image, ax=panel, label=f"{name} [{unit}]", pad=0.01)
        panel.set_ylabel("frequency [Hz]")
        _tracks(panel, result)
    if result.known:
        _states(panels[-1], result)
    panels[-1].set_xlim(0, recording.duration_s)
    panels[-1].set_xlabel("time [s]")
    said = f"Speed from {_SOURCES[result.source]}" if result.source else "No speed could be told"
    drawn = "; white: once per turn of each shaft, dotted: twice" if result.ratios else ""
    title(panels[0], f"{said}: {result.file}   (resolution {shown.resolution_hz:.2g} Hz{drawn})")
    save(figure, path)


def _channels(recording: Recording, view: SpeedView) -> tuple[list[str], FloatArray]:
    """Return names and samples of what to draw: axes, or the sound where there are none."""
    if not recording.axes and recording.sound is not None:
        chosen_axes(view.axes, ("sound",))
        return ["sound"], np.atleast_2d(recording.sound)
    rows = chosen_axes(view.axes, recording.axes)
    return [recording.axes[i] for i in rows], recording.samples[rows]


def _top(result: SpeedEstimate, sample_rate: float, view: SpeedView) -> float:
    """Return the highest frequency to draw [Hz]: on a logarithmic scale all there is."""
    if view.up_to_hz is not None:
        return min(0.5 * sample_rate, view.up_to_hz)
    if view.frequencies == "log" or not result.shafts:
        return 0.5 * sample_rate
    return min(0.5 * sample_rate, (_TALLEST + 0.5) * max(shaft.max_hz for shaft in result.shafts))


def _frame_s(result: SpeedEstimate, view: SpeedView) -> float:
    """Return the length of a frame [s]: a dozen turns of the slowest shaft, longer where low frequencies are spread."""
    slowest = min((shaft.median_hz for shaft in result.shafts), default=50.0)
    return float(np.clip(_TURNS / slowest, 0.2 if view.frequencies == "log" else 0.08, 0.5))


def _spectrogram(panel: Any, shown: Spectrogram, axis: int, view: SpeedView) -> Any:
    decibels = 20.0 * np.log10(np.maximum(shown.levels[axis], 1e-15)).T
    low, high = np.quantile(decibels[1:], [_DARKEST, _BRIGHTEST])
    spacing = shown.frequency[1]
    edges = np.append(shown.frequency - spacing / 2.0, shown.frequency[-1] + spacing / 2.0)
    image = panel.pcolormesh(
        shown.time_s, edges[1:], decibels[1:], cmap="cividis", vmin=low, vmax=max(high, low + 1.0), rasterized=True
    )
    panel.set_yscale(view.frequencies)
    panel.set_ylim(edges[1] if view.frequencies == "log" else 0.0, shown.frequency[-1])
    if view.frequencies == "log":
        plain_numbers(panel.yaxis)
    return image


def _tracks(panel: Any, result: SpeedEstimate) -> None:
    """Draw each shaft's once and twice per turn over a spectrogram, with its name where the track begins."""
    known = np.flatnonzero(np.isfinite(result.hz))
    for i, (name, ratio) in enumerate(result.ratios.items(), 1):
        for n, stroke in ((1, "-"), (2, ":")):
            panel.plot(result.time_s, n * ratio * result.hz, color="white", lw=0.8, ls=stroke)
        if known.size and ratio * np.nanmedian(result.hz) < panel.get_ylim()[1]:
            at = known[known.size * i // (len(result.ratios) + 1)]  # names of near lines side by side
            on_picture(panel, name, (result.time_s[at], ratio * result.hz[at]), xytext=(3, 3), fontsize=8)


def _states(panel: Any, result: SpeedEstimate) -> None:
    """Draw the track in revolutions per minute, and what the tool was doing."""
    panel.plot(result.time_s, 60.0 * result.hz, color=BLUE, lw=1.2, label=plain(result.of))
    whole_s = max((segment.stop_s for segment in result.segments), default=0.0)
    row = 0
    for segment in result.segments:
        narrow = segment.stop_s - segment.start_s < _LETTER * len(segment.state) * whole_s
        row = (row + 1) % 3 if narrow else 0
        panel.axvline(segment.start_s, color=PALE, lw=0.6, ls="--")
        panel.annotate(
            segment.state,
            ((segment.start_s + segment.stop_s) / 2, 0.02 + _ROW * row),
            xycoords=("data", "axes fraction"),
            ha="center",
            fontsize=7,
            color=INK,
        )
    panel.set_ylabel(plain(f"{result.of} [1/min]", _LONGEST))
    low, high = 60.0 * float(np.nanmin(result.hz)), 60.0 * float(np.nanmax(result.hz))
    hardly = low > _NARROW * high  # a speed that is held: its wander would not be seen on a scale from nothing
    panel.set_ylim(0.98 * low if hardly else 0.0, 1.02 * high if hardly else 1.06 * high)
