"""From evidence to probability: per fault a sum of weighed evidence (log-odds), from a table with its origin.

Each fault has a prior (bias) and a weight per feature. A feature is a level in decibels or a count, brought to the
middle and spread of ordinary tools of the same class (kind, condition, fast or slow shaft) before it is weighed, so
that a weight reads as log-odds per spread of ordinary tools. A feature that a recording cannot give weighs nothing.
The table `judgement.toml` was fitted on simulated tools by `python -m tests.benchmarks.diagnosis --fit`; it is data, to
be refitted, not code.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from vibekit.errors import InputError
from vibekit.recording.tables import from_table, load_toml

FAST_HZ = 60.0
CLIP = 6.0  # a feature counts as at most so many spreads: one wild value must not outweigh everything

Ordinary = Mapping[str, tuple[float, float]]  # per feature: middle and spread of ordinary tools

# What is read in place of a feature that the sheet does not allow: without masses the level itself.
INSTEAD = {"grade": "one_level"}

# Which parts of the tool a fault is read from: faults of one role share their ordinary tools.
ROLE = {
    "imbalance.accessory": "output shaft",
    "spindle.bent": "output shaft",
    "mount.loose": "output shaft",
    "imbalance.armature": "motor shaft",
    "gear.wear": "mesh",
    "gear.eccentric": "mesh",
    "gear.tooth": "mesh",
    "bushing.worn": "bushing",
    "bearing.outer_race": "outer race",
    "bearing.inner_race": "inner race",
    "bearing.rolling_element": "rolling element",
    "bearing.cage": "cage",
    "electrical.commutation": "commutator",
    "electrical.mains": "field",
    "resonance": "sweep",
}
_KINDS = (
    (("die grind", "straight grind"), "die grinder"),
    (("grind",), "grinder"),
    (("drill", "driver"), "drill"),
    (("sand", "polish"), "sander"),
    (("rout", "trim"), "router"),
)


@dataclass(frozen=True)
class FaultModel:
    """Prior log-odds and weights of one fault; `ordinary` per class of tool and recording (see `classes`)."""

    bias: float
    weights: Mapping[str, float]
    ordinary: Mapping[str, Ordinary]

    def standardised(
        self, values: Mapping[str, float], condition: str | None, hz: float, kind: str | None = None
    ) -> dict[str, float]:
        """Return the features that are weighed, in spreads from the middle of ordinary tools of the same class."""
        ordinary = next(self.ordinary[name] for name in classes(condition, hz, kind) if name in self.ordinary)
        read = {n: n if n in values else INSTEAD.get(n, n) for n in self.weights}
        return {n: in_spreads(values[source], *ordinary[source]) for n, source in read.items() if source in values}

    def contributions(self, standardised: Mapping[str, float]) -> dict[str, float]:
        """Return the log-odds that each known feature adds."""
        return {name: self.weights[name] * value for name, value in standardised.items()}

    def log_odds(self, standardised: Mapping[str, float]) -> float:
        """Return the log-odds of the fault."""
        return self.bias + math.fsum(self.contributions(standardised).values())


def classes(condition: str | None, hz: float, kind: str | None) -> tuple[str, str]:
    """Return which ordinary tools to compare with: those of the same kind where the table has them, else of any.

    Condition, and whether the part's shaft turns fast (from 60 Hz): slow shafts shake little by their own unbalance, so
    that ratios to it mean something else. Under load everything scatters more: a recording of unknown condition is
    compared with loaded ones, which raises no false alarm.
    """
    unloaded = (condition or "").strip().lower() in ("no load", "no-load", "unloaded", "idle")
    any_kind = f"{'no load' if unloaded else 'loaded'}, {'fast' if hz >= FAST_HZ else 'slow'}"
    return f"{any_kind}, {kind_word(kind)}", any_kind


def kind_word(kind: str | None) -> str:
    """Return the kind of tool that a sheet's free text names, in one word."""
    text = (kind or "").lower()
    return next((word for marks, word in _KINDS if any(mark in text for mark in marks)), "other")


def in_spreads(value: float, middle: float, spread: float) -> float:
    """Return a feature in spreads from the middle, clipped."""
    return max(-CLIP, min(CLIP, (value - middle) / spread))


def probability(log_odds: float) -> float:
    """Return the probability that goes with log-odds, kept within 0.1 % and 99.9 %."""
    return min(0.999, max(0.001, 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, log_odds))))))


@dataclass(frozen=True)
class _Prior:
    """One fault of a file of priors: `log_odds_shift` is added to the fault's own log-odds."""

    log_odds_shift: float = field(metadata={"any_sign": True})
    proposed: float | None = None
    teardowns: int | None = None


def read_priors(path: Path) -> dict[str, float]:
    """Return the shift of each fault's log-odds from a file such as `vibekit teardown --write-priors` writes.

    Raises:
        InputError: missing, not TOML, an unknown fault or key, a shift that is no finite number.
    """
    data = load_toml(path)
    rows = data.get("prior", {})
    if set(data) - {"prior"} or not isinstance(rows, dict):
        raise InputError(f'{path}: must hold tables [prior."FAULT"] and nothing else')
    for fault in rows:
        if fault not in ROLE and fault != "healthy":
            raise InputError(f"{path}: unknown fault {fault!r}")
    return {fault: from_table(_Prior, row, f"{path}: {fault}").log_odds_shift for fault, row in rows.items()}


@dataclass(frozen=True)
class JudgementTable:
    """The fitted table: a model per fault, and what the faults' log-odds together say of a healthy tool."""

    faults: dict[str, FaultModel]
    priors: dict[str, float]
    healthy_bias: float
    healthy_slope: float
    origin: str

    def healthy_log_odds(self, fault_log_odds: Sequence[float], untested: Iterable[str]) -> float:
        """Return the log-odds that the tool is healthy: falling with the log of the summed odds of all faults.

        A fault that could not be tested counts with its prior: silence about it is no clean bill.
        """
        every = [*fault_log_odds, *(self.priors[fault] for fault in untested if fault in self.priors)]
        total = math.log(math.fsum(math.exp(min(30.0, odds)) for odds in every) + 1e-9)
        return self.healthy_bias - self.healthy_slope * total


@lru_cache(maxsize=1)
def judgement_table() -> JudgementTable:
    """Return the fitted table beside this module."""
    table = tomllib.loads((Path(__file__).parent / "judgement.toml").read_text(encoding="utf-8"))
    faults = {}
    for name, model in table["fault"].items():
        ordinary = {
            kind: {n: (m, spread) for n, (m, spread) in features.items()}
            for kind, features in table["ordinary"][ROLE[name]].items()
        }
        faults[name] = FaultModel(model["bias"], model["weights"], ordinary)
    priors = {name: model["prior"] for name, model in table["fault"].items()}
    return JudgementTable(faults, priors, table["healthy"]["bias"], table["healthy"]["slope"], table["origin"])
