"""One specimen of a tool: the physical figures a sheet does not say, by kind, with ordinary scatter and its faults."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from vibekit.errors import UsageError
from vibekit.recording.toolsheet import ToolSheet
from vibekit.simulate.faults import Fault, motor_shaft

_ORBIT_LEFT = 0.17
X, Y, Z = 0, 1, 2  # basicentric: y along the body grip, x in the spindle direction of an angle grinder, z across


@dataclass(frozen=True)
class Kind:
    """Figures of a kind of tool; common practice, no source, unless said.

    `power_w` usual shaft power under load; `droop` share of the no-load speed lost at that power; `inertia_s` kinetic
    energy of the train per rated power; `friction` torque at no load, `brake` torque with the trigger off, per rated
    torque; `spindle_axis`, `body_axis`
    directions of the output and motor shaft; `accessory_g_mm_per_kg` unbalance per mass of the accessory as it sits
    (bore play of 0.1 mm alone gives 100); `cutting_n` r.m.s. cutting force at usual power; `feed_n` feed force;
    `levers` how strongly forces at head and motor turn the tool at the handle (free rigid body, 1 + a·b/ρ²).
    """

    power_w: float
    droop: float
    inertia_s: float
    friction: float
    spindle_axis: int
    body_axis: int
    accessory_g_mm_per_kg: float
    fixed_g_mm: float
    cutting_n: float
    feed_n: float
    levers: tuple[float, float]
    position: str
    brake: float = 0.0


ANGLE = Kind(350.0, 0.22, 0.9, 0.22, X, Y, 110.0, 3.0, 26.0, 30.0, (1.7, 0.9), "side handle")
KINDS = {
    "grinder": ANGLE,
    "battery": Kind(320.0, 0.02, 0.7, 0.12, X, Y, 110.0, 3.0, 26.0, 30.0, (1.7, 0.9), "side handle", 0.35),
    "die": Kind(180.0, 0.18, 0.8, 0.22, Y, Y, 60.0, 1.2, 13.0, 12.0, (1.5, 1.0), "body"),
    "drill": Kind(200.0, 0.20, 0.8, 0.25, Y, Y, 150.0, 10.0, 12.0, 80.0, (0.8, 0.9), "rear handle"),
    "sander": Kind(120.0, 0.12, 0.7, 0.25, X, X, 60.0, 22.0, 12.0, 20.0, (1.2, 1.0), "palm grip"),
    "router": Kind(400.0, 0.15, 0.9, 0.22, X, X, 40.0, 1.5, 25.0, 30.0, (1.2, 1.0), "side handle"),
}


@dataclass(frozen=True)
class Rotor:
    """Unbalance of one shaft [g·mm] at an angle [rad], and the axis the shaft lies along."""

    shaft: str
    point: str
    axis: int
    unbalance_g_mm: float
    angle: float


@dataclass(frozen=True)
class GearFlaws:
    """Errors of one gear pair: amplitude of mesh harmonics [m], eccentricity of driver and driven [m], chip [m]."""

    mesh: str
    harmonics_m: tuple[float, ...]
    eccentric_m: tuple[float, float]
    pitch_error_m: tuple[float, float]
    chip_m: float


@dataclass(frozen=True)
class Specimen:
    """A tool as it really is; the same seed is the same specimen."""

    tool: ToolSheet
    kind: Kind
    faults: tuple[Fault, ...]
    speeds_hz: dict[str, float]
    motor: str
    output: str
    mass_kg: float
    accessory_kg: float
    rotors: tuple[Rotor, ...]
    gears: tuple[GearFlaws, ...]
    phases: tuple[float, ...]
    stiffness: float
    harshness: float
    distortion: tuple[float, ...]

    def size(self, name: str) -> float:
        """Return the size of a built-in fault, 0 where it is not there."""
        return math.fsum(fault.size for fault in self.faults if fault.name == name)

    def axis_of(self, shaft: str) -> int:
        """Return the direction of a shaft: spindle or body axis."""
        return self.kind.spindle_axis if shaft == self.output else self.kind.body_axis


def make_specimen(tool: ToolSheet, faults: tuple[Fault, ...], seed: int) -> Specimen:
    """Return the specimen of a tool that a seed stands for.

    Raises:
        UsageError: the sheet says neither a speed nor a shaft, so that nothing can turn.
    """
    motor, output = motor_shaft(tool), tool.output_shaft
    if motor is None or output is None or motor not in tool.rated_hz or output not in tool.rated_hz:
        raise UsageError(
            f"tool {tool.tag}: cannot be simulated: its sheet needs shafts, one rated_rpm and tooth counts"
        )
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, 0])))
    kind = _kind(tool)
    drift = 1.0 + 0.015 * rng.standard_normal()  # makers allow a few percent on the rated speed
    speeds = {name: hz * drift for name, hz in tool.rated_hz.items()}
    mass = tool.mass_kg or 2.0
    accessory = _accessory_kg(tool)
    rotors = _rotors(tool, kind, faults, motor, output, accessory, rng)
    gears = tuple(_gear(f"{m.driver}-{m.driven}", faults, rng) for m in tool.meshes)
    phases = tuple(rng.uniform(0.0, 2.0 * math.pi, 16).tolist())
    stiffness = _scatter(rng, 0.06)
    harshness = _scatter(rng, 0.10)  # of the cut: disc, edge, slack of the head (no source)
    # clearances and uneven stiffness turn a few percent of 1x into 2x, 3x ...; no tool is without (no source)
    distortion = tuple(share * _scatter(rng, 0.6) for share in (0.03, 0.015, 0.008, 0.004))
    return Specimen(
        tool,
        kind,
        faults,
        speeds,
        motor,
        output,
        mass,
        accessory,
        rotors,
        gears,
        phases,
        stiffness,
        harshness,
        distortion,
    )


def _kind(tool: ToolSheet) -> Kind:
    text = (tool.kind or "").lower()
    names = {"die": "die", "straight": "die", "drill": "drill", "driver": "drill", "sand": "sander", "polish": "sander"}
    names |= {"rout": "router", "trim": "router"}
    for word, name in names.items():
        if word in text:
            return KINDS[name]
    return KINDS["battery" if (tool.supply or "") == "battery" else "grinder"]


def _scatter(rng: np.random.Generator, spread: float) -> float:
    """Return a log-normal factor around 1: what differs between two tools of one make."""
    return float(math.exp(spread * rng.standard_normal()))


def _total(faults: Iterable[Fault], name: str) -> float:
    return math.fsum(fault.size for fault in faults if fault.name == name)


def _rotors(
    tool: ToolSheet,
    kind: Kind,
    faults: tuple[Fault, ...],
    motor: str,
    output: str,
    accessory: float,
    rng: np.random.Generator,
) -> tuple[Rotor, ...]:
    """Return unbalances: accessory as clamped, armature to grade G 6.3 (ISO 21940-11 Table 1, small motors)."""
    healthy = _head_unbalance_g_mm(tool, kind, accessory) * _scatter(rng, 0.35)
    bent = 1000.0 * accessory * _total(faults, "spindle.bent") / 2.0  # centre of mass off by half the run-out
    clearance = 0.1 * 1000.0 * accessory * _total(faults, "bushing.worn")  # the shaft settles off centre
    added = _total(faults, "imbalance.accessory")
    angles = rng.uniform(0.0, 2.0 * math.pi, 4)
    head = _vector_sum(((healthy, angles[0]), (added, angles[1]), (bent + clearance, angles[2])))
    rotors = [Rotor(output, "head", kind.spindle_axis, *head)]
    grade = 6.3  # mm/s
    rotor_kg = tool.shaft(motor).rotor_mass_kg or 0.15 * (tool.mass_kg or 2.0)
    permissible = rotor_kg * permissible_g_mm_per_kg(grade, 60.0 * tool.rated_hz[motor])
    residual = 0.6 * permissible * _scatter(rng, 0.3) + _total(faults, "imbalance.armature")
    rotors.append(Rotor(motor, "motor", kind.body_axis, residual, float(angles[3])))
    return tuple(rotors)


def ordinary_unbalance_g_mm(tool: ToolSheet) -> float:
    """Return the usual unbalance at the output shaft of a sound tool of this sheet [g·mm]."""
    return _head_unbalance_g_mm(tool, _kind(tool), _accessory_kg(tool))


def _accessory_kg(tool: ToolSheet) -> float:
    return (tool.accessory.mass_kg if tool.accessory else None) or 0.1 * (tool.mass_kg or 2.0)


def _head_unbalance_g_mm(tool: ToolSheet, kind: Kind, accessory_kg: float) -> float:
    """Return the usual unbalance at the output shaft: of the accessory as it sits, or of an orbiting pad.

    An orbiting pad's m·r is balanced by a counterweight made for one pad and one disc; a sixth is left, other discs and
    dust included (common practice, no source).
    """
    if tool.accessory is not None and tool.accessory.orbit_mm:
        return 1000.0 * accessory_kg * tool.accessory.orbit_mm / 2.0 * _ORBIT_LEFT
    return kind.fixed_g_mm + kind.accessory_g_mm_per_kg * accessory_kg


def permissible_g_mm_per_kg(grade_mm_s: float, rpm: float) -> float:
    """Return the permissible residual unbalance per rotor mass [g·mm/kg]: 1000·G/ω. ISO 21940-11:2016 eq. for e_per."""
    return 1000.0 * grade_mm_s / (2.0 * math.pi * rpm / 60.0)


def _vector_sum(parts: Iterable[tuple[float, float]]) -> tuple[float, float]:
    parts = tuple(parts)
    real = math.fsum(size * math.cos(angle) for size, angle in parts)
    imaginary = math.fsum(size * math.sin(angle) for size, angle in parts)
    return math.hypot(real, imaginary), math.atan2(imaginary, real)


def _gear(mesh: str, faults: tuple[Fault, ...], rng: np.random.Generator) -> GearFlaws:
    """Return a gear pair's errors: a few µm when new (order of AGMA/ISO quality 7 to 8, from memory)."""
    here = [fault for fault in faults if fault.part == mesh]
    wear = _total(here, "gear.wear") * 1e-3
    new = 2.0e-6 * _scatter(rng, 0.3)
    # new gears are relieved for a smooth mesh; wear leaves the pitch line standing, which the second harmonic shows
    harmonics = (new + 0.15 * wear, 0.4 * new + 0.20 * wear, 0.2 * new + 0.10 * wear)
    eccentric = (8e-6 * _scatter(rng, 0.3), 12e-6 * _scatter(rng, 0.3) + 1e-3 * _total(here, "gear.eccentric"))
    pitch = (1.0e-6 + 0.04 * wear, 1.5e-6 + 0.04 * wear)
    return GearFlaws(mesh, harmonics, eccentric, pitch, 1e-3 * _total(here, "gear.tooth"))
