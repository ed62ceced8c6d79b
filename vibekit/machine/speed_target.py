"""What is looked for where a speed is told from lines: which shaft, which orders, which speeds; and what is found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.errors import Notice
from vibekit.machine.drivetrain import ExpectedLine, expected_lines
from vibekit.machine.judge import Comb, comb_of
from vibekit.machine.salience import ExpectedOrder
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import ToolSheet

UNKNOWN_RANGE_HZ = (5.0, 600.0)  # shafts of handheld rotary tools without a sheet: 300 to 36 000 rpm (no source)
RATED_RANGE = (0.25, 1.2)  # of the rated speed: speed dials and load below, supply above
READ_RANGE = (0.6, 1.7)  # of a speed read by other means, which may be that under load or that without

_USUAL, _STEEP, _RAREST = (0.66, 1.08), 8.0, 4.0  # of the rated speed; loss per factor of e beyond, at most (no source)

# How often the n-th harmonic of a shaft stands over the noise in a running tool (common practice, no source)
_HARMONICS = (0.9, 0.6, 0.5, 0.4, 0.4, 0.3, 0.3, 0.3, 0.2, 0.2)
_OTHER_SHAFT = (0.8, 0.4, 0.3)

# The same over the whole recording, in which more stands (line statistics of five sets, none of them our simulation)
_COMB = {float(n): 0.9 / n**0.5 for n in range(1, 25)} | {n + 0.5: 0.15 for n in range(5)}
_OTHER, _MESH, _SIDEBAND, _PARTS = (0.7, 0.4, 0.3), (0.7, 0.5, 0.4), 0.3, 0.3


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
    comb: Comb
    low_hz: float
    high_hz: float
    slowest_hz: float | None
    rated_hz: float | None
    read_hz: float | None
    narrowed: bool
    tied: bool

    def unusual(self, hz: float) -> float:
        """Return what a speed loses against a usual one: tools run at two thirds to a tenth above the rated speed."""
        if self.rated_hz is None:
            return 0.0
        share = hz / self.rated_hz
        return min(_RAREST, _STEEP * max(0.0, float(np.log(_USUAL[0] / share)), float(np.log(share / _USUAL[1]))))


def target_of(tool: ToolSheet | None, read_hz: float | None) -> Target:
    """Return what to look for: the output shaft where its speed is known or tied to one that is, else a rated one."""
    comb = tuple(ExpectedOrder(float(n), p) for n, p in enumerate(_HARMONICS, 1))
    rated = tool.rated_hz if tool else {}
    of = tool.output_shaft if tool else None
    if tool is not None and of not in rated and read_hz is None and rated:
        of = next(iter(rated))
    orders = tuple(_orders(tool, of)) if tool and of else comb
    whole = _comb(tool, of)
    slowest = rated.get(of) if of else None
    tied = tool is not None and of is not None and any(s.name != of and tool.ratio(s.name, of) for s in tool.shafts)
    read = _read_of(tool, of, read_hz)
    if slowest is not None:
        low, high = (share * slowest for share in RATED_RANGE)
        if read is not None:  # the sheet may be another tool's, the reading is of this one
            low, high = min(low, READ_RANGE[0] * read), max(high, READ_RANGE[1] * read)
        return Target(of, orders, whole, low, high, 0.6 * slowest, slowest, read, True, tied)
    if read is not None:
        low, high = (share * read for share in READ_RANGE)
        return Target(of, orders, whole, low, high, 0.8 * read, None, read, True, tied)
    return Target(of, orders, whole, *UNKNOWN_RANGE_HZ, None, None, None, False, tied)


def _read_of(tool: ToolSheet | None, of: str | None, read_hz: float | None) -> float | None:
    """Return the speed of shaft `of` by that read of the output shaft, None where the train does not tie them."""
    if read_hz is None or tool is None or of is None or tool.output_shaft in (None, of):
        return read_hz
    turns = tool.ratio(of, str(tool.output_shaft))
    return None if turns is None else turns * read_hz


def _comb(tool: ToolSheet | None, of: str | None) -> Comb:
    """Return what a whole recording is judged by: harmonics of the shaft, and every line the sheet ties to it."""
    chances, own = dict(_COMB), set()
    for line in expected_lines(tool, {of: 1.0}) if tool and of else ():
        likely = _likely(line, of)
        order = round(line.frequency_hz, 9)
        if likely > 0.0:
            own.add(order)
            chances[order] = max(likely, chances.get(order, 0.0))
    return comb_of([ExpectedOrder(order, likely) for order, likely in sorted(chances.items())], frozenset(own))


def _likely(line: ExpectedLine, of: str | None) -> float:
    """Return the chance that a line stands of a part other than the shaft followed, 0 where it says little."""
    n = round(line.harmonic)
    if line.kind == "shaft" and line.shaft != of:
        return _OTHER[n - 1] if n <= len(_OTHER) else 0.0
    if line.kind == "mesh":
        return _MESH[n - 1]
    if line.kind == "sideband":
        return _SIDEBAND if n == 1 and abs(line.sideband) == 1 else 0.0
    return _PARTS if line.kind in ("commutation", "fan", "accessory") and n == 1 else 0.0


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
