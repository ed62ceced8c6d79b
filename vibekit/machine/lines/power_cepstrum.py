"""The cepstrum of a recording: which distances between lines repeat, whatever carries them.

A wheel with one bad tooth, an impact once per turn or per roller puts lines at even distances all over the spectrum. In
the inverse transform of the spectrum's level in decibels they gather in one peak at the quefrency 1/distance, with
multiples (rahmonics) after it. What only shapes the spectrum, resonances and noise, stays at low quefrencies
(Randall 2011; an echo of relative size a gives 20/ln 10 · a/2 dB at its delay, Oppenheim & Schafer; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.errors import Notice, document
from vibekit.machine.lines.table import LineSpectrum, spectrum
from vibekit.machine.speed.estimate import SpeedEstimate, estimate_speed
from vibekit.machine.train.drivetrain import ExpectedLine
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import ToolSheet

_WIDEST = 4  # so many lines of even distance at least must fit below the highest frequency
_NARROWEST = 3.0  # resolutions between lines that are told apart
_CLEAR = 5.0  # times the noise that a peak must reach
_RAHMONICS = 10  # of shafts; of what else repeats only the first: the more, the likelier by chance
_SHOWN = 12
_NOT_ITS_OWN = ("resonances_not_tested", "lines_smeared")  # notices of the spectrum that do not matter here
_MAD_TO_SIGMA = 1.4826  # of Gaussian values: 1 / Φ⁻¹(3/4)
_SPEED_ERROR = 2e-3  # of the quefrency


@dataclass(frozen=True)
class CepstrumPeak:
    """Lines of even distance `spacing_hz`: `height` [dB] per axis at its quefrency, `clear` times the noise."""

    quefrency_s: float
    spacing_hz: float
    order: float | None
    height: FloatArray
    clear: float
    names: tuple[str, ...]


@dataclass(frozen=True)
class Cepstrum:
    """`values` [dB], shape (n_axes, n), over `quefrency_s` [s], shape (n,), at the mean speed; `peaks` the clear ones.

    `noise` one standard deviation of the values without peaks [dB], shape (n_axes,); `source` the spectrum it is of.
    """

    quefrency_s: FloatArray
    values: FloatArray
    noise: FloatArray
    peaks: tuple[CepstrumPeak, ...]
    source: LineSpectrum

    @property
    def resolution_s(self) -> float:
        """Distance of the quefrencies, half the period of the highest frequency [s]."""
        return float(self.quefrency_s[1] - self.quefrency_s[0])

    def to_dict(self) -> dict[str, Any]:
        """Return the `spectrum` document of kind cepstrum; its lines are distances between lines."""
        source = self.source.floored.spectrum
        axes, nothing = self.source.axes, dict.fromkeys(("x", "y", "z"))
        of = self.source.speed.of if self.source.speed and self.source.speed.known else None
        lines = [
            {
                "frequency_hz": peak.spacing_hz,
                "quefrency_s": peak.quefrency_s,
                "order": peak.order,
                "of": of,
                "amplitude_mps2": nothing,
                "height_db": nothing | dict(zip(axes, peak.height.tolist(), strict=True)),
                "over_floor_db": float(20.0 * np.log10(peak.clear)),
                "names": list(peak.names),
                "not_separable": [],
            }
            for peak in self.peaks
        ]
        return document(
            "spectrum",
            {
                "file": self.source.file,
                "kind": "cepstrum",
                "axes": list(axes),
                "scaling": "inverse transform of the level in decibels",
                "unit": "dB",
                "window": source.window,
                "averages": source.averages,
                "resolution_s": self.resolution_s,
                "resolution_hz": self.source.resolution_hz,
                "resolution_orders": source.resolution if source.frequency_unit == "orders" else None,
                "quefrencies_s": [float(self.quefrency_s[0]), float(self.quefrency_s[-1])],
                "of": of,
                "floor": {f"{axis}_db": float(value) for axis, value in zip(axes, self.noise, strict=True)},
                "lines": lines,
            },
            (*(notice for notice in self.source.notices if notice.code not in _NOT_ITS_OWN), _no_levels()),
        )


def cepstrum(recording: Recording, tool: ToolSheet | None = None, speed: SpeedEstimate | None = None) -> Cepstrum:
    """Return the cepstrum of a recording; of its order spectrum where a speed is known, that lines stand still.

    Raises:
        RecordingLimitError: too short, or sampled too slowly.
    """
    tool = tool or recording.tool
    speed = speed or estimate_speed(recording, tool)  # each looks at the longest piece of a recording with gaps
    source = spectrum(recording, tool, "order" if speed.known else "amplitude", speed)
    part = source.floored.spectrum
    level = 20.0 * np.log10(np.maximum(part.values, np.finfo(np.float64).tiny))
    level[:, 0] = level[:, 1]  # the mean is removed: no level there
    values = np.fft.irfft(level, axis=1)
    top_hz = float(part.frequency[-1]) * source.hz_per_unit
    step = 0.5 / top_hz
    first = 2 * _WIDEST
    last = min(values.shape[1] // 2, max(first + 8, int(1.0 / (_NARROWEST * source.resolution_hz) / step)))
    quefrency, values = np.arange(first, last) * step, values[:, first:last]
    noise = _MAD_TO_SIGMA * np.median(np.abs(values - np.median(values, axis=1, keepdims=True)), axis=1)
    noise = np.maximum(noise, np.finfo(np.float64).tiny)
    return Cepstrum(quefrency, values, noise, _peaks(quefrency, values, noise, source), source)


def _peaks(
    quefrency: FloatArray, values: FloatArray, noise: FloatArray, source: LineSpectrum
) -> tuple[CepstrumPeak, ...]:
    clear = (values / noise[:, None]).max(axis=0)
    inner = clear[1:-1]
    index = 1 + np.flatnonzero((inner >= _CLEAR) & (inner > clear[:-2]) & (inner >= clear[2:]))
    index = np.sort(index[np.argsort(-clear[index])][:_SHOWN])
    turning = source.speed.shaft_hz.get(source.speed.of) if source.speed else None
    found = []
    for i in index:
        axis = int(np.argmax(values[:, i] / noise))
        a, b, c = values[axis, i - 1 : i + 2]
        curve = a - 2.0 * b + c
        at = float(quefrency[i] + (0.5 * (a - c) / curve if curve < 0 else 0.0) * (quefrency[1] - quefrency[0]))
        names = _names(at, source.expected, 0.5 * float(quefrency[1] - quefrency[0]))
        order = None if turning is None else 1.0 / (at * turning)
        found.append(CepstrumPeak(at, 1.0 / at, order, values[:, i], float(clear[i]), names))
    return tuple(found)


def _names(quefrency_s: float, expected: Sequence[ExpectedLine], reach_s: float) -> tuple[str, ...]:
    """Return what repeats at a quefrency: shafts, meshes, bearings, fans; of a multiple which rahmonic it is."""
    for k in range(1, _RAHMONICS + 1):
        near = []
        for line in expected:
            off = abs(quefrency_s - k / line.frequency_hz)
            slip = line.tolerance if line.kind == "bearing" else _SPEED_ERROR
            counted = line.kind == "shaft" if k > 1 else line.kind in ("shaft", "mesh", "fan", "bearing")
            if line.harmonic == 1 and not line.sideband and counted and off <= reach_s + slip * quefrency_s:
                near.append((line.kind == "bearing", off, line.name + (f", rahmonic {k}" if k > 1 else "")))
        if near:
            return tuple(name for *_, name in sorted(near)[:2])
    return ()


def _no_levels() -> Notice:
    return Notice(
        "cepstrum_levels",
        "info",
        "heights say how regular lines of even distance are, not how much they shake: no level in m/s²",
    )
