"""What drives a tool that turns: unbalance, bent spindle, motor torque, air, cutting, the hand that holds it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from vibekit.simulate.arrays import TAU, FloatArray, Vector
from vibekit.simulate.drive import Drive
from vibekit.simulate.path import Force, Shape
from vibekit.simulate.specimen import Rotor, Specimen

_PAD_SPIN = (0.10, 0.03)  # of the shaft's speed, free and at work
_PAD_OFF_MM = 0.3


def unbalance_force(unbalance_g_mm: float, hz: FloatArray | float) -> FloatArray:
    """Return the rotating force of an unbalance [N]: U·ω²."""
    return np.asarray(unbalance_g_mm * 1e-6 * (TAU * np.asarray(hz)) ** 2)


def across(axis: int) -> tuple[Vector, Vector]:
    """Return the two directions at right angles to a shaft along `axis`, in turning order."""
    unit = np.eye(3)
    first, second = unit[(axis + 1) % 3], unit[(axis + 2) % 3]
    return (*first.tolist(),), (*second.tolist(),)


def along(axis: int) -> Vector:
    """Return the direction of a shaft along `axis`."""
    return (*np.eye(3)[axis].tolist(),)


def shaft_turns(specimen: Specimen, drive: Drive, shaft: str) -> tuple[FloatArray, FloatArray]:
    """Return angle [turns] and speed [Hz] of a shaft."""
    ratio = specimen.speeds_hz[shaft] / specimen.speeds_hz[specimen.motor]
    return ratio * drive.angle, ratio * drive.hz


def rotor_forces(specimen: Specimen, drive: Drive, rotor: Rotor) -> Iterator[Force]:
    """Yield the force of a rotor's unbalance: m·r·ω², turning with the shaft, in the plane across it.

    At the head clearances and uneven stiffness distort it a little in one direction, in every healthy tool.
    """
    turns, hz = shaft_turns(specimen, drive, rotor.shaft)
    size = unbalance_force(rotor.unbalance_g_mm, hz)
    angle = TAU * turns + rotor.angle
    for direction, wave in zip(across(rotor.axis), (np.cos(angle), np.sin(angle)), strict=True):
        yield Force(size * wave, rotor.point, direction)
    if rotor.point == "head":
        waves = [np.cos(n * angle + specimen.phases[7 + n]) for n in range(2, 2 + len(specimen.distortion))]
        distorted = sum(share * wave for share, wave in zip(specimen.distortion, waves, strict=True))
        yield Force(size * distorted, rotor.point, across(rotor.axis)[0])


def bent_spindle(specimen: Specimen, drive: Drive) -> Iterator[Force]:
    """Yield the axial force of a wobbling accessory: once per turn from its tilt, twice where it drags and lets go.

    Symptom: 1x and 2x axial (Scheffer & Girdhar 2004, from memory). Shares 0.5 and 0.3: common practice, no source.
    """
    runout = specimen.size("spindle.bent") * 1e-3 / 2.0
    if runout <= 0:
        return
    turns, hz = shaft_turns(specimen, drive, specimen.output)
    size = specimen.accessory_kg * runout * (TAU * hz) ** 2
    wave = 0.5 * np.cos(TAU * turns + specimen.phases[2]) + 0.3 * np.cos(2 * TAU * turns + specimen.phases[3])
    yield Force(size * wave, "head", along(specimen.kind.spindle_axis))


def motor_forces(specimen: Specimen, drive: Drive) -> Iterator[Force]:
    """Yield torque reaction on the housing: pulsing at twice the mains frequency, at the commutator, and a bad bar.

    The torque of an AC universal motor goes as the current squared: mean plus full pulsation at twice the mains
    frequency. A bar that stands proud (0.05 mm: no contact beside it) drops a share of the torque once per turn.
    """
    rated = specimen.kind.power_w / (TAU * specimen.speeds_hz[specimen.motor])  # N·m at the motor shaft
    reaction = drive.torque * rated / 0.03  # felt as a couple over a housing radius of 30 mm
    direction = across(specimen.kind.body_axis)[0]
    turns, hz = shaft_turns(specimen, drive, specimen.motor)
    if drive.line_phase is not None:
        pull = specimen.size("electrical.mains")
        doubled = np.cos(2 * TAU * drive.line_phase + 1.0)
        yield Force(np.asarray(reaction * doubled), "motor", direction)
        if pull:
            yield Force(pull * np.where(drive.torque > 0, doubled, 0.0), "motor", across(specimen.kind.body_axis)[1])
    bars = specimen.tool.shaft(specimen.motor).commutator_bars
    if not bars:
        return
    wave = _harmonic(0.03 * reaction, turns, bars, hz, drive.rate)
    lost = min(specimen.size("electrical.commutation") / 0.05, 1.0)
    if lost:
        wave = wave + _harmonic(0.15 * lost * reaction, turns, bars, hz, drive.rate)
        position = (turns * bars) % bars
        wave = wave - lost * reaction * np.where(position < 1.0, 0.5 - 0.5 * np.cos(TAU * position), 0.0)
        wave = wave - 0.5 * lost * reaction * np.cos(TAU * turns)
    yield Force(wave, "motor", direction)


def _harmonic(size: FloatArray, turns: FloatArray, order: float, hz: FloatArray, rate: float) -> FloatArray:
    """Return size·cos(order·angle), nothing where it would lie above what the rate carries."""
    if order * float(hz.max(initial=0.0)) > 0.47 * rate:
        return np.zeros(turns.size)
    return np.asarray(size * np.cos(TAU * order * turns))


def noise_forces(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> Iterator[Force]:
    """Yield what has no line of its own: air and brushes at the motor, grains in the cut, tremor of the hand."""
    turns, hz = shaft_turns(specimen, drive, specimen.motor)
    relative = hz / specimen.speeds_hz[specimen.motor]
    for axis in range(3):
        white = rng.standard_normal(drive.n)
        air = 1.2 * relative**2 * white
        yield Force(air, "motor", along(axis), _band(drive.rate, 250.0, 6000.0))
    blades = specimen.tool.shaft(specimen.motor).fan_blades
    if blades:
        yield Force(
            _harmonic(0.35 * relative**2, turns, blades, hz, drive.rate), "motor", along(specimen.kind.body_axis)
        )
    yield from _cutting(specimen, drive, rng)
    for axis in range(3):
        yield Force(0.12 * rng.standard_normal(drive.n), "head", along(axis), _band(drive.rate, 2.0, 9.0))


def _cutting(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> Iterator[Force]:
    """Yield cutting forces: random chips from the feed's slow swing up to the kHz, and what repeats with the disc.

    The cut is noise that grows with power; an accessory that is not quite round meets the work once per turn.
    """
    if not drive.power_w.any():
        return
    share = drive.power_w / specimen.kind.power_w
    today = math.exp(0.05 * rng.standard_normal())  # angle and grip differ from run to run (no source)
    size = today * specimen.harshness * specimen.kind.cutting_n * np.sqrt(share)
    turns, _ = shaft_turns(specimen, drive, specimen.output)
    axis = specimen.kind.spindle_axis
    weights = {axis: 0.6, (axis + 1) % 3: 1.0, (axis + 2) % 3: 0.8}
    for i, weight in weights.items():
        yield Force(weight * size * rng.standard_normal(drive.n), "head", along(i), _chips(drive.rate))
    repeat = 0.12 * specimen.kind.feed_n * share * np.cos(TAU * turns + specimen.phases[4])
    yield Force(repeat, "head", across(axis)[1])
    yield from _segments(specimen, drive, share)


def _segments(specimen: Specimen, drive: Drive, share: FloatArray) -> Iterator[Force]:
    """Yield the beat of a disc's segments on the work: segments x turns and its double, in the plane of the disc.

    Each segment that enters takes its part of the feed force; sizes: common practice, no source.
    """
    accessory = specimen.tool.accessory
    if accessory is None or not accessory.segments:
        return
    turns, hz = shaft_turns(specimen, drive, specimen.output)
    for n, size in ((1, 0.10), (2, 0.04)):
        beat = _harmonic(size * specimen.kind.feed_n * share, turns, n * accessory.segments, hz, drive.rate)
        yield Force(beat, "head", across(specimen.kind.spindle_axis)[1])


def orbiting_pad(specimen: Specimen, drive: Drive) -> Iterator[Force]:
    """Yield what a random-orbit pad adds by its own, free spin: the pad is never quite centred on its bearing.

    The pad's centre goes round with the shaft, its counterweight against it: what the two leave is the head's
    unbalance. The pad besides spins in its bearing, held by the brake ring to about a tenth of the shaft's speed and
    slowed by the work to a third of that; its own centre of mass, off by a disc stuck on askew (0.3 mm), turns at that
    rate. Shares: common practice, no source.
    """
    accessory = specimen.tool.accessory
    if accessory is None or not accessory.orbit_mm:
        return
    _, hz = shaft_turns(specimen, drive, specimen.output)
    spin = hz * np.where(drive.power_w > 0, _PAD_SPIN[1], _PAD_SPIN[0])
    angle = TAU * np.cumsum(spin) / drive.rate
    size = unbalance_force(1000.0 * specimen.accessory_kg * _PAD_OFF_MM, spin)
    for direction, wave in zip(across(specimen.kind.spindle_axis), (np.cos(angle), np.sin(angle)), strict=True):
        yield Force(size * wave, "head", direction)


def _band(rate: float, low: float, high: float) -> Shape:
    """Return a band-pass of second order flanks, scaled so that unit white noise comes out with unit r.m.s."""

    def shape(f: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            gain = 1.0 / np.sqrt((1.0 + (low / np.maximum(f, 1e-9)) ** 4) * (1.0 + (f / high) ** 4))
        return np.asarray(gain / math.sqrt(float(np.mean(gain**2))))

    return shape


def _chips(rate: float) -> Shape:
    """Return the spectrum of cutting: flat to 60 Hz, then falling 3 dB per octave, gone above 3 kHz; unit r.m.s."""

    def shape(f: FloatArray) -> FloatArray:
        rise = (f / 5.0) ** 2 / (1.0 + (f / 5.0) ** 2)
        gain = rise / np.sqrt(1.0 + f / 60.0) / np.sqrt(1.0 + (f / 3000.0) ** 4)
        return np.asarray(gain / math.sqrt(float(np.mean(gain**2))))

    return shape
