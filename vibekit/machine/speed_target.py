"""What is looked for where a speed is told from lines: which shaft, which orders, which speeds; and what is found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.errors import Notice
from vibekit.machine.drivetrain import expected_lines
from vibekit.machine.salience import ExpectedOrder
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import ToolSheet

UNKNOWN_RANGE_HZ = (5.0, 600.0)  # shafts of handheld rotary tools without a sheet: 300 to 36 000 rpm (no source)
RATED_RANGE = (0.25, 1.2)  # of the rated speed: speed dials and load below, supply above
READ_RANGE = (0.6, 1.7)  # of a speed read by other means, which may be that under load or that without

# How often the n-th harmonic of a shaft stands over the noise in a running tool (common practice, no source)
_HARMONICS = (0.9, 0.6, 0.5, 0.4, 0.4, 0.3, 0.3, 0.3, 0.2, 0.2)
_OTHER_SHAFT = (0.8, 0.4, 0.3)


@dataclass(frozen=True)
class Rival:
    """Another speed [Hz] that the recording does not rule out, and why it was put second."""

    hz: float
    reason: str


@dataclass(frozen=True)
class LineSpeed:
    """A track `time_s`, `hz` (NaN: nothing to follow; both empty: no speed), with confidence, rivals and notices."""

    time_s: FloatArray
    hz: FloatArray
    confidence: float
    rivals: tuple[Rival, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class Target:
    """What is looked for: the shaft, its orders, the speeds it may have [Hz], and its likeliest speed.

    `tied`: a train with known teeth ties the shaft to another, so that the orders single it out.
    """

    of: str | None
    orders: tuple[ExpectedOrder, ...]
    low_hz: float
    high_hz: float
    slowest_hz: float | None
    rated_hz: float | None
    narrowed: bool
    tied: bool


def target_of(tool: ToolSheet | None, read_hz: float | None) -> Target:
    """Return what to look for: the output shaft where its speed is known or tied to one that is, else a rated one."""
    comb = tuple(ExpectedOrder(float(n), p) for n, p in enumerate(_HARMONICS, 1))
    rated = tool.rated_hz if tool else {}
    of = tool.output_shaft if tool else None
    if tool is not None and of not in rated and read_hz is None and rated:
        of = next(iter(rated))
    orders = tuple(_orders(tool, of)) if tool and of else comb
    slowest = rated.get(of) if of else None
    tied = tool is not None and of is not None and any(s.name != of and tool.ratio(s.name, of) for s in tool.shafts)
    if slowest is not None:
        low, high = (share * slowest for share in RATED_RANGE)
        return Target(of, orders, low, high, 0.6 * slowest, slowest, True, tied)
    if read_hz is not None:
        low, high = (share * read_hz for share in READ_RANGE)
        return Target(of, orders, low, high, 0.8 * read_hz, read_hz, True, tied)
    return Target(of, orders, *UNKNOWN_RANGE_HZ, None, None, False, tied)


def _orders(tool: ToolSheet, of: str) -> list[ExpectedOrder]:
    """Return the orders on shaft `of` of every line that the sheet predicts and that turns with the shafts."""
    chances: dict[float, float] = {}
    for line in expected_lines(tool, {of: 1.0}):
        if line.kind == "shaft":
            table = _HARMONICS if line.shaft == of else _OTHER_SHAFT
            likely = table[round(line.harmonic) - 1] if line.harmonic <= len(table) else 0.0
        elif line.kind == "mesh":
            likely = 0.6 if line.harmonic == 1 else 0.4
        elif line.kind == "sideband":
            likely = 0.3 if line.harmonic == 1 and abs(line.sideband) == 1 else 0.0
        else:
            likely = 0.3 if line.kind in ("commutation", "fan") and line.harmonic == 1 else 0.0
        order = round(line.frequency_hz, 9)  # at 1 Hz of the shaft, frequency is order
        if likely > 0:
            chances[order] = max(likely, chances.get(order, 0.0))
    return [ExpectedOrder(order, likely) for order, likely in sorted(chances.items())]


def nothing_found(notice: Notice, rivals: Sequence[Rival]) -> LineSpeed:
    """Return that no speed was found, and why."""
    nothing = np.empty(0)
    return LineSpeed(nothing, nothing, 0.0, tuple(rivals), (notice,))
