"""Built-in tools: invented sheets of the kinds a tool library lends, complete enough for every fault."""

from __future__ import annotations

from vibekit.errors import UsageError
from vibekit.recording.toolsheet import Accessory, Bearing, Mesh, Shaft, ToolSheet

SMALL_GRINDER = ToolSheet(
    tag="T-11",
    kind="small angle grinder",
    mass_kg=2.1,
    supply="mains 50 Hz",
    declared_vibration_mps2=6.0,
    declared_uncertainty_mps2=1.5,
    hours_used=120.0,
    shafts=(
        Shaft("armature", rated_rpm=30400.0, commutator_bars=24, fan_blades=9, rotor_mass_kg=0.35),
        Shaft("spindle"),
    ),
    meshes=(Mesh("armature", "spindle", 12, 38),),
    bearings=(
        Bearing("armature front", "armature", "ball", 7, 3.97, 14.5),
        Bearing("armature rear", "armature", "ball", 7, 3.97, 14.5),
        Bearing("spindle front", "spindle", "ball", 8, 3.97, 17.5),
        Bearing("spindle rear", "spindle", "bushing"),
    ),
    accessory=Accessory("spindle", "grinding disc", 0.20, 125.0),
)

BATTERY_GRINDER = ToolSheet(
    tag="T-23",
    kind="battery angle grinder",
    mass_kg=2.4,
    supply="battery",
    declared_vibration_mps2=5.0,
    declared_uncertainty_mps2=1.5,
    hours_used=40.0,
    shafts=(Shaft("armature", rated_rpm=28600.0, fan_blades=11, rotor_mass_kg=0.22), Shaft("spindle")),
    meshes=(Mesh("armature", "spindle", 11, 37),),
    bearings=(
        Bearing("armature front", "armature", "ball", 7, 3.97, 14.5),
        Bearing("spindle front", "spindle", "ball", 8, 3.97, 17.5),
        Bearing("spindle rear", "spindle", "bushing"),
    ),
    accessory=Accessory("spindle", "grinding disc", 0.20, 125.0),
)

DIE_GRINDER = ToolSheet(
    tag="T-31",
    kind="die grinder",
    mass_kg=1.6,
    supply="mains 50 Hz",
    declared_vibration_mps2=5.0,
    declared_uncertainty_mps2=2.0,
    hours_used=75.0,
    shafts=(Shaft("spindle", rated_rpm=28000.0, commutator_bars=22, fan_blades=9, rotor_mass_kg=0.30),),
    bearings=(
        Bearing("spindle front", "spindle", "ball", 8, 3.97, 17.5),
        Bearing("spindle rear", "spindle", "ball", 7, 3.97, 14.5),
    ),
    accessory=Accessory("spindle", "mounted point", 0.04, 25.0),
)

DRILL = ToolSheet(
    tag="T-42",
    kind="drill",
    mass_kg=1.8,
    supply="mains 50 Hz",
    declared_vibration_mps2=3.0,
    declared_uncertainty_mps2=1.5,
    hours_used=210.0,
    shafts=(
        Shaft("armature", rated_rpm=24000.0, commutator_bars=24, fan_blades=8, rotor_mass_kg=0.30),
        Shaft("intermediate"),
        Shaft("spindle"),
    ),
    meshes=(Mesh("armature", "intermediate", 7, 55), Mesh("intermediate", "spindle", 12, 41)),
    bearings=(
        Bearing("armature rear", "armature", "ball", 7, 3.97, 14.5),
        Bearing("intermediate", "intermediate", "bushing"),
        Bearing("spindle front", "spindle", "ball", 9, 4.76, 24.0),
    ),
    accessory=Accessory("spindle", "twist drill", 0.25, 10.0),
)

SANDER = ToolSheet(
    tag="T-55",
    kind="random orbit sander",
    mass_kg=1.4,
    supply="mains 50 Hz",
    declared_vibration_mps2=4.5,
    declared_uncertainty_mps2=1.5,
    hours_used=95.0,
    shafts=(Shaft("spindle", rated_rpm=11800.0, commutator_bars=22, fan_blades=7, rotor_mass_kg=0.30),),
    bearings=(
        Bearing("spindle front", "spindle", "ball", 8, 3.97, 17.5),
        Bearing("spindle rear", "spindle", "ball", 7, 3.97, 14.5),
    ),
    accessory=Accessory("spindle", "sanding pad", 0.15, 125.0, orbit_mm=2.4),
)

ROUTER = ToolSheet(
    tag="T-61",
    kind="router",
    mass_kg=3.2,
    supply="mains 50 Hz",
    declared_vibration_mps2=4.0,
    declared_uncertainty_mps2=1.5,
    hours_used=60.0,
    shafts=(Shaft("spindle", rated_rpm=24000.0, commutator_bars=24, fan_blades=9, rotor_mass_kg=0.45),),
    bearings=(
        Bearing("spindle front", "spindle", "ball", 8, 4.76, 21.5),
        Bearing("spindle rear", "spindle", "ball", 7, 3.97, 14.5),
    ),
    accessory=Accessory("spindle", "router bit", 0.06, 20.0),
)

PRESETS = {
    "small-grinder": SMALL_GRINDER,
    "battery-grinder": BATTERY_GRINDER,
    "die-grinder": DIE_GRINDER,
    "drill": DRILL,
    "sander": SANDER,
    "router": ROUTER,
}


def preset(name: str) -> ToolSheet:
    """Return a built-in tool sheet by its name.

    Raises:
        UsageError: there is no such tool.
    """
    if name not in PRESETS:
        raise UsageError(f"no built-in tool {name!r}: choose one of {', '.join(PRESETS)}, or give a tool sheet")
    return PRESETS[name]
