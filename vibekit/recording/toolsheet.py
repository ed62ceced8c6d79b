"""The tool sheet: what is known of a tool before it is opened, validated, with the speed of every shaft."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vibekit.errors import InputError
from vibekit.recording.sidecar import NOTHING_STATED, UncertaintyFacts, require_axes_factor
from vibekit.recording.tables import from_table, load_toml

_BEARING_KINDS = ("ball", "needle", "roller", "bushing")


@dataclass(frozen=True)
class Shaft:
    """One rotating part; `rated_rpm` is the no-load speed."""

    name: str
    rated_rpm: float | None = None
    commutator_bars: int | None = None
    fan_blades: int | None = None
    rotor_mass_kg: float | None = None


@dataclass(frozen=True)
class Mesh:
    """One gear pair; tooth counts may be unknown."""

    driver: str
    driven: str
    driver_teeth: int | None = None
    driven_teeth: int | None = None


@dataclass(frozen=True)
class Bearing:
    """One bearing or bushing on a shaft; `balls` counts the rolling elements."""

    name: str
    shaft: str
    kind: str | None = None
    balls: int | None = None
    ball_mm: float | None = None
    pitch_mm: float | None = None
    contact_deg: float = field(default=0.0, metadata={"allow_zero": True})


@dataclass(frozen=True)
class Accessory:
    """What the tool drives: disc, bit, burr, pad.

    `segments` meet the work one after the other (diamond segments, flaps, saw teeth); `orbit_mm` is the diameter of the
    circle on which a random-orbit pad's centre goes round.
    """

    shaft: str | None = None
    kind: str | None = None
    mass_kg: float | None = None
    diameter_mm: float | None = None
    segments: int | None = None
    orbit_mm: float | None = None


@dataclass(frozen=True)
class _ToolFacts:
    tag: str
    kind: str | None = None
    mass_kg: float | None = None
    supply: str | None = None
    declared_vibration_mps2: float | None = None
    declared_uncertainty_mps2: float | None = None
    hours_used: float | None = field(default=None, metadata={"allow_zero": True})
    price: float | None = field(default=None, metadata={"allow_zero": True})
    missing_axes_factor: float | None = None
    uncertainty: UncertaintyFacts = NOTHING_STATED


@dataclass(frozen=True)
class ToolSheet:
    """A tool as its sheet describes it; `ratios` gives each shaft's speed per turn of the reference shaft."""

    tag: str
    kind: str | None = None
    mass_kg: float | None = None
    supply: str | None = None
    declared_vibration_mps2: float | None = None
    declared_uncertainty_mps2: float | None = None
    hours_used: float | None = None
    price: float | None = None
    missing_axes_factor: float | None = None
    uncertainty: UncertaintyFacts = NOTHING_STATED
    shafts: tuple[Shaft, ...] = ()
    meshes: tuple[Mesh, ...] = ()
    bearings: tuple[Bearing, ...] = ()
    accessory: Accessory | None = None

    @property
    def line_hz(self) -> float | None:
        """Mains frequency [Hz], or None for battery, air or unknown."""
        match = re.search(r"(\d+(?:\.\d+)?)\s*hz", (self.supply or "").lower())
        return float(match[1]) if match else None

    @property
    def output_shaft(self) -> str | None:
        """The shaft that carries the accessory: as the sheet says, else the last driven, else the only one."""
        if self.accessory and self.accessory.shaft:
            return self.accessory.shaft
        if self.meshes:
            return self.meshes[-1].driven
        return self.shafts[-1].name if self.shafts else None

    def shaft(self, name: str) -> Shaft:
        """Return the shaft of that name.

        Raises:
            InputError: the sheet has no such shaft.
        """
        for shaft in self.shafts:
            if shaft.name == name:
                return shaft
        raise InputError(f"tool {self.tag}: no shaft {name!r} on its sheet; it has {[s.name for s in self.shafts]}")

    def ratio(self, shaft: str, reference: str) -> float | None:
        """Return turns of `shaft` per turn of `reference`; None where tooth counts are missing."""
        return _ratios_from(reference, self.meshes).get(shaft)

    @property
    def rated_hz(self) -> dict[str, float]:
        """No-load speed of every shaft that the sheet determines [Hz]."""
        speeds: dict[str, float] = {}
        for shaft in self.shafts:
            if shaft.rated_rpm is not None:
                for name, ratio in _ratios_from(shaft.name, self.meshes).items():
                    speeds.setdefault(name, ratio * shaft.rated_rpm / 60.0)
        speeds.update({s.name: s.rated_rpm / 60.0 for s in self.shafts if s.rated_rpm is not None})
        return speeds


def load_tool(path: str | Path) -> ToolSheet:
    """Return the tool sheet in a TOML file.

    Raises:
        InputError: missing or not TOML, unknown keys, or physically impossible (teeth, train, bearings, shafts).
    """
    return parse_tool(load_toml(Path(path)), str(path))


def parse_tool(data: dict[str, Any], where: str) -> ToolSheet:
    """Return a tool sheet from TOML data; `where` names its origin in errors. Raises as `load_tool`."""
    unknown = set(data) - {"tool", "shaft", "mesh", "bearing", "accessory"}
    if unknown:
        raise InputError(
            f"{where}: unknown table {sorted(unknown)[0]!r}; known are tool, shaft, mesh, bearing, accessory"
        )
    facts = from_table(_ToolFacts, data.get("tool", {}), f"{where}: [tool]")
    if not facts.tag.strip():
        raise InputError(f"{where}: [tool]: tag must not be empty")
    require_axes_factor(facts.missing_axes_factor, f"{where}: [tool]")
    sheet = ToolSheet(
        **vars(facts),
        shafts=_rows(Shaft, data, "shaft", where),
        meshes=_rows(Mesh, data, "mesh", where),
        bearings=_rows(Bearing, data, "bearing", where),
        accessory=from_table(Accessory, data["accessory"], f"{where}: [accessory]") if "accessory" in data else None,
    )
    _validate(sheet, where)
    return sheet


def _rows(kind: type[Any], data: dict[str, Any], name: str, where: str) -> tuple[Any, ...]:
    rows = data.get(name, [])
    if not isinstance(rows, list):
        raise InputError(f"{where}: {name} must be written as [[{name}]]")
    return tuple(from_table(kind, row, f"{where}: [[{name}]] {i + 1}") for i, row in enumerate(rows))


def _validate(sheet: ToolSheet, where: str) -> None:
    names = [shaft.name for shaft in sheet.shafts]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"{where}: shaft {name!r} stands twice")
    used = [(f"mesh {m.driver}-{m.driven}", s) for m in sheet.meshes for s in (m.driver, m.driven)]
    used += [(f"bearing {b.name!r}", b.shaft) for b in sheet.bearings]
    if sheet.accessory and sheet.accessory.shaft:
        used.append(("accessory", sheet.accessory.shaft))
    for what, shaft in used:
        if shaft not in names:
            raise InputError(f"{where}: {what} names shaft {shaft!r}, which the sheet does not have")
    _validate_train(sheet, where)
    for bearing in sheet.bearings:
        _validate_bearing(bearing, f"{where}: bearing {bearing.name!r}")


def _validate_train(sheet: ToolSheet, where: str) -> None:
    """Refuse a cyclic mesh (a tree has no shaft driven twice and no loop) and speeds that contradict the teeth."""
    reached: dict[str, str] = {s.name: s.name for s in sheet.shafts}
    for mesh in sheet.meshes:
        if reached[mesh.driver] == reached[mesh.driven]:
            raise InputError(f"{where}: mesh {mesh.driver}-{mesh.driven} closes a cycle in the drive train")
        old, new = reached[mesh.driven], reached[mesh.driver]
        reached = {name: new if group == old else group for name, group in reached.items()}
    for shaft in sheet.shafts:
        if shaft.rated_rpm is None:
            continue
        for other, ratio in _ratios_from(shaft.name, sheet.meshes).items():
            rated = sheet.shaft(other).rated_rpm
            if rated is not None and abs(rated - ratio * shaft.rated_rpm) > 0.05 * rated:
                raise InputError(
                    f"{where}: shaft {other!r} is rated {rated:g} rpm, the teeth give {ratio * shaft.rated_rpm:.0f} rpm"
                )


def _validate_bearing(bearing: Bearing, where: str) -> None:
    if bearing.kind is not None and bearing.kind not in _BEARING_KINDS:
        raise InputError(f"{where}: kind {bearing.kind!r} must be one of {', '.join(_BEARING_KINDS)}")
    if bearing.contact_deg >= 90:
        raise InputError(f"{where}: contact_deg {bearing.contact_deg:g} must be below 90")
    if bearing.balls is not None and bearing.balls < 2:
        raise InputError(f"{where}: balls {bearing.balls} must be at least 2")
    if bearing.ball_mm is None or bearing.pitch_mm is None:
        return
    # n balls of diameter d fit on the pitch circle D when n·d <= D·n·sin(π/n); geometry of a regular polygon
    if bearing.ball_mm >= bearing.pitch_mm or (
        bearing.balls is not None and bearing.ball_mm > bearing.pitch_mm * math.sin(math.pi / bearing.balls)
    ):
        raise InputError(
            f"{where}: {bearing.balls} balls of {bearing.ball_mm:g} mm do not fit a {bearing.pitch_mm:g} mm circle"
        )


def _ratios_from(reference: str, meshes: tuple[Mesh, ...]) -> dict[str, float]:
    """Return each shaft's turns per turn of `reference`, as far as tooth counts are known."""
    ratios, frontier = {reference: 1.0}, [reference]
    while frontier:
        here = frontier.pop()
        for mesh in meshes:
            if mesh.driver_teeth is None or mesh.driven_teeth is None or here not in (mesh.driver, mesh.driven):
                continue
            forward = here == mesh.driver
            there = mesh.driven if forward else mesh.driver
            step = mesh.driver_teeth / mesh.driven_teeth
            if there not in ratios:
                ratios[there] = ratios[here] * (step if forward else 1.0 / step)
                frontier.append(there)
    return ratios
