"""Test signals of known speed: a geared tool with shaft, mesh and sideband lines in noise, and a tachometer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.toolsheet import ToolSheet, parse_tool

TEETH = (12, 38)
RATIO = TEETH[1] / TEETH[0]


def grinder_sheet(spindle_hz: float, **extra: object) -> ToolSheet:
    """Return the sheet of a two-shaft tool rated at a spindle speed."""
    data = {
        "tool": {"tag": "T-1", **extra},
        "shaft": [{"name": "armature", "rated_rpm": spindle_hz * RATIO * 60}, {"name": "spindle"}],
        "mesh": [{"driver": "armature", "driven": "spindle", "driver_teeth": TEETH[0], "driven_teeth": TEETH[1]}],
    }
    return parse_tool(data, "test")


@dataclass(frozen=True)
class Run:
    """A made recording: `samples` (n_axes, n_samples) and the true speed `hz` of the spindle at each sample."""

    samples: NDArray[np.float64]
    hz: NDArray[np.float64]
    sample_rate: float

    @property
    def time_s(self) -> NDArray[np.float64]:
        return np.arange(self.hz.size) / self.sample_rate


def profile(kind: str, hz: float, seconds: float, sample_rate: float, seed: int) -> NDArray[np.float64]:
    """Return the speed over time: steady within 0.2 %, drooping under a changing load, or a whole on-off cycle."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * sample_rate)) / sample_rate
    if kind == "cycle":
        knots = np.array([0, 0.1, 0.15, 0.4, 0.45, 0.8, 0.9, 1.0]) * seconds
        return hz * np.interp(time, knots, [0, 0, 1, 1, 0.85, 0.85, 0, 0])
    knots = np.arange(0, seconds + 2.0, 1.0)
    wander = 0.002 * rng.standard_normal(knots.size) if kind == "steady" else -0.18 * rng.random(knots.size)
    return hz * np.interp(time, knots, 1 + wander)


def geared_tool(
    kind: str = "steady",
    spindle_hz: float = 147.0,
    seconds: float = 10.0,
    sample_rate: float = 25600.0,
    seed: int = 0,
    noise: float = 1.0,
    axes: int = 3,
    geared: bool = True,
) -> Run:
    """Return vibration [m/s²] of a tool whose force lines grow with the square of its speed, in coloured noise."""
    rng = np.random.default_rng(seed)
    hz = profile(kind, spindle_hz, seconds, sample_rate, seed)
    turns = np.cumsum(hz) / sample_rate
    strength = (hz / spindle_hz) ** 2
    orders = [(n, 3.0 if n == 1 else 1.5 * rng.random() / n) for n in range(1, 7)]
    if geared:
        mesh = float(TEETH[1])
        orders += [(n * RATIO, 1.5 if n == 1 else rng.random() / n) for n in range(1, 4)]
        for n in (1, 2):
            orders.append((n * mesh, 1.0 / n))
            orders += [(n * mesh + k * s, 0.4 * rng.random() / n) for k in (-2, -1, 1, 2) for s in (1.0, RATIO)]
    samples = rng.standard_normal((axes, hz.size))
    samples[:, 1:] += 0.7 * samples[:, :-1]
    samples *= noise * (0.02 + strength)
    for order, size in orders:
        gain, phase = 0.3 + rng.random(axes), rng.random(axes)
        audible = strength * (order * hz < 0.45 * sample_rate)
        samples += size * gain[:, None] * audible * np.sin(2 * np.pi * (order * turns + phase[:, None]))
    return Run(samples, hz, sample_rate)


def tach(
    run: Run, pulses: int = 1, missing: float = 0.0, double: float = 0.0, uneven: float = 0.0, seed: int = 0
) -> NDArray[np.float64]:
    """Return a tachometer channel with pulses, some lost, some doubled, marks unevenly spaced by `uneven`."""
    rng = np.random.default_rng(seed)
    turns = np.cumsum(run.hz) / run.sample_rate
    marks = np.cumsum(1 + uneven * rng.uniform(-1, 1, pulses))
    marks = np.concatenate([[0], marks[:-1] / marks[-1]])
    at = (np.arange(int(turns[-1]))[:, None] + marks).ravel()
    at = at[rng.random(at.size) >= missing]
    at = np.sort(np.concatenate([at, at[rng.random(at.size) < double] + 0.5 / pulses]))
    channel = 0.02 * rng.standard_normal(turns.size)
    width = 0.3 / pulses
    nearest = np.searchsorted(at, turns) - 1
    inside = (nearest >= 0) & (turns - at[np.maximum(nearest, 0)] < width) & (run.hz > 0)
    return channel + 5.0 * inside
