"""The mean over operators of their mean over runs, with the parts of its doubt: runs within operators, nested."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from vibekit.handarm import uncertainty as unc


def mean_of_means(by_operator: Sequence[Sequence[float]]) -> float:
    """Return the mean over operators of the mean over an operator's runs. ISO 5349-2:2001 5.4."""
    return unc.mean([unc.mean(runs) for runs in by_operator])


@dataclass(frozen=True)
class NestedDoubt:
    """The budget of a mean over operators; `reach` is how far its upper end lies above it, relative [-]."""

    budget: tuple[unc.UncertaintyPart, ...]
    reach: float


def nested_doubt(by_operator: Sequence[Sequence[float]], parts: Sequence[unc.UncertaintyPart]) -> NestedDoubt:
    """Return the doubt of the mean over operators, from their runs and the budget `parts` of a recording.

    One operator: the operator's assumed part, and the scatter of runs. Two or more: the spread of their means s/√n,
    which holds the scatter of their runs (JCGM 100:2008 H.5.2.4), with n - 1 degrees of freedom. It never counts for
    less than the assumed part, over √n, with the scatter within operators: two people who agree by chance prove
    nothing. The reach is the larger of the two.
    """
    operators, a = len(by_operator), mean_of_means(by_operator)
    shared = tuple(part for part in parts if part.name not in (unc.OPERATOR.name, unc.REPEATABILITY.name))
    assumed = tuple(_averaged(part, operators) for part in parts if part.name == unc.OPERATOR.name)
    budgets = [(*shared, *assumed, scatter_within(by_operator, unc.run_scatter(parts)))]
    if operators > 1 and a > 0:
        between = unc.standard_deviation([unc.mean(runs) for runs in by_operator]) / (math.sqrt(operators) * a)
        origin = f"from the means of {operators} operators, which hold the scatter of their runs"
        key = next((part.key for part in assumed), None)
        found = replace(unc.OPERATOR, relative=between, origin=origin, key=key, degrees_of_freedom=operators - 1.0)
        budgets.append((*shared, found))
    return NestedDoubt(max(budgets, key=unc.combined), max(unc.reach(budget) for budget in budgets))


def scatter_within(by_operator: Sequence[Sequence[float]], usual: unc.UncertaintyPart) -> unc.UncertaintyPart:
    """Return the part of run-to-run scatter in the mean over operators: pooled over them, `usual` where no one repeats.

    Source: JCGM 100:2008, 4.2.3 and 4.2.4 (pooled).
    """
    runs, operators, a = sum(map(len, by_operator)), len(by_operator), mean_of_means(by_operator)
    share = math.sqrt(math.fsum(1.0 / len(one) for one in by_operator)) / operators
    freedom = runs - operators
    if a == 0 or runs == 1:
        return usual
    if freedom == 0:
        origin = f"{usual.origin}; mean of {operators} operators with a run each"
        return replace(usual, relative=usual.relative * share, origin=origin)
    squares = math.fsum((value - unc.mean(one)) ** 2 for one in by_operator for value in one)
    relative = math.sqrt(squares / freedom) * share / a
    return replace(usual, relative=relative, origin=f"from {runs} runs", degrees_of_freedom=float(freedom))


def _averaged(part: unc.UncertaintyPart, operators: int) -> unc.UncertaintyPart:
    """Return an assumed or stated operator's part for the mean of several."""
    if operators < 2:
        return part
    return replace(part, relative=part.relative / math.sqrt(operators), origin=f"{part.origin}; mean of {operators}")
