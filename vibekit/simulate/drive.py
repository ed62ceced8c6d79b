"""Speed from a torque balance: run-up, droop under load, wander of feed and supply, coast-down; and shaft angles."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.simulate.arrays import FloatArray, Grid
from vibekit.simulate.specimen import Kind, Specimen

_STEP_S = 0.002
_LINE_SWING = 4e-4  # a public supply keeps its frequency to a few parts in 10 000 from minute to minute (no source)


@dataclass(frozen=True)
class Drive:
    """The motor shaft over time, on the grid's inner rate.

    `hz` and `angle` [turns] of the motor shaft; `power_w` delivered at the accessory; `torque` of the motor per rated
    torque; `line_phase` of the mains [turns] or None. All shape (n,).
    """

    grid: Grid
    hz: FloatArray
    angle: FloatArray
    power_w: FloatArray
    torque: FloatArray
    line_phase: FloatArray | None
    on_from_s: float
    on_to_s: float

    @property
    def rate(self) -> float:
        """The inner rate [Hz]."""
        return self.grid.inner

    @property
    def n(self) -> int:
        """Samples, with lead and tail."""
        return int(self.hz.size)


@dataclass(frozen=True)
class Course:
    """When the trigger is pulled [s of the recording] and the power asked for [W]."""

    duration_s: float
    off_before_s: float
    off_after_s: float
    power_w: float
    running: bool


def drive_train(specimen: Specimen, course: Course, grid: Grid, rng: np.random.Generator) -> Drive:
    """Return speed and angle of the motor shaft.

    Torque balance per rated torque, speed w per no-load speed: H·dw/dt = (1 - w)/d + f(1) - t - f(w), motor torque
    limited; d droop, H inertia, f friction and fan, t the torque that feed and work ask for. A universal motor has a
    large d, a regulated brushless one a small d.
    """
    kind, n, lead, rate = specimen.kind, grid.n, grid.lead, grid.inner
    steps = math.ceil(n / rate / _STEP_S) + 2
    time = np.arange(steps, dtype=np.float64) * _STEP_S - lead / rate
    on_from = course.off_before_s
    on_to = course.duration_s - course.off_after_s
    starts_at = on_from if course.off_before_s > 0 else -math.inf
    ends_at = on_to if course.off_after_s > 0 else math.inf
    on = (time >= starts_at) & (time < ends_at) & course.running
    target = _target(time, on, torque_for(course.power_w / kind.power_w, kind.droop), on_from, on_to, rng)
    supply = 1.0 + (0.004 if kind.droop > 0.05 else 0.001) * slow_noise(rng, steps, _STEP_S, 1.5)
    start = 1.0 if on[0] else 0.0
    w, torque = _integrate(kind, on, target, supply, start)
    fine = np.arange(n, dtype=np.float64) / rate - lead / rate
    hz = np.interp(fine, time, w) * specimen.speeds_hz[specimen.motor]
    power = np.interp(fine, time, target * w) * kind.power_w
    drawn = np.interp(fine, time, torque)
    line = _line_phase(specimen, fine, rng)
    if line is not None and kind.droop > 0.05:
        # torque of an AC motor pulses fully at twice the mains frequency; inertia leaves a ripple on the speed
        doubled = 2.0 * (specimen.tool.line_hz or 50.0)
        hz = hz * (1.0 - drawn / (kind.inertia_s * 2.0 * math.pi * doubled) * np.cos(4.0 * math.pi * line))
    angle = np.cumsum(hz) / rate
    return Drive(grid, hz, angle, power, drawn, line, on_from, on_to)


def torque_for(power: float, droop: float) -> float:
    """Return the torque that gives a power on a speed that droops with it, all per rated: t·(1 - d·t) = p.

    A motor of this droop gives at most 1/(4d); more is asked of it in vain, it would stall.
    """
    return (1.0 - math.sqrt(max(1.0 - 4.0 * droop * power, 0.0))) / (2.0 * droop)


def _target(
    time: FloatArray, on: NDArray[np.bool_], share: float, on_from: float, on_to: float, rng: np.random.Generator
) -> FloatArray:
    """Return the torque asked for per rated torque: strokes of the operator and unsteady feed, not while running up.

    Nobody leans on a tool twice alike: 6 % from run to run (no source).
    """
    share = share * math.exp(0.06 * rng.standard_normal())
    phase, stroke = rng.uniform(0, 2 * math.pi), rng.uniform(0.4, 0.9)
    wander = 1.0 + 0.12 * np.sin(2 * math.pi * stroke * time + phase) + 0.10 * slow_noise(rng, time.size, _STEP_S, 0.5)
    contact = np.clip((time - on_from - 1.5) / 0.4, 0.0, 1.0) if on_from > 0 else np.ones(time.size)
    leaving = np.clip((on_to - 0.5 - time) / 0.3, 0.0, 1.0) if not on[-1] else np.ones(time.size)
    return np.asarray(share * np.maximum(wander, 0.1) * contact * leaving * on)


def _integrate(
    kind: Kind, on: NDArray[np.bool_], target: FloatArray, supply: FloatArray, w: float
) -> tuple[FloatArray, FloatArray]:
    """Return speed and motor torque on the coarse grid (explicit Euler; the step is far below droop × inertia)."""
    speeds, torques, f0 = [], [], kind.friction
    for trigger, load, voltage in zip(on.tolist(), target.tolist(), supply.tolist(), strict=True):
        torque = min(max((voltage - w) / kind.droop + f0, 0.0), 3.0) if trigger else 0.0
        speeds.append(w)
        torques.append(torque)
        friction = f0 * (0.5 + 0.5 * w * w) + (0.0 if trigger else kind.brake) if w > 0 else 0.0
        w = max(w + _STEP_S / kind.inertia_s * (torque - load * min(w / 0.05, 1.0) - friction), 0.0)
    return np.array(speeds), np.array(torques)


def slow_noise(rng: np.random.Generator, n: int, step_s: float, time_constant_s: float) -> FloatArray:
    """Return n steps of first-order low-pass noise (Ornstein-Uhlenbeck) of unit variance."""
    keep = math.exp(-step_s / time_constant_s)
    kick = (math.sqrt(1.0 - keep * keep) * rng.standard_normal(n)).tolist()
    value, values = float(rng.standard_normal()), []
    for k in kick:
        value = keep * value + k
        values.append(value)
    return np.array(values)


def _line_phase(specimen: Specimen, time: FloatArray, rng: np.random.Generator) -> FloatArray | None:
    line = specimen.tool.line_hz
    if line is None:
        return None
    return np.asarray(line * (1.0 + _LINE_SWING * rng.standard_normal()) * time + rng.uniform())
