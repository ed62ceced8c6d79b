"""Which of several tools shakes less, and how sure that is: from runs and uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

TIE_BELOW = 0.8  # two tools of which neither shakes less with this probability are a tie (no source)
RANK_INTERVAL = 0.95
_DRAWS = 20_000
_MOST_PAIRS = 15  # told one by one: those of six tools


@dataclass(frozen=True)
class Estimate:
    """A tool's magnitude [m/s²] with its doubt, both parts relative standard uncertainties [-].

    `systematic` is what all its runs share; `scatter` is that of their mean, known from `freedom` degrees of freedom;
    `shared` what other tools measured with the same sensor or by the same person share, by its name.
    """

    tag: str
    a_hv_mps2: float
    systematic: float
    scatter: float
    freedom: float = math.inf
    shared: Mapping[str, float] = field(default_factory=dict)

    @property
    def log(self) -> float:
        """Natural logarithm of the magnitude: the parts are relative, so the doubt is symmetric there."""
        return math.log(max(self.a_hv_mps2, 1e-9))


@dataclass(frozen=True)
class Pair:
    """Two tools, and the probability that the first shakes less."""

    a: str
    b: str
    probability_a_shakes_less: float

    @property
    def tie(self) -> bool:
        """Whether the two cannot be told apart."""
        return 1 - TIE_BELOW < self.probability_a_shakes_less < TIE_BELOW

    def to_dict(self) -> dict[str, Any]:
        """Return the pair as document data."""
        return {
            "a": self.a,
            "b": self.b,
            "probability_a_shakes_less": self.probability_a_shakes_less,
            "tie": self.tie,
        }


@dataclass(frozen=True)
class Place:
    """A tool's place among the compared: 1 shakes least; the 95 % interval of the place; whom it ties with."""

    rank: int
    low: int
    high: int
    tied_with: tuple[str, ...]


def probability_less(a: Estimate, b: Estimate) -> float:
    """Return the probability that a shakes less than b.

    The difference of the logarithms over its combined uncertainty follows Student's t with the effective degrees of
    freedom of Welch and Satterthwaite (JCGM 100:2008, G.4, eq. G.2b), nothing being known of the tools beforehand.
    What both share cancels: a sensor that reads high does so for both. All else is taken as independent.
    """
    from scipy.special import ndtr, stdtr  # the distributions alone: scipy.stats takes half a second to load

    variance = sum(part**2 for one in (a, b) for part in (one.systematic, one.scatter))
    variance += sum((a.shared.get(name, 0.0) - b.shared.get(name, 0.0)) ** 2 for name in {*a.shared, *b.shared})
    difference = b.log - a.log
    if variance == 0:
        return 0.5 if difference == 0 else float(difference > 0)
    spread = sum(one.scatter**4 / one.freedom for one in (a, b))
    score = difference / math.sqrt(variance)
    return float(ndtr(score) if spread == 0 else stdtr(variance**2 / spread, score))


def all_pairs(estimates: Sequence[Estimate]) -> list[Pair]:
    """Return every pair once, in the order of `estimates`."""
    return [Pair(a.tag, b.tag, probability_less(a, b)) for i, a in enumerate(estimates) for b in estimates[i + 1 :]]


def told_pairs(pairs: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the pairs of a `rank` document that a reader can take in: all of few, else each tool and the next."""
    if len(pairs) <= _MOST_PAIRS:
        return list(pairs)
    nearest: dict[str, Mapping[str, Any]] = {}
    for pair in pairs:  # in the order of the ranking: the first of each tool is with the one after it
        nearest.setdefault(pair["a"], pair)
    return list(nearest.values())


def places(estimates: Sequence[Estimate]) -> dict[str, Place]:
    """Return each tool's place; equal magnitudes share one. The interval comes from seeded draws (JCGM 101)."""
    if not estimates:
        return {}
    ties = [(pair.a, pair.b) for pair in all_pairs(estimates) if pair.tie]
    drawn = _drawn_ranks(estimates)
    tail = (1 - RANK_INTERVAL) / 2
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=1, method="inverted_cdf").astype(int)
    result = {}
    for i, one in enumerate(estimates):
        rank = 1 + sum(other.log < one.log - 1e-9 for other in estimates)
        tied = tuple(b if a == one.tag else a for a, b in ties if one.tag in (a, b))
        result[one.tag] = Place(rank, min(int(low[i]), rank), max(int(high[i]), rank), tied)
    return result


def _drawn_ranks(estimates: Sequence[Estimate]) -> NDArray[np.int64]:
    """Return the ranks of draws from the tools' distributions, shape (n_tools, n_draws)."""
    rng = np.random.default_rng(0)
    drawn = np.empty((len(estimates), _DRAWS))
    common = {name: rng.standard_normal(_DRAWS) for name in sorted({name for one in estimates for name in one.shared})}
    for row, one in zip(drawn, estimates, strict=True):
        endless = math.isinf(one.freedom)
        scatter = rng.standard_normal(_DRAWS) if endless else rng.standard_t(one.freedom, _DRAWS)
        row[:] = one.log + one.systematic * rng.standard_normal(_DRAWS) + one.scatter * scatter
        row += sum(u * common[name] for name, u in one.shared.items())
    return np.asarray(drawn.argsort(axis=0).argsort(axis=0) + 1)
