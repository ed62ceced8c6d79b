"""Tools as handbooks draw them, their kinematics and their sheets: what `tests.benchmarks.textbook_signals` shakes.

Bearing sizes of common series from memory (ISO 15, makers' tables); teeth and bars: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

BALL_BEARINGS = ((7, 3.969, 15.0), (7, 4.762, 18.0), (8, 4.762, 20.0), (7, 5.953, 22.0), (8, 3.969, 17.5))


@dataclass(frozen=True)
class Tool:
    """A drive train: rates over the first shaft's, meshes (driver, driven, teeth, teeth), ball bearings by shaft."""

    kind: str
    supply: str
    bars: int
    blades: int
    mass_kg: float
    rated_hz: float
    bearings: tuple[tuple[str, int, tuple[int, float, float]], ...]
    shafts: tuple[str, ...] = ("spindle",)
    ratios: tuple[float, ...] = (1.0,)
    meshes: tuple[tuple[int, int, int, int], ...] = ()
    bushing: tuple[str, int] = ("sleeve", 0)
    axials: tuple[int, ...] = (1,)
    accessory: str = "burr"

    @property
    def line_hz(self) -> float:
        """Return the rate of the mains [Hz], 0 without."""
        return float(self.supply.split()[1]) if self.supply.startswith("mains") else 0.0


def draw_tool(rng: np.random.Generator) -> Tool:
    """Return a random tool: bevel-gear grinder, die grinder or router, two-stage drill, air tool."""
    kind = str(rng.choice(["angle grinder", "die grinder", "drill", "air die grinder"], p=[0.4, 0.2, 0.25, 0.15]))
    supply = "air" if kind == "air die grinder" else str(rng.choice(["mains 50 Hz", "mains 60 Hz", "battery"]))
    one, two = (BALL_BEARINGS[k] for k in rng.integers(len(BALL_BEARINGS), size=2))
    bars = int(rng.integers(18, 33)) if supply.startswith("mains") else 0
    blades = int(rng.integers(7, 14)) if supply != "air" else 0
    mass, rated_hz = round(float(rng.uniform(1.2, 3.0)), 2), float(rng.uniform(330, 520))
    bearings = (("front", 0, one), ("rear", 0, two))
    tool = Tool(kind, supply, bars, blades, mass, rated_hz, bearings)
    if kind == "angle grinder":
        pinion, wheel = int(rng.integers(9, 14)), int(rng.integers(34, 43))
        return replace(
            tool,
            shafts=("armature", "spindle"),
            ratios=(1.0, pinion / wheel),
            meshes=((0, 1, pinion, wheel),),
            bearings=(("armature front", 0, one), ("spindle front", 1, two)),
            bushing=("spindle rear", 1),
            axials=(1, 2),
            accessory="grinding disc",
        )
    if kind == "drill":
        first, second = (rng.integers(5, 9), rng.integers(38, 50)), (rng.integers(8, 14), rng.integers(30, 42))
        middle = float(first[0] / first[1])
        return replace(
            tool,
            shafts=("armature", "intermediate", "spindle"),
            ratios=(1.0, middle, middle * float(second[0] / second[1])),
            meshes=((0, 1, int(first[0]), int(first[1])), (1, 2, int(second[0]), int(second[1]))),
            bearings=(("armature front", 0, one), ("spindle front", 2, two)),
            bushing=("spindle rear", 2),
            axials=(2, 2, 2),
            accessory="drill bit",
        )
    return tool


def defect_rates(balls: int, ball_mm: float, pitch_mm: float) -> dict[str, float]:
    """Return the rates of a bearing with a still outer ring, over that of its shaft (Randall 2011, ch. 2.2.3)."""
    slope = ball_mm / pitch_mm
    return {
        "outer": balls / 2 * (1 - slope),
        "inner": balls / 2 * (1 + slope),
        "cage": (1 - slope) / 2,
        "ball": (1 - slope**2) / (2 * slope),
    }


def sheet_text(tool: Tool, teeth: bool = True, mass: bool = True) -> str:
    """Return the tool sheet (TOML); without teeth the meshes are not told, and every shaft has its rated speed."""
    weight = {"mass_kg": tool.mass_kg} if mass else {}
    text = _table("[tool]", tag="S-1", kind=tool.kind, supply=tool.supply, **weight)
    for k, name in enumerate(tool.shafts):
        rated = {"rated_rpm": float(round(tool.rated_hz * tool.ratios[k] * 60, -1))} if k == 0 or not teeth else {}
        counts = {"commutator_bars": tool.bars, "fan_blades": tool.blades} if k == 0 else {}
        text += _table("[[shaft]]", name=name, **rated, **{key: n for key, n in counts.items() if n})
    for a, b, driver, driven in tool.meshes if teeth else ():
        names = {"driver": tool.shafts[a], "driven": tool.shafts[b]}
        text += _table("[[mesh]]", **names, driver_teeth=driver, driven_teeth=driven)
    for name, shaft, (balls, ball, pitch) in tool.bearings:
        sizes = {"balls": balls, "ball_mm": ball, "pitch_mm": pitch}
        text += _table("[[bearing]]", name=name, shaft=tool.shafts[shaft], kind="ball", **sizes)
    text += _table("[[bearing]]", name=tool.bushing[0], shaft=tool.shafts[tool.bushing[1]], kind="bushing")
    return text + _table("[accessory]", shaft=tool.shafts[-1], kind=tool.accessory)


def _table(header: str, **entries: str | float) -> str:
    rows = [f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}" for key, value in entries.items()]
    return "\n".join([header, *rows, "", ""])
