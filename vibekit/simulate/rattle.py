"""Parts with play: a spindle in a worn bushing, a handle in a loose seat - lift-off, flight, impact, truncation."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from vibekit.simulate.arrays import TAU, FloatArray, Vector
from vibekit.simulate.drive import Drive
from vibekit.simulate.forces import across, shaft_turns, unbalance_force
from vibekit.simulate.impacts import half_sine, impulse_train
from vibekit.simulate.path import HAND_MASS_KG, LOOSE_HANDLE_KG, Force
from vibekit.simulate.specimen import Specimen

_SCAN = 20  # looks per turn for the next contact
_VARIES = 0.05  # scatter of seat force and rebound from contact to contact (no source)


@dataclass(frozen=True)
class Seat:
    """A part with play: `swing`·cos(angle) [m/s²] shakes it, `rest` [m/s²] presses it on its seat, shape (n,).

    `gap_m` how far it can lift, `restitution` share of speed that an impact gives back, `pulse_s` how long it lasts.
    """

    mass_kg: float
    swing: FloatArray
    rest: FloatArray
    gap_m: float
    restitution: float
    pulse_s: float


@dataclass(frozen=True)
class Play:
    """Motion of a part in its clearance: flights as sample ranges, impact times [s], signed jumps of speed [m/s]."""

    flights: tuple[tuple[int, int], ...]
    times: FloatArray
    jumps: FloatArray


@dataclass(frozen=True)
class _Local:
    """What holds over one flight: angular speed [rad/s], swing and rest [m/s²], gap [m]."""

    omega: float
    swing: float
    rest: float
    gap: float

    def pull(self, turn: float) -> float:
        """Return the acceleration away from the seat [m/s²]."""
        return self.swing * math.cos(TAU * turn) - self.rest

    def flight(self, start: float, turn: float, height: float, speed: float) -> tuple[float, float]:
        """Return height [m] and speed [m/s] of free flight: the exact integral of swing·cos(angle) - rest."""
        t, per = TAU * (turn - start) / self.omega, self.swing / self.omega
        a, b = TAU * start, TAU * turn
        fallen = height + (speed - per * math.sin(a)) * t - 0.5 * self.rest * t * t
        return fallen + per / self.omega * (math.cos(a) - math.cos(b)), speed - self.rest * t + per * (
            math.sin(b) - math.sin(a)
        )


def bounce(turns: FloatArray, hz: FloatArray, seat: Seat, rate: float, rng: np.random.Generator) -> Play:
    """Return how a part moves on its seat while the shaft that shakes it turns.

    It leaves where swing·cos(angle) > rest, flies freely, meets the seat or the far side of the gap and rebounds;
    seat and oil film vary from contact to contact. Events are rounded so that the course is the same on every machine.
    """
    index = np.arange(turns.size)
    grid = np.linspace(float(turns[0]), float(turns[-1]), max(2, int((turns[-1] - turns[0]) * 2)))
    where = np.interp(grid, turns, index)
    tracks = [np.interp(where, index, track).tolist() for track in (TAU * hz, seat.swing, seat.rest)]
    span, at, last = float(grid[1] - grid[0]), float(turns[0]), float(turns[-1])
    luck = rng.standard_normal(grid.size).tolist()
    events: list[tuple[float, float]] = []
    flights: list[tuple[float, float]] = []
    height, speed = 0.0, 0.0
    while at < last - 1.0:
        k = min(int((at - grid[0]) / span), grid.size - 1)
        local = _Local(tracks[0][k], tracks[1][k], tracks[2][k] * math.exp(_VARIES * luck[k]), seat.gap_m)
        if local.omega < 6.0 or local.swing <= local.rest:
            at, height, speed = at + 0.5, 0.0, 0.0
            continue
        if speed == 0.0 and (local.pull(at) > 0.0) == (height > 0.0):
            at += 1.0 / _SCAN  # held against its wall
            continue
        start = at
        at, height, landing = _fly(local, start, height, speed)
        flights.append((start, at))
        rebound = seat.restitution * math.exp(_VARIES * luck[-k])
        events.append((at, -(1.0 + rebound) * landing))
        speed = round(-rebound * landing, 9)
        if abs(speed) < 0.02 * local.swing / local.omega:
            speed = 0.0
    times = np.interp(np.array([e[0] for e in events]), turns, index) / rate
    edges = np.interp(np.array(flights).ravel(), turns, index).astype(np.int64).reshape(-1, 2)
    return Play(tuple((int(a), int(b)) for a, b in edges), times, np.array([e[1] for e in events]))


def _fly(local: _Local, start: float, height: float, speed: float) -> Vector:
    """Return turn of the next contact, the wall it meets [m] and the speed on meeting it [m/s]."""
    low = start
    for step in range(1, 40 * _SCAN):
        high = start + step / _SCAN
        y = local.flight(start, high, height, speed)[0]
        if not 0.0 < y < local.gap:
            break
        low = high
    wall = 0.0 if y <= 0.0 else local.gap
    for _ in range(20):
        middle = 0.5 * (low + high)
        inside = 0.0 < local.flight(start, middle, height, speed)[0] < local.gap
        low, high = (middle, high) if inside else (low, middle)
    high = round(high, 6)
    return max(high, start + 1e-6), wall, local.flight(start, high, height, speed)[1]


def worn_bushing(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> Iterator[Force]:
    """Yield what a worn bushing adds: force not passed on while the shaft flies, and the impacts that end it.

    Unbalance lifts the shaft off its seat once it exceeds weight and feed; the truncated force makes a series of
    harmonics, rebounds that last longer than a turn make half orders, impacts raise the floor.
    """
    for fault in specimen.faults:
        if fault.name == "bushing.worn":
            shaft = next(b.shaft for b in specimen.tool.bearings if b.name == fault.part)
            turns, hz = shaft_turns(specimen, drive, shaft)
            mass = specimen.accessory_kg + 0.1 if shaft == specimen.output else 0.2
            feed = 0.25 * specimen.kind.feed_n * drive.power_w / specimen.kind.power_w
            swing = unbalance_force(_unbalance_on(specimen, shaft), hz) / mass
            # weight, drag of the mesh, part of the feed; steel on oiled bronze (no source)
            seat = Seat(mass, swing, (3.0 + feed) / mass, fault.size * 1e-3, 0.2, 2e-4)
            yield from _play(seat, turns, hz, specimen.axis_of(shaft), "head", drive.rate, rng)


def loose_mount(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> Iterator[Force]:
    """Yield what a handle with play adds: it leaves its seat when the tool shakes harder than the grip holds it."""
    play = specimen.size("mount.loose")
    if play > 0:
        turns, hz = shaft_turns(specimen, drive, specimen.output)
        force = unbalance_force(_unbalance_on(specimen, specimen.output), hz)
        shake = specimen.kind.levers[0] * force / (specimen.mass_kg + HAND_MASS_KG)
        # pressed on by 1.4 N of grip; plastic thread, damped by the palm (no source)
        seat = Seat(LOOSE_HANDLE_KG, shake, np.full(drive.n, 4.0), play * 1e-3, 0.1, 5e-4)
        yield from _play(seat, turns, hz, specimen.axis_of(specimen.output), "handle", drive.rate, rng)


def _unbalance_on(specimen: Specimen, shaft: str) -> float:
    """Return the unbalance on a shaft [g·mm]; 20 on one that carries gears alone (no source)."""
    return max((rotor.unbalance_g_mm for rotor in specimen.rotors if rotor.shaft == shaft), default=20.0)


def _play(
    seat: Seat, turns: FloatArray, hz: FloatArray, axis: int, point: str, rate: float, rng: np.random.Generator
) -> Iterator[Force]:
    """Yield the forces of a part with play, across its shaft: what is missing while it flies, and its impacts."""
    play = bounce(turns, hz, seat, rate, rng)
    first, second = across(axis)
    a, b, c = (0.9 * p + 0.4 * q for p, q in zip(first, second, strict=True))
    lost = np.zeros(turns.size)
    for begin, end in play.flights:
        part = slice(begin, end)
        lost[part] = seat.rest[part] - seat.swing[part] * np.cos(TAU * turns[part])
    yield Force(seat.mass_kg * lost, point, (a, b, c))
    knocks = impulse_train(play.times, -seat.mass_kg * play.jumps, turns.size, rate)
    yield Force(knocks, point, (a, b, c), half_sine(seat.pulse_s))
