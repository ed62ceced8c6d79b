"""Names for the lines found: what the tool sheet predicts there, and what carries on a series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vibekit.machine.spectra.reading import FlooredSpectrum, LineReading
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.machine.train.drivetrain import BEARING_HARMONICS, SHAFT_HARMONICS, ExpectedLine
from vibekit.recording.recording import FloatArray

_SHOWN = 60  # lines listed, the clearest ones
_IN_STEP = 0.05  # of a rate: further off a multiple of it, a line is not in step with it
_SPEED_ERROR = 1e-3  # of the frequency: what a speed read from lines leaves open
_SERIES = 1e-3  # of the frequency: how evenly the multiples of a rate that slips lie


@dataclass(frozen=True)
class NamedLine:
    """A line found: `frequency_hz`, `order` on shaft `of` (None without a speed), r.m.s. `amplitude` [m/s²] per axis.

    `names` are the expected lines it fits; `not_separable` those among them, or beside it, that lie closer together
    than the resolution, so that the level belongs to all of them together.
    """

    frequency_hz: float
    order: float | None
    of: str | None
    amplitude: FloatArray
    over_floor_db: FloatArray
    names: tuple[str, ...]
    not_separable: tuple[str, ...]


def named_lines(
    found: Sequence[LineReading],
    expected: Sequence[ExpectedLine],
    floored: FlooredSpectrum,
    hz_per_unit: float,
    speed: SpeedEstimate,
) -> tuple[NamedLine, ...]:
    """Return the clearest of the lines found, each with its order and the expected lines that it fits."""
    resolution = floored.spectrum.resolution * hz_per_unit
    clearest = sorted(found, key=lambda reading: -reading.best_db)[:_SHOWN]
    turning = speed.shaft_hz.get(speed.of)
    over_orders = floored.spectrum.frequency_unit == "orders"
    lines = []
    for reading in sorted(clearest, key=lambda r: r.frequency):
        hz = reading.frequency * hz_per_unit
        names = fitting(hz, expected, resolution, 0.0 if over_orders else wander(speed))
        order = None if turning is None else reading.frequency if over_orders else hz / turning
        close = [e.name for e in expected if abs(e.frequency_hz - hz) <= resolution]
        lines.append(
            NamedLine(
                hz,
                order,
                speed.of if turning else None,
                reading.amplitude,
                reading.over_floor_db,
                names,
                tuple(close) if len(close) > 1 else (),
            )
        )
    return tuple(_continued(lines, expected, resolution))


def _continued(lines: Sequence[NamedLine], expected: Sequence[ExpectedLine], resolution_hz: float) -> list[NamedLine]:
    """Return the lines, those named that carry on the series of a bearing's rate whose once and twice are there.

    Slip moves all multiples of a rate alike, so that they lie evenly, closer than the sheet alone can say.
    """
    firsts = {line.names[0]: line for line in reversed(lines) if line.names}
    of_bearings = {e.name for e in expected if e.kind == "bearing"}
    named = list(lines)
    for rate in (e.part for e in expected if e.kind == "bearing" and e.harmonic == 1 and not e.sideband):
        if rate not in firsts or f"2x {rate}" not in firsts:
            continue
        spacing = firsts[f"2x {rate}"].frequency_hz / 2.0
        for i, line in enumerate(named):
            multiple = round(line.frequency_hz / spacing)
            reach = min(max(0.75 * resolution_hz, _SERIES * line.frequency_hz), _IN_STEP * spacing)
            near = abs(line.frequency_hz - multiple * spacing) <= reach
            if near and multiple > BEARING_HARMONICS and of_bearings.issuperset(line.names[:1]):
                named[i] = replace(line, names=(f"{multiple}x {rate}", *line.names)[:3])
    return named


def wander(speed: SpeedEstimate) -> float:
    """Return the share by which the speed wanders about its median while the tool is at speed (a robust spread)."""
    shaft = next((s for s in speed.shafts if s.name == speed.of), None)
    if shaft is None:
        return 0.0
    known = speed.hz[np.isfinite(speed.hz) & (speed.hz >= shaft.min_hz) & (speed.hz <= shaft.max_hz)]
    return float(np.median(np.abs(known / shaft.median_hz - 1.0))) if known.size else 0.0


def fitting(hz: float, expected: Sequence[ExpectedLine], resolution_hz: float, spread: float = 0.0) -> tuple[str, ...]:
    """Return the names of the expected lines that a line at `hz` fits, the closest first.

    A line tied to the train fits within the resolution (and what the speed wanders, `spread`), higher multiples of a
    shaft's rate than the sheet's lines go to as well; a bearing line also within its slip, but only where nothing that
    is tied to the train fits.
    """

    def off(line: ExpectedLine) -> float:
        return abs(line.frequency_hz - hz)

    def within(line: ExpectedLine) -> float:
        return max(0.75 * resolution_hz, (_SPEED_ERROR + spread) * hz if line.shaft else 0.0)

    tied = [e for e in expected if e.kind != "bearing" and off(e) <= within(e)]
    if tied:
        # a plain harmonic or mesh line is likelier than a high sideband that happens to lie as close
        ranked = sorted(tied, key=lambda e: (e.kind == "sideband", off(e)))
        return tuple(dict.fromkeys(e.name for e in ranked[:3]))
    for turning in sorted(
        (e for e in expected if e.kind == "shaft" and e.harmonic == 1), key=lambda e: -e.frequency_hz
    ):
        multiple = round(hz / turning.frequency_hz)
        reach = min(within(turning), _IN_STEP * turning.frequency_hz)
        if multiple > SHAFT_HARMONICS and abs(hz - multiple * turning.frequency_hz) <= reach:
            return (f"{turning.part} {multiple}x",)
    slipped = [e for e in expected if e.kind == "bearing" and off(e) <= max(resolution_hz, e.tolerance * hz)]
    return tuple(dict.fromkeys(e.name for e in sorted(slipped, key=off)[:3]))
