"""Fleets of simulated tools for fitting and validating the diagnosis; a case is a seed, so that none is met twice."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from vibekit.errors import UsageError
from vibekit.machine.faults.parts import features_of
from vibekit.machine.lines.views import views_of
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import ToolSheet
from vibekit.simulate.faults import FAULTS, settle_faults
from vibekit.simulate.presets import PRESETS
from vibekit.simulate.session import SimulatedSession, simulate
from vibekit.simulate.specimen import ordinary_unbalance_g_mm

HEALTHY_SHARE, DOUBLE_SHARE = 0.35, 0.10
SIZES = (0.4, 3.0)  # of the usual size, log-uniform
SWEPT_SHARE = 0.7  # recordings without load that hold switching on and off
CONDITIONS = ("no load", "loaded")


@dataclass(frozen=True)
class Case:
    """One tool of a fleet: what it is, what is wrong with it, and how it was recorded, without load and loaded."""

    seed: int
    preset: str
    sample_rate: float
    with_tach: bool
    swept: bool
    faults: Mapping[str, float]

    @property
    def sheet(self) -> ToolSheet:
        """Return the full tool sheet."""
        return PRESETS[self.preset]

    @property
    def strength(self) -> float | None:
        """Size of the weakest fault over its usual size; None for a healthy tool.

        Where the armature carries the accessory its unbalance stands on the same line, and is measured against four
        times what is ordinary there, as the accessory's usual fault is on a grinder.
        """
        usual = {name: FAULTS[name].default for name in self.faults}
        if not self.sheet.meshes:
            usual["imbalance.armature"] = 4.0 * ordinary_unbalance_g_mm(self.sheet)
        return min((size / usual[name] for name, size in self.faults.items()), default=None)

    def session(self, condition: str, faults: Mapping[str, float] | None = None) -> SimulatedSession:
        """Return the simulated recording of one condition; `faults`: other faults in the same specimen."""
        swept = self.swept and condition == "no load"
        return simulate(
            self.sheet,
            seed=self.seed,
            run=1 + CONDITIONS.index(condition),
            duration_s=16.0 if swept else 12.0,
            off_before_s=1.5 if swept else 0.0,
            off_after_s=4.0 if swept else 0.0,
            sample_rate=self.sample_rate,
            faults=self.faults if faults is None else faults,
            condition=condition,
        )

    def recording(self, condition: str) -> Recording:
        """Return the recording of one condition, with or without its tachometer."""
        recording = self.session(condition).recording
        return recording if self.with_tach else replace(recording, tach=None)


def draw(seed: int) -> Case:
    """Return the case that a seed stands for."""
    rng = np.random.default_rng([seed, 78])
    kind = rng.random()
    count = 0 if kind < HEALTHY_SHARE else 2 if kind > 1 - DOUBLE_SHARE else 1
    swept = bool(rng.random() < SWEPT_SHARE)
    possible = [fault for fault in FAULTS if swept or fault != "resonance"]
    chosen = [str(fault) for fault in rng.choice(possible, size=count, replace=False)]
    able = [name for name, sheet in sorted(PRESETS.items()) if all(can_have(sheet, fault) for fault in chosen)]
    name = str(rng.choice(able)) if able else "small-grinder"
    faults = {fault: _size(fault, rng) for fault in chosen}
    rate = float(rng.choice([25600.0, 25600.0, 25600.0, 12800.0, 6400.0]))
    return Case(seed, name, rate, bool(rng.random() < 0.5), swept, faults)


def can_have(tool: ToolSheet, fault: str) -> bool:
    """Tell whether a tool has a part that can have a fault."""
    try:
        settle_faults(tool, {fault: FAULTS[fault].default})
    except UsageError:
        return False
    return True


def _size(fault: str, rng: np.random.Generator) -> float:
    usual = FAULTS[fault]
    return float(min(usual.largest, usual.default * math.exp(rng.uniform(*np.log(SIZES)))))


@dataclass(frozen=True)
class Row:
    """The features of one part in one recording, read for one fault, and whether that fault sits there."""

    fault: str
    where: str | None
    true: bool
    values: Mapping[str, float]
    hz: float


@dataclass(frozen=True)
class Measured:
    """A case with the rows of each of its recordings, by condition."""

    case: Case
    rows: Mapping[str, tuple[Row, ...]]


def measured(case: Case, recordings: Mapping[str, Recording] | None = None) -> Measured:
    """Return a case's label and features (`recordings`: as kept from before, by condition)."""
    found = recordings or {condition: case.recording(condition) for condition in CONDITIONS}
    return Measured(case, {condition: _rows(case, recording) for condition, recording in found.items()})


def _rows(case: Case, recording: Recording) -> tuple[Row, ...]:
    speed = estimate_speed(recording, case.sheet)
    views = views_of(recording, speed, case.sheet.output_shaft or "", case.sheet) if speed.known else None
    if views is None:
        return ()
    truth = {fault.name: fault.part for fault in settle_faults(case.sheet, case.faults)}
    return tuple(
        Row(fault, part.where, _true_there(truth, fault, part.where), dict(part.values), part.hz)
        for part in features_of(views, case.sheet).parts
        for fault in part.faults
    )


def _true_there(truth: Mapping[str, str | None], fault: str, where: str | None) -> bool:
    """Tell whether a fault sits at a part; on a direct drive the armature's imbalance is the accessory's line."""
    if fault == "imbalance.accessory" and truth.get("imbalance.armature") == where:
        return True
    if fault not in truth:
        return False
    located = fault.split(".")[0] in ("gear", "bushing", "bearing")
    return not located or (where or "").removeprefix("mesh ") == truth[fault]
