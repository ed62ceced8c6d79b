"""What is looked for where a speed is told from lines: which shaft, which orders, which speeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.machine.train.catalogue import Comb, ExpectedOrder, comb, frame_orders
from vibekit.recording.toolsheet import ToolSheet

UNKNOWN_RANGE_HZ = (5.0, 600.0)  # shafts of handheld rotary tools without a sheet: 300 to 36 000 rpm (no source)
RATED_RANGE = (0.25, 1.2)  # of the rated speed: speed dials and load below, supply above
READ_RANGE = (0.6, 1.7)  # of a speed read by other means, which may be that under load or that without

_USUAL, _STEEP, _RAREST = (0.66, 1.08), 8.0, 4.0  # of the rated speed; loss per factor of e beyond, at most (no source)


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
    rated = tool.rated_hz if tool else {}
    of = tool.output_shaft if tool else None
    if tool is not None and of not in rated and read_hz is None and rated:
        of = next(iter(rated))
    orders, whole = frame_orders(tool, of), comb(tool, of)
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
