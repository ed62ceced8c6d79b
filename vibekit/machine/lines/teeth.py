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
from numpy.typing import NDArray

from vibekit.machine.lines.orders import order_spectrum, to_angle
from vibekit.machine.spectra.reading import FlooredSpectrum, with_floor
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.machine.tracks.salience import Presence, evidence
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import Mesh, ToolSheet

DRIVER_TEETH = (5, 30)  # pinions of handheld tools (common practice, no source)
DRIVEN_TEETH = (15, 90)
_RATIO = (1.5, 12.0)  # reduction of one stage
_TURNS = 1024.0  # long segments: neighbouring ratios differ by parts in a thousand
_SEEN = Presence(8.0, 2.5, 5.0)
_ELSE = 9.0  # log likelihood ratio that the best of a thousand pairs reaches where the lines are something else's
_TEMPER = 1.5  # lines are not independent: their summed evidence overstates
_LEAST, _NAMED = 0.3, 0.02  # chance of the pairs together below which none is proposed, and of a pair that is named
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
    """A tooth pair that would explain the lines; `evidence` the log likelihood ratio of its lines against noise.

    `chance` that it is this pair, with those of all other pairs, of lines of something else, and of a speed taken
    wrongly, adding up to 1.
    """

    driver: str
    driven: str
    driver_teeth: int
    driven_teeth: int
    evidence: float
    chance: float
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
            "chance": self.chance,
            "lines": list(self.lines),
        }


def propose_teeth(recording: Recording, tool: ToolSheet, speed: SpeedEstimate) -> tuple[TeethProposal, ...]:
    """Return the tooth pairs that fit the lines of the first mesh without counts on the shaft followed, best first.

    Empty where every mesh has its counts, no speed is known, or no pair explains the lines well enough: a speed that is
    not sure makes no pair sure.
    """
    mesh = untold_mesh(tool, speed)
    signal = to_angle(recording.samples, recording.sample_rate, speed) if mesh and speed.known else None
    if mesh is None or signal is None:
        return ()
    floored = with_floor(order_spectrum(signal, min(_TURNS, signal.turns / 3.0)))
    return fit_teeth(floored, mesh, speed.of == mesh.driver, speed.confidence)


def untold_mesh(tool: ToolSheet, speed: SpeedEstimate) -> Mesh | None:
    """Return the first mesh on the shaft followed whose tooth counts the sheet does not give."""
    untold = (m for m in tool.meshes if None in (m.driver_teeth, m.driven_teeth))
    return next((m for m in untold if speed.of in (m.driver, m.driven)), None)


@dataclass(frozen=True)
class _Pairs:
    """Tooth pairs looked at, shape (n,) each, evidence, and which marks stand, shape (n, n_marks)."""

    driver_teeth: NDArray[np.intp]
    driven_teeth: NDArray[np.intp]
    evidence: FloatArray
    seen: NDArray[np.bool_]


def fit_teeth(floored: FlooredSpectrum, mesh: Mesh, on_driver: bool, certain: float = 1.0) -> tuple[TeethProposal, ...]:
    """Return the tooth pairs of a mesh that fit an order spectrum of its driver (or driven shaft), best first.

    `certain`: the chance that the orders are counted on the right shaft.
    """
    pairs = _weighed(floored, mesh, on_driver)
    weights = np.exp((pairs.evidence - _ELSE) / _TEMPER)
    chances = certain * weights / (weights.sum() + 1.0)
    best = [int(i) for i in np.argsort(-chances)[:_KEPT] if chances[i] >= _NAMED]
    if not best or chances[best].sum() < _LEAST:
        return ()
    return tuple(
        TeethProposal(
            mesh.driver,
            mesh.driven,
            int(pairs.driver_teeth[i]),
            int(pairs.driven_teeth[i]),
            float(pairs.evidence[i]),
            float(chances[i]),
            tuple(name for (name, _, _), there in zip(_MARKS, pairs.seen[i], strict=True) if there),
        )
        for i in best
    )


def _weighed(floored: FlooredSpectrum, mesh: Mesh, on_driver: bool) -> _Pairs:
    """Return every tooth pair that the sheet leaves open, with the evidence of its marks."""
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
    return _Pairs(first, second, total, seen)


def _highest(decibels: FloatArray, bins: FloatArray) -> FloatArray:
    """Return the highest of three bins about each place; just at the start of evidence where out of band."""
    index = np.round(bins).astype(int)
    inside = (index >= 2) & (index < decibels.size - 2)
    safe = np.clip(index, 1, decibels.size - 2)
    near = np.maximum(decibels[safe], np.maximum(decibels[safe - 1], decibels[safe + 1]))
    return np.where(inside, near, _SEEN.starts_db)
