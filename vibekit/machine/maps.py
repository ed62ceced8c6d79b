"""Run-up and coast-down maps: level over frequency and speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.errors import RecordingLimitError
from vibekit.machine.drivetrain import expected_lines
from vibekit.machine.resonances import frame_speeds
from vibekit.machine.spectra import fast_length, frames, window_values
from vibekit.machine.speed import SpeedEstimate
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import ToolSheet

_FRAME_S = 0.2
_SPAN_DRAWN = 1.03
_SPEED_STEPS = 90  # rows of a map


@dataclass(frozen=True)
class SpeedMap:
    """R.m.s. `levels` [m/s²], shape (n_axes, n_speeds, n_bins), over speed `hz` of shaft `of` and `frequency` [Hz].

    A speed that no frame has shows the nearest that one has.
    """

    of: str
    axes: tuple[str, ...]
    hz: FloatArray
    frequency: FloatArray
    levels: FloatArray


def speed_map(recording: Recording, speed: SpeedEstimate) -> SpeedMap:
    """Return the level over frequency and speed, from Hann frames of 0.2 s, half overlapped, sorted by their speed.

    Raises:
        RecordingLimitError: no speed is known, or it hardly changes.
    """
    rate = recording.sample_rate
    size = fast_length(max(16, int(_FRAME_S * rate)))
    cut = frames(recording.samples, size, size // 2)
    hz, _ = frame_speeds(
        speed, (np.arange(cut.shape[1], dtype=np.float64) * (size // 2) + size / 2.0) / rate, size / rate
    )
    known = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    if known.size < 4 or hz[known].max() < _SPAN_DRAWN * hz[known].min():
        raise RecordingLimitError(
            f"{recording.origin.file}: the speed hardly changes or is not known: "
            "a map needs a run-up, a coast-down or a load"
        )
    steps = int(np.clip(known.size // 2, 4, _SPEED_STEPS))
    edges = np.linspace(hz[known].min(), hz[known].max(), steps + 1)
    row = np.clip(np.searchsorted(edges, hz[known], side="right") - 1, 0, steps - 1)
    window = window_values("hann", size)
    power = np.zeros((cut.shape[0], steps, size // 2 + 1))
    for t, i in zip(known, row, strict=True):
        spectrum = np.abs(np.fft.rfft((cut[:, t] - cut[:, t].mean(axis=-1, keepdims=True)) * window, axis=-1))
        power[:, i] += (spectrum * np.sqrt(2.0) / window.sum()) ** 2
    count = np.bincount(row, minlength=steps)
    passed = np.flatnonzero(count)
    nearest = passed[np.argmin(np.abs(np.arange(steps)[:, None] - passed[None, :]), axis=1)]
    levels = np.sqrt(power[:, nearest] / count[nearest][None, :, None])
    frequency = np.arange(size // 2 + 1, dtype=np.float64) * (rate / size)
    return SpeedMap(speed.of, recording.axes, np.asarray(0.5 * (edges[1:] + edges[:-1])), frequency, levels)


def map_orders(tool: ToolSheet | None, of: str) -> dict[str, float]:
    """Return the orders on shaft `of` worth drawing, by name: shafts' first two, mesh, fan; without a sheet 1 to 4."""
    if tool is None or all(shaft.name != of for shaft in tool.shafts):
        return {f"{n}x": float(n) for n in range(1, 5)}
    named: dict[float, list[str]] = {}
    for line in expected_lines(tool, {of: 1.0}):
        if (line.kind == "shaft" and line.harmonic in (1, 2)) or (line.kind in ("mesh", "fan") and line.harmonic == 1):
            named.setdefault(round(line.frequency_hz, 3), []).append(line.name)  # at 1 Hz, frequency is order
    return {", ".join(names): order for order, names in named.items()}
