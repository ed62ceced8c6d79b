"""From evidence to probability: per fault a sum of weighed evidence (log-odds), from a table with its origin.

The log-odds are those of the fault against a healthy tool; what the rivals explain is taken off last.

Each fault has a prior (bias) and a curve per feature. A feature is a level in decibels or a count, brought to the
middle and spread of ordinary tools of the same class (kind, condition, fast or slow shaft) before it is weighed; the
curve says how many log-odds it adds at so many spreads: nothing in the middle, ever more (or less) away from it where
the mechanism calls for it, as a line that stands out twice as far is not twice the proof. A feature that a recording
cannot give weighs nothing. Each recording is weighed by itself; those of one condition are averaged, and the two
conditions, without and under load, are added with weights of their own: the same tool was recorded twice, which is
less than two witnesses. The table `judgement.toml` was fitted on simulated tools by
`python -m tests.benchmarks.diagnosis --fit`; it is data, to be refitted, not code.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from vibekit.errors import InputError, UsageError
from vibekit.recording.conditions import without_load
from vibekit.recording.tables import from_table, load_toml
from vibekit.units import is_finite

FAST_HZ = 60.0
KNOTS = (-6.0, -3.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.5, 6.0, 9.0)  # spreads; curves run straight between, level beyond

Ordinary = Mapping[str, tuple[float, float]]  # per feature: middle and spread of ordinary tools

# What is read in place of a feature that the sheet does not allow: without masses the level itself.
INSTEAD = {"grade": "one_level", "mains_force": "mains_level"}

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
    """Prior log-odds of one fault, and what each feature adds to them.

    `curves`: per feature the log-odds at each of `KNOTS`, 0 at the middle. `ordinary`: middle and spread of each
    feature per class of tool and recording (see `classes`). `together`: constant, weight of the recordings without
    load, and of those under load, where a tool was recorded both ways.
    """

    bias: float
    curves: Mapping[str, Sequence[float]]
    ordinary: Mapping[str, Ordinary]
    together: tuple[float, float, float] = (0.0, 0.5, 0.5)

    def standardised(
        self, values: Mapping[str, float], condition: str | None, hz: float, kind: str | None = None
    ) -> dict[str, float]:
        """Return the features that are weighed, in spreads from the middle of ordinary tools of the same class."""
        ordinary = next(self.ordinary[name] for name in classes(condition, hz, kind) if name in self.ordinary)
        read = {n: n if n in values else INSTEAD.get(n, n) for n in self.curves}
        known = {n: source for n, source in read.items() if source in values and source in ordinary}
        return {n: in_spreads(values[source], *ordinary[source]) for n, source in known.items()}

    def contributions(self, standardised: Mapping[str, float]) -> dict[str, float]:
        """Return the log-odds that each known feature adds in one recording."""
        return {name: float(np.interp(value, KNOTS, self.curves[name])) for name, value in standardised.items()}

    def log_odds(self, standardised: Mapping[str, float]) -> float:
        """Return the log-odds of the fault by one recording."""
        return self.bias + math.fsum(self.contributions(standardised).values())

    def shares(self, conditions: Sequence[str | None]) -> tuple[float, tuple[float, ...]]:
        """Return constant and weight of each recording: log-odds of all = constant + Σ weight · log-odds of each."""
        free = [without_load(condition) for condition in conditions]
        unloaded, loaded = sum(free), len(free) - sum(free)
        if not unloaded or not loaded:
            return 0.0, (1.0 / len(free),) * len(free)
        constant, by_free, by_loaded = self.together
        return constant, tuple(by_free / unloaded if f else by_loaded / loaded for f in free)


def classes(condition: str | None, hz: float, kind: str | None) -> tuple[str, str]:
    """Return which ordinary tools to compare with: those of the same kind where the table has them, else of any.

    Condition, and whether the part's shaft turns fast (from 60 Hz): slow shafts shake little by their own unbalance, so
    that ratios to it mean something else. Under load everything scatters more: a recording of unknown condition is
    compared with loaded ones, which raises no false alarm.
    """
    any_kind = f"{'no load' if without_load(condition) else 'loaded'}, {'fast' if hz >= FAST_HZ else 'slow'}"
    return f"{any_kind}, {kind_word(kind)}", any_kind


def kind_word(kind: str | None) -> str:
    """Return the kind of tool that a sheet's free text names, in one word."""
    text = (kind or "").lower()
    return next((word for marks, word in _KINDS if any(mark in text for mark in marks)), "other")


def in_spreads(value: float, middle: float, spread: float) -> float:
    """Return a feature in spreads from the middle, within the knots: one wild value must not outweigh everything."""
    return max(KNOTS[0], min(KNOTS[-1], (value - middle) / spread))


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


def require_priors(priors: Mapping[str, float]) -> Mapping[str, float]:
    """Return shifts of log-odds by fault, each fault known by name and each shift a finite number.

    Raises:
        UsageError: one is not.
    """
    for fault, shift in priors.items():
        if fault not in ROLE and fault != "healthy":
            raise UsageError(f"priors: unknown fault {str(fault)[:40]!r}: see the faults that vibekit diagnose names")
        if not is_finite(shift):
            raise UsageError(f"priors: the shift of {fault} is {str(shift)[:40]}: it must be a finite number")
    return priors


@dataclass(frozen=True)
class Closing:
    """What is made of all faults' log-odds at the end: bias, slope and share of `rivals`, bias and slope of `healthy`.

    One for tools recorded both without and under load, one for each alone: fewer recordings tell less.
    """

    rivals: tuple[float, float, float]
    healthy: tuple[float, float]


def seen_in(conditions: Iterable[str | None]) -> str:
    """Return in which conditions a tool was recorded: "both", "no load" or "loaded"."""
    free = {without_load(condition) for condition in conditions}
    return "both" if len(free) == 2 else "no load" if True in free else "loaded"


@dataclass(frozen=True)
class JudgementTable:
    """The fitted table: a model and a prior per fault, and a closing for each answer of `seen_in`."""

    faults: dict[str, FaultModel]
    priors: dict[str, float]
    closings: Mapping[str, Closing]
    origin: str

    def beside_rivals(self, log_odds: Mapping[str, float], seen: str) -> dict[str, float]:
        """Return the log-odds that each fault is there, from all faults' log-odds against a healthy tool.

        What another fault explains is no proof of this one: bias + slope · (L - log(1 + share · Σ exp(others'))). At a
        share of 1 just one fault could be there, at 0 none would mind the others.
        """
        bias, slope, share = self.closings[seen].rivals
        odds = {fault: math.exp(min(30.0, value)) for fault, value in log_odds.items()}
        total = math.fsum(odds.values())
        return {f: bias + slope * (v - math.log1p(share * max(0.0, total - odds[f]))) for f, v in log_odds.items()}

    def healthy_log_odds(self, fault_log_odds: Sequence[float], untested: Iterable[str], seen: str) -> float:
        """Return the log-odds that the tool is healthy: falling with the log of the summed odds of all faults.

        A fault that could not be tested counts with its prior odds against a healthy tool: silence is no clean bill.
        """
        bias, slope = self.closings[seen].healthy
        every = [*fault_log_odds, *(self.priors[fault] for fault in untested if fault in self.priors)]
        return bias - slope * math.log(math.fsum(math.exp(min(30.0, odds)) for odds in every) + 1e-9)


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
        constant, unloaded, loaded = model["together"]
        faults[name] = FaultModel(model["bias"], model["curves"], ordinary, (constant, unloaded, loaded))
    priors = {name: model["prior"] for name, model in table["fault"].items()}
    closings = {
        seen: Closing((end["bias"], end["slope"], end["share"]), (end["healthy_bias"], end["healthy_slope"]))
        for seen, end in table["closing"].items()
    }
    return JudgementTable(faults, priors, closings, table["origin"])
