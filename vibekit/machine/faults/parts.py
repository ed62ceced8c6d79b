"""The parts of a tool that evidence is read of: which the sheet names, what each can tell, what stays untested."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from vibekit.machine.faults.evidence import (
    Notes,
    PartFeatures,
    mains_features,
    mesh_features,
    ripple_features,
    shaft_features,
    sweep_features,
)
from vibekit.machine.faults.octaves import octave_features
from vibekit.machine.faults.rolling import bearing_features
from vibekit.machine.lines.views import SignalViews
from vibekit.recording.toolsheet import ToolSheet

# Why the armature's unbalance is not said apart: its line is read as the accessory's.
ONE_SHAFT = "motor and accessory turn on one shaft, so that both make the same line: run without the accessory"


@dataclass(frozen=True)
class RecordingFeatures:
    """All parts of one recording, and which faults it cannot test, with the reason."""

    parts: tuple[PartFeatures, ...]
    untested: tuple[tuple[str, str], ...]


def features_of(views: SignalViews, tool: ToolSheet | None) -> RecordingFeatures:
    """Return the features of every part that the sheet names (without a sheet: of the one shaft followed)."""
    output = (tool.output_shaft if tool else None) or views.reference
    look = _Look(views, tool, output, _motor(tool, output))
    _shaft_parts(look)
    _mesh_parts(look)
    _bearing_parts(look)
    _motor_parts(look)
    return RecordingFeatures(_beside_races(look.parts), tuple(look.untested))


def _beside_races(parts: Sequence[PartFeatures]) -> tuple[PartFeatures, ...]:
    """Return the parts, those that are no bearing with the clearest passing rate of any: it explains knocks of theirs.

    A spall on the inner race knocks hardest as it passes the load zone, once per turn, as play and a chipped tooth do.
    """
    races = [part.values["pulse_comb"] for part in parts if "pulse_comb" in part.values]
    if not races:
        return tuple(parts)
    beside = {"race_comb": max(races)}
    return tuple(p if "pulse_comb" in p.values else replace(p, values={**p.values, **beside}) for p in parts)


class _Look:
    """Parts and gaps of one recording while they are gathered."""

    def __init__(self, views: SignalViews, tool: ToolSheet | None, output: str, motor: str | None) -> None:
        self.views, self.tool, self.output, self.motor = views, tool, output, motor
        self.parts: list[PartFeatures] = []
        self.untested: list[tuple[str, str]] = []
        self.context = octave_features(views.orders)

    def add(self, faults: tuple[str, ...], where: str | None, shaft: str, notes: Notes) -> None:
        """Add a part that was read, with the octaves and what the output shaft shows beside it."""
        if notes.values:
            hz = self.views.ratios[shaft] * self.views.angle.hz
            self.parts.append(PartFeatures(faults, where, hz, {**self.context, **notes.values}, notes.readings))

    def turning(self, shaft: str | None) -> bool:
        """Tell whether a shaft's speed is known."""
        return shaft is not None and shaft in self.views.ratios


def _motor(tool: ToolSheet | None, output: str) -> str | None:
    """Return the motor's shaft: the driver that nothing drives, or the only shaft."""
    if tool is None or not tool.shafts:
        return None
    driven = {mesh.driven for mesh in tool.meshes}
    return next((s.name for s in tool.shafts if s.name not in driven), output)


def rotor_kg(tool: ToolSheet | None, shaft: str) -> float | None:
    """Return the mass that turns with a shaft, where the sheet says it: rotor and, on the output shaft, accessory."""
    if tool is None or not any(s.name == shaft for s in tool.shafts):
        return None
    rotor = tool.shaft(shaft).rotor_mass_kg or 0.0
    accessory = (tool.accessory.mass_kg or 0.0) if tool.accessory and shaft == tool.output_shaft else 0.0
    return rotor + accessory or None


def _shaft_parts(look: _Look) -> None:
    views, tool, output, motor = look.views, look.tool, look.output, look.motor
    if look.turning(output):
        swept, reason = sweep_features(views, output)
        if not swept.values:
            look.untested.append(("resonance", reason))
        head = shaft_features(views, tool, output, rotor_kg(tool, output))
        head.values |= swept.values
        faults: tuple[str, ...] = ("imbalance.accessory", "spindle.bent", "mount.loose")
        if "axial_one" not in head.values:
            reason = "a bent spindle shows along the shaft: record three axes"
            look.untested.append(("spindle.bent", reason))
            faults = ("imbalance.accessory", "mount.loose")
        look.add(faults, output, output, head)
        look.context |= {f"out_{name}": value for name, value in head.values.items()}
        look.add(("resonance",), output, output, swept)
    if motor is None:
        reason = "the tool sheet does not describe the drive train ([[shaft]], [[mesh]])"
    elif motor == output:
        reason = ONE_SHAFT
    elif not look.turning(motor):
        reason = "the speed of the motor's shaft is not known: give driver_teeth and driven_teeth of the mesh"
    else:
        look.add(("imbalance.armature",), motor, motor, shaft_features(views, tool, motor, rotor_kg(tool, motor)))
        return
    look.untested.append(("imbalance.armature", reason))


def _mesh_parts(look: _Look) -> None:
    faults = ("gear.wear", "gear.eccentric", "gear.tooth")
    tool = look.tool
    if tool is not None and tool.shafts and not tool.meshes:
        return  # a direct drive has no gears
    found = False
    for mesh in tool.meshes if tool else ():
        notes = mesh_features(look.views, tool, mesh) if tool else None
        if notes is not None:
            driven = mesh.driven if look.turning(mesh.driven) else mesh.driver
            look.add(faults, f"mesh {mesh.driver}-{mesh.driven}", driven, notes)
            found = True
    if not found:
        known = tool is not None and any(mesh.driver_teeth for mesh in tool.meshes)
        reason = (
            "the sample rate does not carry the mesh lines" if known else "the tool sheet gives no teeth ([[mesh]])"
        )
        look.untested.extend((fault, reason) for fault in faults)


def _bearing_parts(look: _Look) -> None:
    bearings = look.tool.bearings if look.tool else ()
    places: set[str] = set()
    for bearing in bearings:
        if not look.turning(bearing.shaft):
            continue
        if bearing.kind == "bushing":
            notes = shaft_features(look.views, look.tool, bearing.shaft, rotor_kg(look.tool, bearing.shaft))
            look.add(("bushing.worn",), bearing.name, bearing.shaft, notes)
            continue
        for place, notes in bearing_features(look.views, bearing).items():
            look.add((f"bearing.{place}",), bearing.name, bearing.shaft, notes)
            places.add(place)
    if not any(b.kind == "bushing" for b in bearings) and not bearings:
        look.untested.append(("bushing.worn", 'the tool sheet names no bushing ([[bearing]] kind = "bushing")'))
    for place in ("outer_race", "inner_race", "rolling_element", "cage"):
        if place not in places:
            reason = "the tool sheet gives no rolling bearing with balls, ball_mm and pitch_mm"
            look.untested.append((f"bearing.{place}", reason))


def _motor_parts(look: _Look) -> None:
    tool, motor = look.tool, look.motor
    own_supply = tool is not None and tool.supply in ("battery", "air")
    bars = tool.shaft(motor).commutator_bars if tool and motor else None
    ripple = Notes()
    if tool and motor and bars and look.turning(motor):
        ripple = ripple_features(look.views, tool, motor, bars)
    if ripple.values and motor:
        look.add(("electrical.commutation",), motor, motor, ripple)
    elif bars or not own_supply:
        reason = (
            "the sample rate does not carry the commutator's line"
            if bars
            else "the tool sheet gives no commutator_bars"
        )
        look.untested.append(("electrical.commutation", reason))
    pull, reason = mains_features(look.views, tool.line_hz if tool else None, tool.mass_kg if tool else None)
    if pull.values and motor and look.turning(motor):
        look.add(("electrical.mains",), "field", motor, pull)
    elif not own_supply:
        look.untested.append(("electrical.mains", reason))
