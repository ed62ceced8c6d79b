"""Tooth counts that the sheet does not give: which pair fits the lines.

A gear pair leaves three marks in the order spectrum of either shaft: the other shaft's once-per-turn at the ratio, the
mesh at the driver's tooth count, and sidebands of both shafts around the mesh. Only a pair of whole numbers that
explains all of them at once fits; a pair with the same ratio but other counts misses the mesh.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.machine.orders import order_spectrum, to_angle
from vibekit.machine.reading import FlooredSpectrum, with_floor
from vibekit.machine.salience import Presence, evidence
from vibekit.machine.speed import SpeedEstimate
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import Mesh, ToolSheet

DRIVER_TEETH = (5, 30)  # pinions of handheld tools (common practice, no source)
DRIVEN_TEETH = (15, 90)
_RATIO = (1.5, 12.0)  # reduction of one stage
_TURNS = 1024.0  # long segments: neighbouring ratios differ by parts in a thousand
_SEEN = Presence(8.0, 2.5, 5.0)
_LEAST = 4.0  # log likelihood ratio below which no pair is proposed
_KEPT = 4

# Name, likelihood and order on the driver (teeth, ratio) of each mark; the first three are the other shaft's harmonics
_Order = Callable[[Any, Any], Any]
_MARKS: tuple[tuple[str, float, _Order], ...] = (
    ("other shaft 1x", 0.85, lambda z, r: 1.0 / r),
    ("other shaft 2x", 0.5, lambda z, r: 2.0 / r),
    ("other shaft 3x", 0.3, lambda z, r: 3.0 / r),
    ("mesh", 0.8, lambda z, r: 1.0 * z),
    ("2x mesh", 0.6, lambda z, r: 2.0 * z),
    ("3x mesh", 0.4, lambda z, r: 3.0 * z),
    ("mesh -1 driven", 0.4, lambda z, r: z - 1.0 / r),
    ("mesh +1 driven", 0.4, lambda z, r: z + 1.0 / r),
    ("2x mesh -1 driven", 0.3, lambda z, r: 2.0 * z - 1.0 / r),
    ("2x mesh +1 driven", 0.3, lambda z, r: 2.0 * z + 1.0 / r),
)


@dataclass(frozen=True)
class TeethProposal:
    """A tooth pair that would explain the lines; `evidence` the log likelihood ratio of its lines against noise."""

    driver: str
    driven: str
    driver_teeth: int
    driven_teeth: int
    evidence: float
    lines: tuple[str, ...]

    @property
    def ratio(self) -> float:
        """Turns of the driver per turn of the driven shaft."""
        return self.driven_teeth / self.driver_teeth

    def to_dict(self) -> dict[str, Any]:
        """Return the proposal as document data."""
        return {
            "driver": self.driver,
            "driven": self.driven,
            "driver_teeth": self.driver_teeth,
            "driven_teeth": self.driven_teeth,
            "ratio": self.ratio,
            "evidence": self.evidence,
            "lines": list(self.lines),
        }


def propose_teeth(recording: Recording, tool: ToolSheet, speed: SpeedEstimate) -> tuple[TeethProposal, ...]:
    """Return the tooth pairs that fit the lines of the first mesh without counts on the shaft followed, best first.

    Empty where every mesh has its counts, no speed is known, or no pair explains the lines.
    """
    mesh = next(
        (m for m in tool.meshes if None in (m.driver_teeth, m.driven_teeth) and speed.of in (m.driver, m.driven)), None
    )
    signal = to_angle(recording.samples, recording.sample_rate, speed) if mesh and speed.known else None
    if mesh is None or signal is None:
        return ()
    floored = with_floor(order_spectrum(signal, min(_TURNS, signal.turns / 3.0)))
    return fit_teeth(floored, mesh, speed.of == mesh.driver)


def fit_teeth(floored: FlooredSpectrum, mesh: Mesh, on_driver: bool) -> tuple[TeethProposal, ...]:
    """Return the tooth pairs of a mesh that fit an order spectrum of its driver (or driven shaft), best first."""
    drivers = np.arange(DRIVER_TEETH[0], DRIVER_TEETH[1] + 1)
    if mesh.driver_teeth is not None:
        drivers = np.array([mesh.driver_teeth])
    drivens = np.arange(DRIVEN_TEETH[0], DRIVEN_TEETH[1] + 1)
    if mesh.driven_teeth is not None:
        drivens = np.array([mesh.driven_teeth])
    first, second = (a.ravel() for a in np.meshgrid(drivers, drivens, indexing="ij"))
    ratio = second / first
    fits = (ratio >= _RATIO[0]) & (ratio <= _RATIO[1])
    first, second, ratio = first[fits], second[fits], ratio[fits]
    turn = np.ones(ratio.size) if on_driver else ratio  # turns of the driver per turn of the shaft followed
    total, seen = np.zeros(ratio.size), np.zeros((ratio.size, len(_MARKS)), dtype=bool)
    decibels = floored.over_floor_db.max(axis=0)
    for i, (_, likely, order) in enumerate(_MARKS):
        found = _highest(decibels, turn * order(first, ratio) / floored.spectrum.spacing)
        if not on_driver and i < 3:  # the driven shaft's own harmonics are there whatever the teeth
            found = _highest(decibels, (1 + i) * ratio / floored.spectrum.spacing)
        total += evidence(found, likely, _SEEN)
        seen[:, i] = found > _SEEN.starts_db
    best = [int(i) for i in np.argsort(-total)[:_KEPT] if total[i] >= _LEAST]
    return tuple(
        TeethProposal(
            mesh.driver,
            mesh.driven,
            int(first[i]),
            int(second[i]),
            float(total[i]),
            tuple(name for (name, _, _), there in zip(_MARKS, seen[i], strict=True) if there),
        )
        for i in best
    )


def _highest(decibels: FloatArray, bins: FloatArray) -> FloatArray:
    """Return the highest of three bins about each place; just at the start of evidence where out of band."""
    index = np.round(bins).astype(int)
    inside = (index >= 2) & (index < decibels.size - 2)
    safe = np.clip(index, 1, decibels.size - 2)
    near = np.maximum(decibels[safe], np.maximum(decibels[safe - 1], decibels[safe + 1]))
    return np.where(inside, near, _SEEN.starts_db)
