"""Evidence: what each mechanism does to the signal, read from the lines it must make.

Every function here looks at one part of the tool (a shaft, a mesh, a bearing, the motor) and returns features: levels
in decibels, ratios and counts that do not depend on the sensor's sensitivity, each with the lines that back it. What
the mechanisms do (symptoms after Scheffer & Girdhar 2004, Randall 2011, Randall & Antoni 2011; from memory):

- imbalance: a force m·r·ω² turning with the shaft: one line at 1x, across the shaft, no harmonics of its own.
- bent spindle: 1x and 2x, along the shaft as well.
- plain bushing with play, loose parts: contact is lost and regained: many harmonics, half orders when the parts meet
  every second turn, impacts, a raised floor; not proportional to the force.
- gear: mesh line and harmonics; wear raises the second; a gear off centre modulates the mesh once per its turn (few,
  strong sidebands); a chipped tooth knocks once per turn (many weak sidebands, an impulse in the average over turns).
- rolling bearing: impacts at the race's passing rate; in `machine.rolling`.
- commutation: torque ripple at bars x turns; a bad bar adds once-per-turn sidebands. Mains: pull at twice its rate.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from vibekit.machine.faults.feature_words import feature_words
from vibekit.machine.lines.resonances import order_map
from vibekit.machine.lines.views import Line, SignalViews, decibels, root_sum
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import Mesh, ToolSheet

_GRADE_MM_S = 6.3  # G 6.3: motors under 80 mm shaft height, ISO 21940-11:2016 Table 1
_SEEN_DB = 6.0  # over the floor: below, what is read is the level of the noise
_SIGNIFICANT_DB = 10.0  # over the floor: common practice, no source
_IMPLAUSIBLE_DB = 25.0  # no housing mode of a tool amplifies so much: the speed was lost on the way
# Sound machines show so much 2x of their 1x, and so much of 1x along the shaft; less is no news (common practice).
_SOUND_TWO_DB, _SOUND_AXIAL_DB = -24.0, -20.0
_HARMONICS = range(3, 11)
_HALVES = (0.5, 1.5, 2.5)


@dataclass(frozen=True)
class Evidence:
    """One item for or against a fault: a line as read, the feature it gave, and the log-odds that it added.

    `condition` is that of the recording it was read in.
    """

    feature: str
    value: float
    log_odds: float
    reading: Line | None
    condition: str | None = None

    @property
    def supports(self) -> bool:
        """Whether it speaks for the fault."""
        return self.log_odds > 0

    def to_dict(self) -> dict[str, Any]:
        """Return the item as document data."""
        r = self.reading
        return {
            "line": r.name if r else self.feature,
            "order": r.order if r else None,
            "frequency_hz": r.frequency_hz if r else None,
            "amplitude_mps2": r.amplitude_mps2 if r else None,
            "over_floor_db": r.over_floor_db if r else None,
            "axis": r.axis if r else None,
            "supports": self.supports,
            "feature": self.feature,
            "feature_words": feature_words(self.feature),
            "feature_value": self.value,
            "log_odds": self.log_odds,
            "condition": self.condition,
        }


@dataclass(frozen=True)
class PartFeatures:
    """What was read of one part: the faults it speaks to, feature values, and the line behind each feature.

    `hz` is the rate of the part's shaft: ordinary tools are compared among fast and among slow shafts.
    """

    faults: tuple[str, ...]
    where: str | None
    hz: float
    values: Mapping[str, float]
    readings: Mapping[str, Line] = field(default_factory=dict)


class Notes:
    """Features of one part while they are read."""

    def __init__(self) -> None:
        self.values: dict[str, float] = {}
        self.readings: dict[str, Line] = {}

    def put(self, name: str, value: float, reading: Line | None = None) -> None:
        """Note a feature and the line behind it."""
        self.values[name] = value
        if reading is not None:
            self.readings[name] = reading


def shaft_features(views: SignalViews, tool: ToolSheet | None, shaft: str, rotor_kg: float | None) -> Notes:
    """Return what one shaft's own lines say: unbalance as a balance grade, harmonics, half orders, directions."""
    notes, view = Notes(), views.orders
    ratio = views.ratios[shaft]

    def line(n: float) -> Line | None:
        return view.read(f"{shaft} {n:g}x", n * ratio)

    one, two = line(1), line(2)
    if one is None:
        return notes
    seen = one.over_floor_db >= _SEEN_DB
    if seen and tool and tool.mass_kg and rotor_kg:
        grade = residual_unbalance_g_mm(one, tool.mass_kg) * 1e-3 / rotor_kg * 2 * math.pi * one.frequency_hz
        notes.put("grade", decibels(grade, _GRADE_MM_S), one)
    if seen:
        notes.put("one_level", decibels(one.amplitude_mps2, 1.0), one)
    notes.put("one_share", decibels(one.amplitude_mps2, views.low_band_mps2), one)
    notes.put("one_over", one.over_floor_db, one)
    notes.put("noise_one", decibels(views.noise_mps2, one.amplitude_mps2), one)
    below = views.orders.rms_mps2(0.1 * one.frequency_hz, 0.9 * one.frequency_hz)
    notes.put("below_one", decibels(below, one.amplitude_mps2), one)
    if two is not None:
        notes.put("two_one", decibels(two.amplitude_mps2, one.amplitude_mps2, _SOUND_TWO_DB), two)
        notes.put("two_over", two.over_floor_db, two)
    _directions(notes, one, two)
    _harmonics(notes, [line(n) for n in _HARMONICS], one)
    _halves(notes, [line(n) for n in _HALVES])
    knock = views.envelope.read(f"{shaft} 1x, envelope", ratio)
    if knock is not None:
        notes.put("knock", knock.over_floor_db, knock)
    return notes


def _directions(notes: Notes, one: Line, two: Line | None) -> None:
    """Note how much of 1x and 2x lies along the shaft: the axis of least 1x. Only three axes can show a direction.

    `two_least`: 2x against 1x on the axis where that is least. Play cuts the force of 1x itself, so that 2x lies where
    1x does; a bent spindle adds its 2x along the shaft and leaves the other axes alone.
    """
    if len(one.by_axis_mps2) < 3:
        return
    notes.put("axial_one", decibels(min(one.by_axis_mps2), one.amplitude_mps2, _SOUND_AXIAL_DB), one)
    if two is not None:
        quiet = int(np.argmin(one.by_axis_mps2))
        notes.put("axial_two", decibels(two.by_axis_mps2[quiet], two.amplitude_mps2), two)
        ratios = [decibels(b, a) for a, b in zip(one.by_axis_mps2, two.by_axis_mps2, strict=True)]
        notes.put("two_least", min(ratios), two)


def residual_unbalance_g_mm(one: Line, mass_kg: float) -> float:
    """Return the unbalance that would shake a free rigid body of the tool's mass as read [g·mm].

    U = m·a/ω² with a the peak along one direction of the circle: √2 of that direction's r.m.s., and two directions
    share the level summed over axes. Hand, housing modes and the lever to the sensor are left out: an estimate.
    """
    acceleration = one.amplitude_mps2  # √2·(rms total/√2)
    return float(mass_kg * acceleration / (2.0 * math.pi * one.frequency_hz) ** 2 * 1e6)


def _harmonics(notes: Notes, readings: list[Line | None], one: Line) -> None:
    known = [r for r in readings if r is not None]
    if not known:
        return
    strongest = max(known, key=lambda r: r.over_floor_db)
    notes.put("harmonics_one", decibels(root_sum(known), one.amplitude_mps2), strongest)
    notes.put("harmonics_count", float(sum(r.over_floor_db > _SIGNIFICANT_DB for r in known)), strongest)
    notes.put("harmonics_over", float(np.mean([max(0.0, r.over_floor_db) for r in known])), strongest)


def _halves(notes: Notes, readings: list[Line | None]) -> None:
    known = [r for r in readings if r is not None]
    if not known:
        return
    strongest = max(known, key=lambda r: r.over_floor_db)
    notes.put("half_over", float(np.mean([max(0.0, r.over_floor_db) for r in known])), strongest)


def mesh_features(views: SignalViews, tool: ToolSheet, mesh: Mesh) -> Notes | None:
    """Return what a gear pair's lines say; None where its teeth or speed are unknown or the rate cannot carry them."""
    if mesh.driver_teeth is None or mesh.driver not in views.ratios:
        return None
    name, view = f"mesh {mesh.driver}-{mesh.driven}", views.orders
    at = mesh.driver_teeth * views.ratios[mesh.driver]
    one = view.read(name, at, 0.0005)
    if one is None:
        return None
    notes = Notes()
    two, three = view.read(f"2x {name}", 2 * at, 0.0005), view.read(f"3x {name}", 3 * at, 0.0005)
    notes.put("mesh_over", one.over_floor_db, one)
    notes.put("level_mesh", decibels(one.amplitude_mps2, 1.0), one)
    notes.put("mesh_share", decibels(root_sum([one, two, three]), views.high_band_mps2), one)
    if two is not None:
        notes.put("level_mesh_two", decibels(two.amplitude_mps2, 1.0), two)
        notes.put("mesh_two", decibels(two.amplitude_mps2, one.amplitude_mps2), two)
        notes.put("mesh_two_over", two.over_floor_db, two)
    gears = ((mesh.driver, mesh.driver_teeth), (mesh.driven, mesh.driven_teeth))
    turning = [(shaft, teeth) for shaft, teeth in gears if shaft in views.ratios]
    _of_either_gear(notes, views, tool, [shaft for shaft, _ in turning], at, one)
    notes.put("tooth_kurtosis", max(0.0, *(views.turn_kurtosis(shaft, teeth) for shaft, teeth in turning)))
    knocks = [views.envelope.read(f"{shaft} 1x, envelope", views.ratios[shaft]) for shaft, _ in turning]
    knock = max((k for k in knocks if k is not None), key=lambda k: k.over_floor_db, default=None)
    if knock is not None:
        notes.put("knock", knock.over_floor_db, knock)
    return notes


def _of_either_gear(
    notes: Notes, views: SignalViews, tool: ToolSheet, shafts: list[str], at: float, carrier: Line
) -> None:
    """Note the sidebands of the gear whose are strongest, and how strong the other's are.

    A gear off centre, or with one bad tooth, adds those of its own shaft, whichever of the two it sits on.
    """
    near = {shaft: sidebands(views, tool, carrier.name, at, shaft, (1, 2)) for shaft in shafts}
    by_level = sorted((shaft for shaft in shafts if near[shaft]), key=lambda shaft: -root_sum(near[shaft]))
    for role, shaft in zip(("most", "least"), by_level, strict=False):
        strongest = max(near[shaft], key=lambda r: r.amplitude_mps2)
        notes.put(f"side_{role}", decibels(root_sum(near[shaft]), carrier.amplitude_mps2), strongest)
        if role == "most":
            notes.put("side_over", strongest.over_floor_db, strongest)
    far = sidebands(views, tool, carrier.name, at, by_level[0], range(3, 9)) if by_level else []
    if far:
        strongest = max(far, key=lambda r: r.amplitude_mps2)
        notes.put("side_far", decibels(root_sum(far), carrier.amplitude_mps2), strongest)
        notes.put("side_count", float(sum(r.over_floor_db > _SIGNIFICANT_DB for r in far)), strongest)


def sidebands(
    views: SignalViews, tool: ToolSheet, name: str, at: float, shaft: str, steps: Iterable[int]
) -> list[Line]:
    """Return the sidebands of a carrier so many turns of a shaft off it, but for those that fall on another line.

    In a train of whole teeth many do: what stands there is the line of a shaft, a fan or another mesh.
    """
    reach = 2.0 * views.orders.floored.spectrum.resolution  # half the main lobe of a Hann window
    others = own_orders(tool, views.ratios)
    others = others[np.abs(others - at) > reach]
    places = [(k, at + k * views.ratios[shaft]) for step in steps for k in (-step, step)]
    apart = [(k, order) for k, order in places if np.all(np.abs(others - order) > reach)]
    lines = [views.orders.read(f"{name} {k:+d} {shaft}", order) for k, order in apart]
    return [line for line in lines if line is not None]


def own_orders(tool: ToolSheet, ratios: Mapping[str, float]) -> FloatArray:
    """Return the orders of shafts (1x to 3x), fan and commutator (1x, 2x) and meshes (1x to 4x) that a sheet states."""
    orders: list[float] = []
    for shaft in (s for s in tool.shafts if s.name in ratios):
        blades, bars = shaft.fan_blades or 0, shaft.commutator_bars or 0
        orders += [n * ratios[shaft.name] for n in (1, 2, 3, blades, 2 * blades, bars, 2 * bars) if n]
    for mesh in (m for m in tool.meshes if m.driver in ratios and m.driver_teeth):
        orders += [n * ratios[mesh.driver] * (mesh.driver_teeth or 0) for n in (1, 2, 3, 4)]
    return np.array(orders)


def ripple_features(views: SignalViews, tool: ToolSheet, motor: str, bars: int) -> Notes:
    """Return what the commutator's line says: its level, and the sidebands that one bad bar adds once per turn."""
    notes, at = Notes(), bars * views.ratios[motor]
    ripple = views.orders.read(f"{motor} commutator", at, 0.0005)
    if ripple is None:
        return notes
    notes.put("ripple_over", ripple.over_floor_db, ripple)
    notes.put("ripple_share", decibels(ripple.amplitude_mps2, views.high_band_mps2), ripple)
    seen = sidebands(views, tool, ripple.name, at, motor, (1, 2))
    if seen:
        strongest = max(seen, key=lambda r: r.over_floor_db)
        notes.put("ripple_side", strongest.over_floor_db, strongest)
    return notes


def mains_features(views: SignalViews, line_hz: float | None, mass_kg: float | None) -> tuple[Notes, str]:
    """Return what the line at twice the mains frequency says, and else the reason why it says nothing."""
    notes = Notes()
    if line_hz is None:
        return notes, 'the tool sheet does not name a mains supply (supply = "mains 50 Hz")'
    doubled = 2.0 * line_hz
    crossing = crossing_shaft(views, doubled)
    if crossing is not None:
        return notes, f"a line of {crossing} runs across {doubled:g} Hz: record at another speed"
    pull = views.hertz.read("mains 2x", doubled, 0.005)
    if pull is not None:
        notes.put("mains_over", pull.over_floor_db, pull)
        notes.put("mains_share", decibels(pull.amplitude_mps2, views.low_band_mps2), pull)
        seen = pull.over_floor_db >= _SEEN_DB
        if seen:
            notes.put("mains_level", decibels(pull.amplitude_mps2, 1.0), pull)
        if seen and mass_kg:
            notes.put("mains_force", decibels(mass_kg * pull.amplitude_mps2, 1.0), pull)  # dB over 1 N, free body
    return notes, "the sample rate does not carry twice the mains frequency"


def crossing_shaft(views: SignalViews, hz: float) -> str | None:
    """Return the name of a shaft one of whose first three harmonics comes within 3 % of a fixed frequency."""
    for shaft in views.speed.shafts:
        for n in (1, 2, 3):
            if 0.97 * n * shaft.min_hz <= hz <= 1.03 * n * shaft.max_hz:
                return f"{shaft.name} {n}x"
    return None


def sweep_features(views: SignalViews, shaft: str) -> tuple[Notes, str]:
    """Return what the 1x line does while the speed runs up or down, and else the reason why it says nothing.

    Unbalance alone drives with ω²: level over ω² stays as it is over speed. A part of the structure that resonates at
    running speed answers more there than on the way: `swept_gain` is how much more [dB].
    """
    notes, ratio = Notes(), views.speed.ratios[shaft]
    swept = order_map(views.recording, views.speed, [ratio])
    hz, (level, floor) = swept.hz * ratio, swept.loudest(0)
    known = np.isfinite(hz) & (hz > 0) & (level > 2.0 * floor)
    running = known & (hz > 0.93 * np.nanmax(hz, initial=0.0))
    on_the_way = known & (hz > 0.45 * np.nanmax(hz, initial=0.0)) & (hz < 0.8 * np.nanmax(hz, initial=0.0))
    if running.sum() < 4 or on_the_way.sum() < 4:
        return notes, "needs a recording through a range of speeds: switch on and off while it records"
    gain = 20.0 * np.log10(level / hz**2)
    rise = float(np.median(gain[running]) - np.median(gain[on_the_way]))
    if abs(rise) > _IMPLAUSIBLE_DB:
        return notes, "the speed could not be followed through the run-up: use a tachometer"
    notes.put("swept_gain", rise, views.orders.read(f"{shaft} 1x", views.ratios[shaft]))
    return notes, ""
