"""What a drive train must produce: bearing, mesh and shaft lines from geometry and speed; pure formulas."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from vibekit.recording.toolsheet import Bearing, Mesh, Shaft, ToolSheet

LineKind = Literal[
    "shaft", "sub-harmonic", "mesh", "sideband", "hunting tooth", "bearing", "commutation", "fan", "mains", "accessory"
]

SHAFT_HARMONICS = 10
MESH_HARMONICS = 3
BEARING_HARMONICS = 3
SIDEBANDS = 3
SHAFT_TOLERANCE = 0.002  # of the frequency: what a measured speed leaves open
MAINS_TOLERANCE = 0.005  # public supplies stay within 1 % of nominal 99.5 % of the year (EN 50160 4.2.1, from memory)
SLIP_TOLERANCE = 0.02  # rolling bearings slip 1 to 2 % off their kinematic rates (Randall & Antoni 2011, from memory)


@dataclass(frozen=True)
class BearingOrders:
    """Defect rates of a rolling bearing with a fixed outer ring, per turn of the shaft.

    `rolling_element` is the spin rate of an element; a fault on it strikes both races, at twice that rate.
    """

    outer_race: float
    inner_race: float
    rolling_element: float
    cage: float


@dataclass(frozen=True)
class ExpectedLine:
    """A line that the tool sheet and the speed predict.

    `name` in plain words; `order` turns of `shaft` per event (both None for mains lines); `tolerance` the share of the
    frequency by which the line may lie off; `part` the shaft, mesh or bearing it speaks of; `harmonic` its multiple of
    the basic rate; `sideband` the signed distance from a carrier in turns of `modulator` (0, None for carriers).
    """

    name: str
    kind: LineKind
    frequency_hz: float
    tolerance: float
    part: str
    shaft: str | None = None
    order: float | None = None
    harmonic: float = 1.0
    sideband: int = 0
    modulator: str | None = None


def bearing_orders(balls: int, ball_mm: float, pitch_mm: float, contact_deg: float = 0.0) -> BearingOrders:
    """Return the kinematic defect rates of a rolling bearing per shaft turn, outer ring fixed, no slip.

    Source: Randall & Antoni, Mechanical Systems and Signal Processing 25 (2011), eq. 1 to 4 (from memory).

    Raises:
        ValueError: fewer than two elements, or elements as large as the pitch circle.
    """
    if balls < 2 or not 0 < ball_mm < pitch_mm:
        raise ValueError(f"{balls} elements of {ball_mm:g} mm on a {pitch_mm:g} mm pitch circle are no bearing")
    share = ball_mm / pitch_mm * math.cos(math.radians(contact_deg))
    return BearingOrders(
        outer_race=balls / 2.0 * (1.0 - share),
        inner_race=balls / 2.0 * (1.0 + share),
        rolling_element=pitch_mm / (2.0 * ball_mm) * (1.0 - share * share),
        cage=(1.0 - share) / 2.0,
    )


def mesh_order(driver_teeth: int) -> float:
    """Return the mesh rate per turn of the driver: its tooth count."""
    return float(driver_teeth)


def hunting_tooth_order(driver_teeth: int, driven_teeth: int) -> float:
    """Return how often the same two teeth meet, per turn of the driver: gcd / driven teeth.

    Source: hunting-tooth frequency = mesh · gcd / (Zp · Zg), maintenance training text (from memory).
    """
    return math.gcd(driver_teeth, driven_teeth) / driven_teeth


def shaft_speeds(tool: ToolSheet, shaft: str, hz: float) -> dict[str, float]:
    """Return the speed of every shaft that the train ties to `shaft` turning at `hz` [Hz], in sheet order."""
    ratios = {s.name: tool.ratio(s.name, shaft) for s in tool.shafts}
    return {name: ratio * hz for name, ratio in ratios.items() if ratio is not None}


def expected_lines(
    tool: ToolSheet, shaft_hz: Mapping[str, float], max_hz: float | None = None
) -> tuple[ExpectedLine, ...]:
    """Return every line that the sheet predicts at the shaft speeds `shaft_hz` [Hz], rising in frequency.

    Speeds of shafts that are not named are taken from the train where its tooth counts are known. Lines above
    `max_hz` are left out. What the sheet does not say (teeth, bearing geometry, bars) predicts nothing.
    """
    speeds = dict(shaft_hz)
    for known, hz in shaft_hz.items():
        for name, derived in shaft_speeds(tool, known, hz).items():
            speeds.setdefault(name, derived)
    lines: list[ExpectedLine] = []
    for shaft in tool.shafts:
        if shaft.name in speeds:
            lines += _shaft_lines(shaft, speeds[shaft.name])
    for mesh in tool.meshes:
        lines += _mesh_lines(mesh, speeds)
    for bearing in tool.bearings:
        if bearing.shaft in speeds:
            lines += _bearing_lines(bearing, speeds[bearing.shaft])
    lines += _mains_lines(tool)
    lines += _segment_lines(tool, speeds)
    kept = [line for line in lines if line.frequency_hz > 0 and (max_hz is None or line.frequency_hz <= max_hz)]
    return tuple(sorted(kept, key=lambda line: line.frequency_hz))


def _multiple(harmonic: float, name: str) -> str:
    return name if harmonic == 1 else f"{harmonic:g}x {name}"


def _shaft_lines(shaft: Shaft, hz: float) -> Iterator[ExpectedLine]:
    name = shaft.name

    def line(label: str, kind: LineKind, order: float, harmonic: float) -> ExpectedLine:
        return ExpectedLine(label, kind, order * hz, SHAFT_TOLERANCE, name, name, order, harmonic)

    for n in range(1, SHAFT_HARMONICS + 1):
        yield line(f"{name} {n}x", "shaft", n, n)
    for half in (
        Fraction(1, 2),
        Fraction(3, 2),
        Fraction(5, 2),
    ):  # truncated motion in a worn bush repeats every 2nd turn
        yield line(f"{name} {half}x", "sub-harmonic", float(half), float(half))
    for count, word, kind in ((shaft.commutator_bars, "commutator", "commutation"), (shaft.fan_blades, "fan", "fan")):
        for n in (1, 2) if count else ():
            yield line(_multiple(n, f"{name} {word}"), kind, n * (count or 0), n)  # type: ignore[arg-type]


def _mesh_lines(mesh: Mesh, speeds: Mapping[str, float]) -> Iterator[ExpectedLine]:
    """Yield mesh harmonics and, around the first two, sidebands of both shafts; orders on the driver."""
    if mesh.driver_teeth is None or mesh.driver not in speeds:
        return
    hz, teeth, part = speeds[mesh.driver], mesh_order(mesh.driver_teeth), f"mesh {mesh.driver}-{mesh.driven}"
    turns = {mesh.driver: 1.0}
    if mesh.driven in speeds:
        turns[mesh.driven] = speeds[mesh.driven] / hz

    def line(
        label: str, kind: LineKind, order: float, n: float, sideband: int = 0, of: str | None = None
    ) -> ExpectedLine:
        return ExpectedLine(label, kind, order * hz, SHAFT_TOLERANCE, part, mesh.driver, order, n, sideband, of)

    for n in range(1, MESH_HARMONICS + 1):
        carrier = _multiple(n, part)
        yield line(carrier, "mesh", n * teeth, n)
        for k in range(1, SIDEBANDS + 1) if n <= 2 else ():
            for name, turn in turns.items():
                for signed in (-k, k):
                    label = f"{carrier} {signed:+d} {name}"
                    yield line(label, "sideband", n * teeth + signed * turn, n, signed, name)
    if mesh.driven_teeth is not None:
        order = hunting_tooth_order(mesh.driver_teeth, mesh.driven_teeth)
        yield line(f"hunting tooth {mesh.driver}-{mesh.driven}", "hunting tooth", order, 1.0)


def _bearing_lines(bearing: Bearing, hz: float) -> Iterator[ExpectedLine]:
    """Yield defect rates: inner race with sidebands of the shaft, rolling element with sidebands of the cage."""
    if bearing.balls is None or bearing.ball_mm is None or bearing.pitch_mm is None:
        return
    rates = bearing_orders(bearing.balls, bearing.ball_mm, bearing.pitch_mm, bearing.contact_deg)
    parts = (
        ("outer race", rates.outer_race, None, 0.0),
        ("inner race", rates.inner_race, bearing.shaft, 1.0),
        ("rolling element", 2.0 * rates.rolling_element, f"{bearing.name} cage", rates.cage),
        ("cage", rates.cage, None, 0.0),
    )
    for place, order, modulator, turn in parts:
        for n in range(1, BEARING_HARMONICS + 1):
            carrier = _multiple(n, f"{bearing.name} {place}")
            for k in (0, -1, 1) if modulator else (0,):
                at = n * order + k * turn
                yield ExpectedLine(
                    f"{carrier} {k:+d} {modulator}" if k else carrier,
                    "bearing",
                    at * hz,
                    SLIP_TOLERANCE,
                    f"{bearing.name} {place}",
                    bearing.shaft,
                    at,
                    n,
                    k,
                    modulator if k else None,
                )


def _segment_lines(tool: ToolSheet, speeds: Mapping[str, float]) -> Iterator[ExpectedLine]:
    """Yield the rate at which the accessory's segments meet the work, and twice it: segments x turns."""
    shaft, segments = tool.output_shaft, tool.accessory.segments if tool.accessory else None
    for n in (1, 2) if segments and shaft in speeds else ():
        order = float(n * (segments or 0))
        name = _multiple(n, f"{shaft} segments")
        hz = order * speeds[shaft or ""]
        yield ExpectedLine(name, "accessory", hz, SHAFT_TOLERANCE, "accessory", shaft, order, n)


def _mains_lines(tool: ToolSheet) -> Iterator[ExpectedLine]:
    """Yield the supply's own lines: torque of an AC motor pulses at twice the mains frequency."""
    for n in (1, 2, 4) if tool.line_hz else ():
        yield ExpectedLine(f"mains {n}x", "mains", n * (tool.line_hz or 0.0), MAINS_TOLERANCE, "mains", harmonic=n)
