"""Predictions against what was found: score of one teardown, hit rates and calibration over all, honest when few."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

HEALTHY = "healthy"
SAID = 0.5  # a fault counts as said from this probability
BINS = 10  # of the calibration table
PRIOR_WEIGHT = 20.0  # teardowns that the predictions' own mean counts for in a proposal of priors (no source)


@dataclass(frozen=True)
class Score:
    """One teardown with a prediction: `predicted` maps fault to probability, the most probable first."""

    predicted: dict[str, float]
    found: tuple[str, ...]
    not_testable: tuple[str, ...] = ()

    @property
    def outcomes(self) -> list[tuple[str, float, bool]]:
        """Every predicted fault with its probability and whether it was found."""
        return [(fault, p, fault in self.found) for fault, p in self.predicted.items()]

    @property
    def brier(self) -> float:
        """Mean squared difference of probability and outcome over the faults predicted (Brier 1950); 0 is perfect."""
        return math.fsum((p - hit) ** 2 for _, p, hit in self.outcomes) / len(self.predicted)

    def among_top(self, n: int) -> bool:
        """Whether a found fault is among the n most probable findings."""
        return any(fault in self.found for fault in list(self.predicted)[:n])

    def to_dict(self) -> dict[str, Any]:
        """Return the score as document data."""
        return {
            "brier": self.brier,
            "top_1": self.among_top(1),
            "top_2": self.among_top(2),
            "hits": [fault for fault, p, hit in self.outcomes if hit and p >= SAID],
            "misses": [fault for fault in self.found if fault in self.predicted and self.predicted[fault] < SAID],
            "false_alarms": [fault for fault, p, hit in self.outcomes if not hit and p >= SAID and fault != HEALTHY],
            "found_but_not_testable": [fault for fault in self.found if fault not in self.predicted],
        }


def wilson(hits: int, of: int) -> tuple[float, float] | None:
    """Return the 95 % interval of a share (Wilson 1927), or None of none. By scipy.stats."""
    from scipy.stats import binomtest

    if of == 0:
        return None
    interval = binomtest(hits, of).proportion_ci(0.95, method="wilson")
    return float(interval.low), float(interval.high)


def by_fault(scores: Sequence[Score]) -> list[dict[str, Any]]:
    """Return hits, misses, false alarms and hit rate with its interval, per fault that was found or said."""
    outcomes = [outcome for score in scores for outcome in score.outcomes]
    rows = []
    for fault in sorted({fault for fault, p, hit in outcomes if hit or p >= SAID}):
        own = [(p, hit) for name, p, hit in outcomes if name == fault]
        hits, found = sum(hit and p >= SAID for p, hit in own), sum(hit for _, hit in own)
        low, high = wilson(hits, found) or (None, None)
        rows.append(
            {
                "fault": fault,
                "found": found,
                "hits": hits,
                "misses": found - hits,
                "false_alarms": sum(p >= SAID and not hit for p, hit in own),
                "hit_rate": hits / found if found else None,
                "hit_rate_low": low,
                "hit_rate_high": high,
            }
        )
    return rows


def calibration(scores: Sequence[Score]) -> list[dict[str, Any]]:
    """Return, per tenth of said probability, how often it was true, with its interval; empty tenths are left out."""
    outcomes = [(p, hit) for score in scores for _, p, hit in score.outcomes]
    rows = []
    for i in range(BINS):
        inside = [(p, hit) for p, hit in outcomes if i == min(int(p * BINS), BINS - 1)]
        if not inside:
            continue
        true = sum(hit for _, hit in inside)
        low, high = wilson(true, len(inside)) or (None, None)
        rows.append(
            {
                "from": i / BINS,
                "to": (i + 1) / BINS,
                "cases": len(inside),
                "said": math.fsum(p for p, _ in inside) / len(inside),
                "true": true / len(inside),
                "true_low": low,
                "true_high": high,
            }
        )
    return rows


def proposed_priors(scores: Sequence[Score]) -> list[dict[str, Any]]:
    """Return per fault how often it was said on average, how often found, and the shift that would bring them together.

    The share found is drawn towards the mean said, which counts for 20 teardowns: a beta prior on the share. The shift
    is in log-odds, to be added to the fault's own. Tools that are opened are no random sample: a proposal, not more.
    """
    rows = []
    for fault in sorted({fault for score in scores for fault in score.predicted}):
        own = [(score.predicted[fault], fault in score.found) for score in scores if fault in score.predicted]
        said = min(0.999, max(0.001, math.fsum(p for p, _ in own) / len(own)))
        found = sum(hit for _, hit in own)
        drawn = (PRIOR_WEIGHT * said + found) / (PRIOR_WEIGHT + len(own))
        low, high = wilson(found, len(own)) or (None, None)
        rows.append(
            {
                "fault": fault,
                "teardowns": len(own),
                "said": said,
                "found_share": found / len(own),
                "found_share_low": low,
                "found_share_high": high,
                "proposed_prior": drawn,
                "log_odds_shift": math.log(drawn / (1 - drawn)) - math.log(said / (1 - said)),
            }
        )
    return rows
