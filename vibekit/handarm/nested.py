"""The mean over operators of their mean over runs, with the parts of its doubt: runs within operators, nested."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from vibekit.handarm import uncertainty as unc


def mean_of_means(by_operator: Sequence[Sequence[float]]) -> float:
    """Return the mean over operators of the mean over an operator's runs. ISO 5349-2:2001 5.4."""
    return unc.mean([unc.mean(runs) for runs in by_operator])


def nested_budget(
    by_operator: Sequence[Sequence[float]], parts: Sequence[unc.UncertaintyPart]
) -> tuple[unc.UncertaintyPart, ...]:
    """Return the budget of the mean over operators, from their runs and the budget `parts` of a recording.

    Two operators or more: the spread of their means s/√n, which holds the scatter of their runs (JCGM 100:2008 H.5.2.4,
    eq. H.26), with n - 1 degrees of freedom. It never counts for less than the operator's assumed part, over √n, with
    the scatter within operators: two people who agree by chance prove nothing. One operator: that part, and scatter.
    """
    operators, a = len(by_operator), mean_of_means(by_operator)
    shared = tuple(part for part in parts if part.name not in (unc.OPERATOR.name, unc.REPEATABILITY.name))
    assumed = tuple(_averaged(part, operators) for part in parts if part.name == unc.OPERATOR.name)
    expected = (*assumed, scatter_within(by_operator, unc.run_scatter(parts)))
    if operators < 2 or a == 0:
        return (*shared, *expected)
    between = unc.standard_deviation([unc.mean(runs) for runs in by_operator]) / (math.sqrt(operators) * a)
    if between <= unc.combined(expected):
        return (*shared, *expected)
    origin = f"from the means of {operators} operators, which hold the scatter of their runs"
    found = replace(unc.OPERATOR, relative=between, origin=origin, degrees_of_freedom=operators - 1.0)
    return (*shared, replace(found, key=next((part.key for part in assumed), None)))


def scatter_within(by_operator: Sequence[Sequence[float]], usual: unc.UncertaintyPart) -> unc.UncertaintyPart:
    """Return the part of run-to-run scatter in the mean over operators: pooled over them, `usual` where no one repeats.

    Source: JCGM 100:2008, 4.2.3 and 4.2.4 (pooled).
    """
    runs, operators, a = sum(map(len, by_operator)), len(by_operator), mean_of_means(by_operator)
    share = math.sqrt(math.fsum(1.0 / len(one) for one in by_operator)) / operators
    freedom = runs - operators
    if freedom == 0 or a == 0:
        origin = usual.origin if operators == 1 else f"{usual.origin}; mean of {operators} operators with a run each"
        return replace(usual, relative=usual.relative * share, origin=origin if freedom == 0 else usual.origin)
    squares = math.fsum((value - unc.mean(one)) ** 2 for one in by_operator for value in one)
    relative = math.sqrt(squares / freedom) * share / a
    return replace(usual, relative=relative, origin=f"from {runs} runs", degrees_of_freedom=float(freedom))


def _averaged(part: unc.UncertaintyPart, operators: int) -> unc.UncertaintyPart:
    """Return an assumed or stated operator's part for the mean of several."""
    if operators < 2:
        return part
    return replace(part, relative=part.relative / math.sqrt(operators), origin=f"{part.origin}; mean of {operators}")
