"""Impacts: rolling-bearing defects with slip and load zone, and trains of impulses between samples."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from vibekit.machine.train.drivetrain import bearing_orders
from vibekit.recording.toolsheet import Bearing
from vibekit.simulate.arrays import TAU, FloatArray
from vibekit.simulate.drive import Drive
from vibekit.simulate.faults import Fault
from vibekit.simulate.forces import across, shaft_turns
from vibekit.simulate.path import Force, Shape
from vibekit.simulate.specimen import Specimen

_TAPS = 8


def half_sine(duration_s: float) -> Shape:
    """Return the spectrum of a half-sine pulse of unit impulse and this duration (without its delay)."""

    def shape(f: FloatArray) -> FloatArray:
        x = 2.0 * f * duration_s
        near = np.abs(x - 1.0) < 1e-6
        with np.errstate(divide="ignore", invalid="ignore"):
            value = np.cos(0.5 * np.pi * x) / (1.0 - x * x)
        return np.asarray(np.where(near, np.pi / 4.0, value))

    return shape


def impulse_train(times: FloatArray, impulses: FloatArray, n: int, rate: float) -> FloatArray:
    """Return impulses [N·s] at any times [s] as samples whose sum over the rate is the impulse, shape (n,).

    Band-limited: a sinc under a Hann window over eight samples, its sum kept at one.
    """
    position = np.asarray(times) * rate
    keep = (position > _TAPS) & (position < n - _TAPS)
    position, weight = position[keep], np.asarray(impulses)[keep] * rate
    base = np.floor(position).astype(np.int64)
    taps = np.arange(1 - _TAPS // 2, _TAPS // 2 + 1)[:, None]
    distance = base + taps - position
    shares = np.sinc(distance) * np.cos(math.pi * distance / (_TAPS + 2)) ** 2
    out = np.zeros(n)
    np.add.at(out, base + taps, weight * shares / shares.sum(axis=0))
    return out


def bearing_forces(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> Iterator[Force]:
    """Yield the impact trains of the rolling-bearing faults built in."""
    bearings = {bearing.name: bearing for bearing in specimen.tool.bearings}
    for fault in specimen.faults:
        if fault.name.startswith("bearing."):
            yield from _train(specimen, drive, fault, bearings[fault.part or ""], rng)


def _train(
    specimen: Specimen, drive: Drive, fault: Fault, bearing: Bearing, rng: np.random.Generator
) -> Iterator[Force]:
    """Yield one fault's impacts.

    An element rolls into the spall and strikes its far edge: velocity change v·w/(2r), v the rolling speed, w the
    spall, r the element's radius. The outer race sits still in the load zone; the inner race passes it once per turn;
    an element strikes both races per spin while the cage carries it through the zone; a loose cage knocks once per
    cage turn, softer. Slip of about 1 % makes the spacing wander (Randall & Antoni 2011, from memory).
    """
    turns, hz = shaft_turns(specimen, drive, bearing.shaft)
    orders = bearing_orders(bearing.balls or 0, bearing.ball_mm or 0, bearing.pitch_mm or 0, bearing.contact_deg)
    place = fault.name.split(".")[1]
    order = {
        "outer_race": orders.outer_race,
        "inner_race": orders.inner_race,
        "rolling_element": 2.0 * orders.rolling_element,
        "cage": orders.cage,
    }[place]
    at = event_turns(order, float(turns[-1]), rng)
    times = np.interp(at, turns, np.arange(drive.n)) / drive.rate
    zone = {
        "outer_race": np.ones(at.size),
        "inner_race": load_zone(TAU * at),
        "rolling_element": load_zone(TAU * orders.cage * at) * np.where(np.arange(at.size) % 2, 1.0, 0.6),
        "cage": np.ones(at.size),
    }[place]
    radius = (bearing.ball_mm or 1.0) / 2.0
    rolling = math.pi * (bearing.pitch_mm or 1.0) * 1e-3 * orders.cage * np.interp(at, turns, hz)
    change = rolling * min(fault.size / (2.0 * radius), 0.6)
    struck_kg = 0.004 if place != "cage" else 0.012
    scatter = np.exp(0.12 * rng.standard_normal(at.size))
    train = impulse_train(times, struck_kg * change * zone * scatter, drive.n, drive.rate)
    pulse = half_sine(6e-5 if place != "cage" else 1.5e-4)
    axis = specimen.axis_of(bearing.shaft)
    first, second = across(axis)
    direction = tuple(0.8 * a + 0.6 * b for a, b in zip(first, second, strict=True))
    point = "head" if bearing.shaft == specimen.output else "motor"
    yield Force(train, point, direction, pulse)  # type: ignore[arg-type]


def brush_kicks(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> Iterator[Force]:
    """Yield the kicks of a commutator bar that stands proud: each of two brushes is thrown up once per turn.

    The brush rises by the bar's height over about a third of a bar, so its velocity changes by 3·h·bars·n; 4 g of
    carbon. One brush is more worn in than the other (0.7; no source).
    """
    proud = specimen.size("electrical.commutation") * 1e-3
    bars = specimen.tool.shaft(specimen.motor).commutator_bars
    if not proud or not bars:
        return
    turns, hz = shaft_turns(specimen, drive, specimen.motor)
    at = np.arange(1.0, float(turns[-1]), 0.5)
    speed = np.interp(at, turns, hz)
    strength = np.where(np.arange(at.size) % 2, 0.7, 1.0) * np.exp(0.15 * rng.standard_normal(at.size))
    impulses = 0.004 * 3.0 * proud * bars * speed * strength
    train = impulse_train(np.interp(at, turns, np.arange(drive.n)) / drive.rate, impulses, drive.n, drive.rate)
    yield Force(train, "motor", across(specimen.kind.body_axis)[0], half_sine(1e-4))


def event_turns(order: float, last_turn: float, rng: np.random.Generator) -> FloatArray:
    """Return the shaft turns at which a defect strikes: mean slip of 0.5 to 1.5 %, spacing scattered by 0.7 %."""
    slip = rng.uniform(0.005, 0.015)
    count = int(last_turn * order * 1.02) + 1
    spacing = (1.0 + slip) / order * (1.0 + 0.007 * rng.standard_normal(count))
    at = np.cumsum(spacing)
    return np.asarray(at[at < last_turn])


def load_zone(angle: FloatArray) -> FloatArray:
    """Return the load share of an element at an angle from the load direction: Stribeck's (1 - (1 - cos)/2ε)^1.5.

    ε = 0.5: half the ring carries; a small rest elsewhere (vibration closes the clearance). Harris, Rolling Bearing
    Analysis (from memory).
    """
    share = np.maximum(1.0 - (1.0 - np.cos(angle)), 0.0)
    return np.asarray(np.maximum(share**1.5, 0.08))
