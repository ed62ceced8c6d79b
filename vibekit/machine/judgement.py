"""From evidence to probability: per fault a sum of weighed evidence (log-odds), from a table with its origin.

Each fault has a prior (bias) and a weight per feature. A feature is a level in decibels or a count, brought to the
healthy fleet's middle and spread before it is weighed, so that a weight reads as log-odds per spread of ordinary
tools. A feature that a recording cannot give weighs nothing. The table `judgement.toml` was fitted on simulated tools
by `python -m tests.benchmarks.diagnosis --fit`; it is data, to be refitted, not code.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

Features = Mapping[str, float | None]

_CLIP = 6.0  # a feature counts as at most so many spreads: one wild value must not outweigh everything


@dataclass(frozen=True)
class FaultModel:
    """Prior log-odds and weights of one fault; `middle` and `spread` bring each feature to ordinary tools."""

    bias: float
    weights: dict[str, float]
    middle: dict[str, float]
    spread: dict[str, float]

    def contributions(self, features: Features) -> dict[str, float]:
        """Return the log-odds that each known feature adds."""
        parts = {}
        for name, weight in self.weights.items():
            value = features.get(name)
            if value is not None:
                parts[name] = weight * standardised(value, self.middle[name], self.spread[name])
        return parts

    def log_odds(self, features: Features) -> float:
        """Return the log-odds of the fault."""
        return self.bias + math.fsum(self.contributions(features).values())


def standardised(value: float, middle: float, spread: float) -> float:
    """Return a feature in spreads from the middle, clipped."""
    return max(-_CLIP, min(_CLIP, (value - middle) / spread))


def probability(log_odds: float) -> float:
    """Return the probability that goes with log-odds, kept within 0.1 % and 99.9 %."""
    return min(0.999, max(0.001, 1.0 / (1.0 + math.exp(-max(-30.0, min(30.0, log_odds))))))


@dataclass(frozen=True)
class JudgementTable:
    """The fitted table: a model per fault, and what the faults' log-odds together say of a healthy tool."""

    faults: dict[str, FaultModel]
    healthy_bias: float
    healthy_slope: float
    origin: str

    def healthy_log_odds(self, fault_log_odds: Sequence[float]) -> float:
        """Return the log-odds that the tool is healthy: falling with the log of the summed odds of all faults."""
        total = math.log(math.fsum(math.exp(min(30.0, odds)) for odds in fault_log_odds) + 1e-9)
        return self.healthy_bias - self.healthy_slope * total


@lru_cache(maxsize=1)
def judgement_table() -> JudgementTable:
    """Return the fitted table beside this module."""
    table = tomllib.loads((Path(__file__).parent / "judgement.toml").read_text(encoding="utf-8"))
    faults = {
        name: FaultModel(
            model["bias"],
            {feature: row[0] for feature, row in model["weights"].items()},
            {feature: row[1] for feature, row in model["weights"].items()},
            {feature: row[2] for feature, row in model["weights"].items()},
        )
        for name, model in table["fault"].items()
    }
    return JudgementTable(faults, table["healthy"]["bias"], table["healthy"]["slope"], table["origin"])
