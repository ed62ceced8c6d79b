"""The faults that can be built in: name, unit and usual size, and the part of the tool they sit in."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from vibekit.errors import UsageError, known_names
from vibekit.recording.toolsheet import ToolSheet


@dataclass(frozen=True)
class FaultKind:
    """A fault of the contract's list: `unit` of its size, a usual `default` size, `largest` that still runs."""

    unit: str
    default: float
    largest: float
    meaning: str


@dataclass(frozen=True)
class Fault:
    """A fault built into one tool: its size in the unit of its kind, in `part` (a shaft, mesh, bearing; or None)."""

    name: str
    size: float
    part: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the fault as it stands in the truth."""
        return {"fault": self.name, "size": self.size, "unit": FAULTS[self.name].unit, "part": self.part}


FAULTS = {
    "imbalance.accessory": FaultKind("g_mm", 100.0, 2000.0, "added unbalance of the accessory"),
    "imbalance.armature": FaultKind("g_mm", 6.0, 50.0, "added unbalance of the armature"),
    "spindle.bent": FaultKind("mm", 0.2, 2.0, "run-out at the accessory, peak to peak"),
    "gear.wear": FaultKind("mm", 0.03, 0.3, "depth worn off the flanks"),
    "gear.eccentric": FaultKind("mm", 0.1, 0.5, "offset of the driven gear's pitch circle"),
    "gear.tooth": FaultKind("mm", 0.5, 3.0, "flank missing from one tooth of the driven gear"),
    "bushing.worn": FaultKind("mm", 0.2, 1.0, "clearance of the bushing beyond new"),
    "bearing.outer_race": FaultKind("mm", 0.8, 3.0, "length of the spall on the outer race"),
    "bearing.inner_race": FaultKind("mm", 0.8, 3.0, "length of the spall on the inner race"),
    "bearing.rolling_element": FaultKind("mm", 0.8, 3.0, "length of the spall on one rolling element"),
    "bearing.cage": FaultKind("mm", 0.5, 3.0, "play of the cage"),
    "mount.loose": FaultKind("mm", 0.3, 3.0, "play of the handle in its seat"),
    "electrical.commutation": FaultKind("mm", 0.02, 0.2, "height by which one commutator bar stands proud"),
    "electrical.mains": FaultKind("n", 15.0, 200.0, "magnetic pull at twice the mains frequency, amplitude"),
    "resonance": FaultKind("q", 12.0, 50.0, "amplification of a housing mode on the output shaft's rate"),
}


def settle_faults(tool: ToolSheet, wanted: Mapping[str, float]) -> tuple[Fault, ...]:
    """Return the faults to build in; a key is a fault name, or `name@part` to say where. `healthy` adds nothing.

    Raises:
        UsageError: unknown fault, impossible size, or a part that the tool does not have.
    """
    return tuple(_settle(tool, key, size) for key, size in wanted.items() if key != "healthy")


def parse_fault(text: str) -> tuple[str, float]:
    """Return name (with `@part`) and size of ``NAME``, ``NAME=SIZE`` or ``NAME@PART=SIZE``.

    Raises:
        UsageError: unknown name or unreadable size.
    """
    key, equals, size = text.partition("=")
    key = key.strip()
    name = key.partition("@")[0]
    if name == "healthy":
        return "healthy", 0.0
    if name not in FAULTS:
        raise UsageError(f"fault {name[:40]!r} is not known: {known_names(name, ('healthy', *FAULTS))}")
    try:
        return key, float(size) if equals else FAULTS[name].default
    except ValueError:
        raise UsageError(f"fault {text!r}: write NAME=SIZE with a size in {FAULTS[name].unit}") from None


def _settle(tool: ToolSheet, key: str, size: float) -> Fault:
    name, _, part = key.partition("@")
    kind = FAULTS.get(name)
    if kind is None:
        raise UsageError(f"fault {name[:40]!r} is not known: {known_names(name, ('healthy', *FAULTS))}")
    if not (math.isfinite(size) and 0 < size <= kind.largest):
        raise UsageError(f"fault {name}: size {size:g} {kind.unit} must be above 0 and at most {kind.largest:g}")
    places = _places(tool, name)
    if not places:
        raise UsageError(f"fault {name}: tool {tool.tag} has no part that can have it ({_NEEDS[name.split('.')[0]]})")
    if part and part not in places:
        raise UsageError(f"fault {name}: tool {tool.tag} has no {part!r} for it; it has {', '.join(map(str, places))}")
    return Fault(name, float(size), part or places[0])


_NEEDS = {
    "imbalance": "a shaft",
    "spindle": "a shaft",
    "gear": "a mesh with both tooth counts",
    "bushing": "a bearing of kind bushing",
    "bearing": "a rolling bearing with balls, ball_mm and pitch_mm",
    "mount": "a shaft",
    "electrical": "a mains supply; a commutator for commutation",
    "resonance": "a shaft",
}


def motor_shaft(tool: ToolSheet) -> str | None:
    """Return the shaft of the motor: the first driver, else the first shaft."""
    driven = {mesh.driven for mesh in tool.meshes}
    return next((shaft.name for shaft in tool.shafts if shaft.name not in driven), None)


def _places(tool: ToolSheet, name: str) -> list[str]:
    """Return the parts that can have a fault, the usual one first (nearest the accessory)."""
    output, motor = tool.output_shaft, motor_shaft(tool)
    rolling = [b for b in tool.bearings if b.kind != "bushing" and b.balls and b.ball_mm and b.pitch_mm]
    at_output: Callable[[Any], bool] = lambda bearing: bearing.shaft != output  # noqa: E731
    group = name.split(".")[0]
    if name == "imbalance.armature" or name == "electrical.commutation":
        bars = name == "imbalance.armature" or (motor and tool.shaft(motor).commutator_bars)
        return [motor] if motor and bars else []
    if name == "electrical.mains":
        return [motor] if motor and tool.line_hz else []
    if group == "gear":
        return [f"{m.driver}-{m.driven}" for m in reversed(tool.meshes) if m.driver_teeth and m.driven_teeth]
    if group == "bushing":
        return [b.name for b in sorted(tool.bearings, key=at_output) if b.kind == "bushing"]
    if group == "bearing":
        return [b.name for b in sorted(rolling, key=at_output)]
    if group == "mount":
        return ["handle"] if output else []
    return [output] if output else []
