"""The orders that a tool's lines stand at, each with its chance to stand over the noise: one catalogue for all views.

Parts, orders and names come from the tool sheet by `drivetrain.expected_lines`; the chances are written here and
nowhere else. They were read off bearing and gear rigs, motors and drills by sound and tools of another simulation, none
of them ours (rounded; a half more or less changes no answer there).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.train.drivetrain import ExpectedLine, expected_lines
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import ToolSheet

_HARMONIC = 0.9  # of the shaft followed: the n-th stands with 0.9/√n
_HARMONICS, _FRAME_HARMONICS = 24, 10  # looked for in a whole recording; in a short frame, which shows less
_HALF, _HALVES = 0.15, 5  # half orders of a worn bush
_OTHER, _MESH = (0.7, 0.4, 0.3), (0.7, 0.5, 0.4)  # once, twice, three times: other shafts, meshes
_SIDEBAND, _PART = 0.3, 0.3  # first pair about the mesh; bars, blades, segments, each once
_MULTIPLES = range(2, 10)  # of the speed: faster combs that explain their own lines
_FIRST = (1.0, 2.0, 3.0)  # once, twice and three times per turn


@dataclass(frozen=True)
class ExpectedOrder:
    """An order on the shaft looked for, and how likely its line is to stand over the noise."""

    order: float
    likely: float


@dataclass(frozen=True)
class Comb:
    """Orders looked for with their chances; `multiples`, shape (8, n): which are whole multiples of 2, 3, ... 9.

    `first`: once, twice and three times per turn, and the orders of known parts.
    """

    orders: FloatArray
    chances: FloatArray
    multiples: NDArray[np.bool_]
    first: NDArray[np.bool_]


def frame_orders(tool: ToolSheet | None, of: str | None) -> tuple[ExpectedOrder, ...]:
    """Return what is looked for in each short frame on shaft `of`: harmonics, and every line the sheet ties to it."""
    chances = {float(n): _HARMONIC / n**0.5 for n in range(1, _FRAME_HARMONICS + 1)}
    return _sorted(_with_parts(chances, tool, of)[0])


def comb(tool: ToolSheet | None, of: str | None) -> Comb:
    """Return what a whole recording is judged by: more harmonics, half orders, and every line of the sheet."""
    chances = {float(n): _HARMONIC / n**0.5 for n in range(1, _HARMONICS + 1)}
    chances |= {n + 0.5: _HALF for n in range(_HALVES)}
    return comb_of(*_with_parts(chances, tool, of))


def comb_of(chances: dict[float, float], own: Sequence[float] = ()) -> Comb:
    """Return the comb of some orders; those in `own` are of known parts: no faster comb explains them away."""
    orders = _sorted(chances)
    places = np.array([o.order for o in orders])
    multiples = np.array([[abs(k / m - round(k / m)) < 1e-6 and k not in own for k in places] for m in _MULTIPLES])
    first = np.array([k in _FIRST or k in own for k in places])
    return Comb(places, np.array([o.likely for o in orders]), multiples, first)


def _sorted(chances: dict[float, float]) -> tuple[ExpectedOrder, ...]:
    return tuple(ExpectedOrder(order, likely) for order, likely in sorted(chances.items()))


def _with_parts(
    chances: dict[float, float], tool: ToolSheet | None, of: str | None
) -> tuple[dict[float, float], tuple[float, ...]]:
    """Return chances with those of the lines that other parts of a sheet make, and the orders of these."""
    own = []
    for line in expected_lines(tool, {of: 1.0}) if tool and of else ():
        likely, order = _likely(line, of), round(line.frequency_hz, 9)  # at 1 Hz of the shaft, frequency is order
        if likely > 0.0:
            own.append(order)
            chances[order] = max(likely, chances.get(order, 0.0))
    return chances, tuple(own)


def _likely(line: ExpectedLine, of: str | None) -> float:
    """Return the chance that a line stands of a part other than the shaft followed, 0 where it says little."""
    n = round(line.harmonic)
    if line.kind == "shaft" and line.shaft != of:
        return _OTHER[n - 1] if n <= len(_OTHER) else 0.0
    if line.kind == "mesh":
        return _MESH[n - 1]
    if line.kind == "sideband":
        return _SIDEBAND if n == 1 and abs(line.sideband) == 1 else 0.0
    return _PART if line.kind in ("commutation", "fan", "accessory") and n == 1 else 0.0
