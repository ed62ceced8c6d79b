"""Plots of speed, spectra and spectrograms. Colours are told apart also by the colour-blind (Okabe & Ito 2008)."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.errors import UsageError
from vibekit.recording.atomic import atomic

if TYPE_CHECKING:
    from vibekit.machine.lines import LineSpectrum, NamedLine
    from vibekit.machine.speed import SpeedEstimate
    from vibekit.recording.recording import Recording

AXIS_COLOURS = {"x": "#0072B2", "y": "#D55E00", "z": "#009E73"}
_INK, _PALE = "#222222", "#999999"
_SUFFIXES = (".png", ".svg")
_MESH = re.compile(r"mesh \S+-\S+")  # which pair is in the text; on a plot it only takes room
_LABELS = 12  # named lines labelled per axis; more overlap each other


def plot_spectrum(result: LineSpectrum, path: Path, linear: bool = False) -> None:
    """Write a line spectrum as PNG or SVG, one panel per axis, lines named; levels logarithmic or `linear`.

    Raises:
        UsageError: the file name ends in neither .png nor .svg.
    """
    figure, panels = new_figure(len(result.axes), 2.6, path)
    spectrum = result.floored.spectrum
    over_orders = result.kind == "order"
    shown = _shown(result)
    for i, axis in enumerate(result.axes):
        panel = panels[i]
        panel.set_yscale("linear" if linear else "log")
        panel.plot(spectrum.frequency[1:shown], spectrum.values[i, 1:shown], color=AXIS_COLOURS[axis], lw=0.7)
        panel.plot(
            spectrum.frequency[1:shown], result.floored.floor[i, 1:shown], color=_INK, lw=0.8, ls="--", label="noise"
        )
        _name_lines(panel, result, i, float(spectrum.frequency[shown - 1]))
        panel.set_ylabel(f"{axis}  [{spectrum.unit}] r.m.s.")
    panels[0].legend(loc="upper right", frameon=False, fontsize=8)
    panels[-1].set_xlabel(f"order of {spectrum.of}" if over_orders else "frequency [Hz]")
    what = {"amplitude": "Lines", "order": "Lines over orders", "envelope": "Lines of the envelope"}[result.kind]
    panels[0].set_title(
        f"{what}: {result.file}   ({spectrum.window} window, resolution {spectrum.resolution:.3g} "
        f"{spectrum.frequency_unit}, {spectrum.averages} averages)",
        loc="left",
        fontsize=9,
    )
    save(figure, path)


def _shown(result: LineSpectrum) -> int:
    """Return how many bins to draw: up to a little beyond the last named or clear line."""
    spectrum = result.floored.spectrum
    named = [line.frequency_hz for line in result.lines if line.names] or [line.frequency_hz for line in result.lines]
    last = 1.15 * max(named) / result.hz_per_unit if named else float(spectrum.frequency[-1])
    return min(int(spectrum.frequency.size), max(50, int(np.searchsorted(spectrum.frequency, last))))


def _name_lines(panel: Any, result: LineSpectrum, axis: int, last: float) -> None:
    """Mark the clearest named lines of one axis with their names, upright above their tops."""
    named = [line for line in result.lines if line.names and line.frequency_hz / result.hz_per_unit <= last]
    taken: list[float] = []
    low, high = panel.get_ylim()
    panel.set_ylim(low, high * (high / low) ** 0.6 if panel.get_yscale() == "log" else 1.7 * high)
    for line in sorted(named, key=lambda n: -n.over_floor_db[axis]):
        at = line.frequency_hz / result.hz_per_unit
        if line.over_floor_db[axis] < 6.0 or any(abs(at - other) < 0.022 * last for other in taken):
            continue
        taken.append(at)
        panel.annotate(
            _label(line),
            (at, line.amplitude[axis]),
            xytext=(0, 4),
            textcoords="offset points",
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=6.5,
            color=_INK,
        )
        if len(taken) == _LABELS:
            return


def _label(line: NamedLine) -> str:
    name = _MESH.sub("mesh", str(line.names[0]))
    return name.replace("$", r"\$") + (" ?" if line.not_separable else "")


def plot_speed(result: SpeedEstimate, recording: Recording, path: Path) -> None:
    """Write the spectrogram of the clearest axis with the shaft track over it, as PNG or SVG. Raises UsageError."""
    figure, panels = new_figure(2, 3.0, path)
    samples = recording.samples if recording.axes else np.atleast_2d(recording.sound)  # type: ignore[arg-type]
    loudest = samples[int(np.argmax(samples.std(axis=1)))]
    top = _spectrogram_top(result, recording.sample_rate)
    size = max(64, int(recording.sample_rate * min(0.4, recording.duration_s / 20)))
    levels, _, _, image = panels[0].specgram(
        loudest - loudest.mean(),
        NFFT=size,
        noverlap=size // 2,
        Fs=recording.sample_rate,
        cmap="cividis",
        scale="dB",
        rasterized=True,
    )
    decibels = 10.0 * np.log10(np.maximum(levels[1 : max(4, int(top * size / recording.sample_rate))], 1e-30))
    image.set_clim(np.quantile(decibels, 0.5), np.quantile(decibels, 0.999))
    panels[0].set_ylim(0, top)
    panels[0].set_xlim(0, recording.duration_s)
    panels[0].set_ylabel("frequency [Hz]")
    for name, ratio in result.ratios.items():
        for n in (1, 2):
            style = "-" if n == 1 else ":"
            panels[0].plot(result.time_s, n * ratio * result.hz, color="white", lw=0.9, ls=style)
        if ratio * np.nanmedian(result.hz) < top:
            at = int(np.flatnonzero(np.isfinite(result.hz))[0])
            panels[0].annotate(
                name.replace("$", r"\$"),
                (result.time_s[at], ratio * result.hz[at]),
                xytext=(3, 3),
                textcoords="offset points",
                color="white",
                fontsize=8,
            )
    panels[1].plot(result.time_s, 60.0 * result.hz, color=AXIS_COLOURS["x"], lw=1.2)
    for segment in result.segments:
        panels[1].axvline(segment.start_s, color=_PALE, lw=0.6, ls="--")
        panels[1].annotate(
            segment.state,
            ((segment.start_s + segment.stop_s) / 2, 0.02),
            xycoords=("data", "axes fraction"),
            ha="center",
            fontsize=7,
            color=_INK,
        )
    panels[1].set_ylabel(f"{result.of} [rpm]".replace("$", r"\$"))
    panels[1].set_ylim(bottom=0)
    panels[1].set_xlabel("time [s]")
    panels[0].set_title(f"Speed from {result.source or 'nothing'}: {result.file}", loc="left", fontsize=9)
    save(figure, path)


def _spectrogram_top(result: SpeedEstimate, sample_rate: float) -> float:
    fastest = max((shaft.max_hz for shaft in result.shafts), default=sample_rate / 4)
    return float(min(0.5 * sample_rate, 3.5 * fastest))


def new_figure(rows: int, height: float, path: Path, share_x: bool = True) -> tuple[Any, Any]:
    """Return a figure and its panels, one under the other, for a file. Raises UsageError: neither .png nor .svg."""
    if path.suffix.lower() not in _SUFFIXES:
        raise UsageError(f"plot {str(path)!r} must end in .png or .svg")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.0, height * rows + 0.6), layout="constrained")
    panels = np.atleast_1d(figure.subplots(rows, 1, sharex=share_x))
    for panel in panels:
        panel.spines[["top", "right"]].set_visible(False)
    return figure, panels


def save(figure: Any, path: Path) -> None:
    """Write a figure to `path`, whole or not at all. Raises UsageError: it cannot be written there."""
    with atomic(path, UsageError) as temporary:
        figure.savefig(temporary, format=path.suffix[1:].lower(), dpi=130)
