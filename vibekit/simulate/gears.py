"""Gear mesh: transmission error of real teeth, and the dynamic force it makes between two inertias."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from vibekit.machine.train.drivetrain import mesh_order
from vibekit.recording.toolsheet import Mesh
from vibekit.simulate.arrays import TAU, ComplexArray, FloatArray, Vector
from vibekit.simulate.drive import Drive
from vibekit.simulate.forces import shaft_turns
from vibekit.simulate.path import Force
from vibekit.simulate.specimen import GearFlaws, Specimen

TOOTH_STIFFNESS = 4.0e6  # N/m of a small steel pair in mesh (order of 10 N/(mm·µm) per mm of width; no source)
GEAR_MASS_KG = 0.08  # J/r² of both gears with what turns stiffly with them, in series, at the line of action
GEAR_DAMPING = 0.12
MODULE_M = 1.0e-3
_BEVEL = (0.45, 0.35, 0.82)  # thrust along, separation and tangential, of the tooth force of a bevel pair


def dynamic_force(f: FloatArray) -> ComplexArray:
    """Return tooth force per transmission error [N/m]: k·ω²/(ω_r² - ω² + 2jζω_rω).

    Two inertias joined by the tooth stiffness: slow errors are followed by the gears (force m·ω²·e), quick ones
    squeeze the teeth (force k·e), with the pair's own resonance between.
    """
    w = TAU * f
    resonance = math.sqrt(TOOTH_STIFFNESS / GEAR_MASS_KG)
    return np.asarray(TOOTH_STIFFNESS * w**2 / (resonance**2 - w**2 + 2j * GEAR_DAMPING * resonance * w))


def mesh_forces(specimen: Specimen, drive: Drive) -> Iterator[Force]:
    """Yield the force of every gear pair whose teeth are known."""
    for mesh, flaws in zip(specimen.tool.meshes, specimen.gears, strict=True):
        if mesh.driver_teeth and mesh.driven_teeth:
            error = transmission_error(specimen, drive, mesh, flaws)
            bevel = specimen.axis_of(mesh.driver) != specimen.axis_of(mesh.driven)
            yield Force(error, "head", _direction(specimen, bevel), dynamic_force)


def _direction(specimen: Specimen, bevel: bool) -> Vector:
    axis = specimen.kind.spindle_axis
    values = [0.0, 0.0, 0.0]
    thrust, separation, tangential = _BEVEL if bevel else (0.05, 0.34, 0.94)
    values[axis], values[(axis + 1) % 3], values[(axis + 2) % 3] = thrust, separation, tangential
    return values[0], values[1], values[2]


def transmission_error(specimen: Specimen, drive: Drive, mesh: Mesh, flaws: GearFlaws) -> FloatArray:
    """Return the transmission error of a pair [m], shape (n,).

    Mesh harmonics in the angle of the driver, their depth and phase modulated once per turn of each gear by its
    eccentricity (the pitch point moves by e: phase 2e/module, depth about e over the tooth height), the eccentricity
    itself, uneven pitch, the change of tooth stiffness under load, and a chipped tooth.
    """
    driver, driver_hz = shaft_turns(specimen, drive, mesh.driver)
    driven, _ = shaft_turns(specimen, drive, mesh.driven)
    order = mesh_order(mesh.driver_teeth or 0)
    waves = [TAU * turns + phase for turns, phase in zip((driver, driven), specimen.phases[5:7], strict=True)]
    eccentric = sum(e * np.cos(wave) for e, wave in zip(flaws.eccentric_m, waves, strict=True))
    slow = eccentric + sum(p * np.cos(2 * wave) for p, wave in zip(flaws.pitch_error_m, waves, strict=True))
    uneven = sum(
        np.minimum(p / 15e-6, 0.5) * np.cos(wave + 0.6) for p, wave in zip(flaws.pitch_error_m, waves, strict=True)
    )
    depth = 1.0 + 0.9 * np.tanh(eccentric / (0.12 * MODULE_M)) + uneven
    phase = TAU * order * driver + 2.0 * eccentric / MODULE_M
    load_n = drive.power_w / (TAU * np.maximum(driver_hz, 1.0)) / (mesh.driver_teeth or 1) / (0.5 * MODULE_M)
    sag = 0.12 * load_n / TOOTH_STIFFNESS  # deflection lost and regained as one and two pairs carry
    error = slow + 0.0
    for n, size in enumerate(flaws.harmonics_m, start=1):
        if n * order * float(driver_hz.max(initial=0.0)) < 0.47 * drive.rate:
            error = error + depth * (size + sag / n**2) * np.cos(n * phase + specimen.phases[6 + n])
    return np.asarray(error + _chip(flaws.chip_m, driven, mesh.driven_teeth or 1))


def _chip(missing_m: float, turns: FloatArray, teeth: int) -> FloatArray | float:
    """Return the error while the chipped tooth of the driven gear should carry, once per turn.

    The neighbours carry on (contact ratio above 1), so a tenth of the missing flank shows as error; no source.
    """
    if missing_m <= 0:
        return 0.0
    position = ((turns * teeth + 0.5) % teeth) - 0.5  # tooth pitches from the chipped tooth
    inside = np.abs(position) < 0.5
    return np.where(inside, -0.1 * missing_m * np.cos(math.pi * position) ** 2, 0.0)
