"""How sure A(8) and the time left are: causes that tasks share make them err together (JCGM 100 and 101:2008)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.handarm.exposure_task import HANDS, ExposureTask, Hand
from vibekit.handarm.uncertainty import COVERAGE, TAIL, coverage_at
from vibekit.standards.exposure_values import REFERENCE_DURATION_S

FloatArray = NDArray[np.float64]
Group = tuple[Any, ...]  # what errs together: cause, part and key

_DRAWS = 1 << 16  # in strata; JCGM 101 7.2.2 asks for 2·10^5 without them
_MOST = 1 << 23  # numbers of a day's draws held at a time
_SEED = 101
_NEARLY = 1.001  # parts that make up a stated uncertainty but for rounding
_NEVER_S = 1e9  # years


@dataclass(frozen=True)
class Source:
    """One source of doubt of one magnitude: standard uncertainty `u` [m/s²], what shares it, degrees of freedom."""

    u: float
    group: Group
    degrees: float


def sources(tasks: Sequence[ExposureTask]) -> list[list[Source]]:
    """Return the sources of each task's magnitude.

    Where the key of a cause is not known, tasks share it. What is of one recording alone goes with its magnitude: a
    tool measured once and used twice errs the same way twice. Doubts whose causes are not stated count as shared.
    """
    open_causes = {part.cause for task in tasks for part in task.budget if part.key is None}
    return [list(_sources(task, open_causes)) for task in tasks]


def _sources(task: ExposureTask, open_causes: set[Any]) -> Iterable[Source]:
    a, expanded = task.a_hv_mps2, task.expanded_uncertainty_mps2
    for part in task.budget:
        shared: Group = (part.key if part.cause not in open_causes else None,)
        if part.cause == "recording":
            shared = (part.key or (a, expanded),)
        yield Source(part.relative * a, (part.cause, part.name, *shared), part.degrees_of_freedom)
    u = a * math.hypot(*(part.relative for part in task.budget))
    k = coverage(u, ((part.relative * a, part.degrees_of_freedom) for part in task.budget))
    if expanded and expanded > k * u * _NEARLY:  # what the parts do not account for
        yield Source(math.sqrt((expanded / k) ** 2 - u * u), ("not stated",), math.inf)


def expanded_uncertainty(tasks: Sequence[ExposureTask]) -> float:
    """Return the expanded uncertainty of A(8) [m/s²], with k for its effective degrees of freedom, 2 at least.

    Real use of declared values is left out: it can only be more, which ± does not say; see `Draws`.
    Source: JCGM 100:2008 eq. 13 (correlated) with ∂A/∂a_i = a_i·T_i / (T0·A) and ∂A/∂T_i = a_i² / (2·T0·A); eq. G.2b.
    """
    energy = math.fsum(task.a_hv_mps2**2 * task.time_s for task in tasks)
    if energy == 0:
        return 0.0
    scale = math.sqrt(energy * REFERENCE_DURATION_S)  # T0·A(8)
    parts: dict[Group, tuple[float, float]] = {}
    for task, own in zip(tasks, sources(tasks), strict=True):
        a, time_s = task.a_hv_mps2, task.time_s
        times = (a * a / (2.0 * scale) * (task.time_uncertainty_s or 0.0) / COVERAGE, ("time",), math.inf)
        for u, group, degrees in (*((a * time_s / scale * s.u, s.group, s.degrees) for s in own), times):
            before, least = parts.get(group, (0.0, math.inf))
            parts[group] = (before + u, min(least, degrees))
    combined = math.hypot(*(u for u, _ in parts.values()))
    return coverage(combined, parts.values()) * combined


def coverage(combined: float, parts: Iterable[tuple[float, float]]) -> float:
    """Return k for 95.45 % from parts (u, degrees of freedom): Student's t at Welch and Satterthwaite's degrees.

    Source: JCGM 100:2008 G.4.1 eq. G.2b, Table G.2.
    """
    few = math.fsum((u / combined) ** 4 / degrees for u, degrees in parts if combined > 0)
    return max(COVERAGE, coverage_at(1.0 / few if few else math.inf))


class Draws:
    """A day's magnitudes and times drawn together: one row a task, one column a draw (JCGM 101:2008 clause 7).

    `hands`: whose exposures are told apart; one where both do the same.
    """

    def __init__(self, tasks: Sequence[ExposureTask], hands: Sequence[Hand] = HANDS[:1]) -> None:
        self.tasks = tasks
        self._strata = _Strata(max(1 << 10, min(_DRAWS, _MOST // max(1, len(tasks)))))
        self.a = self._magnitudes()
        self.times = self._times()
        self.held = np.array([[len(hands) == 1 or task.held_by(hand) for task in tasks] for hand in hands], float)
        self.energy = self.held @ (self.a * self.a * self.times)

    def a8_ends(self) -> tuple[float, float]:
        """Return the ends of A(8) [m/s²] at k = 2: 2.3 and 97.7 %; of the hand that has more."""
        low, high = np.sqrt(_ends(self.energy.max(axis=0)) / REFERENCE_DURATION_S)
        return float(low), float(high)

    def time_left_ends_s(self, value_mps2: float, row: int, longest_s: float | None) -> tuple[float, float | None]:
        """Return the ends of the time [s] that the tool of the task at a row may still run, None: no upper end.

        Each hand that holds it must stay below the value, and none may have reached it. `longest_s` caps a hand's time.
        """
        spare, holding = value_mps2**2 * REFERENCE_DURATION_S - self.energy, self.held[:, row] > 0
        a = self.a[row]
        with np.errstate(divide="ignore", invalid="ignore"):
            left = np.where((spare > 0).all(axis=0), spare[holding].min(axis=0) / (a * a), 0.0)
        if longest_s is not None:
            taken = (self.held @ self.times)[holding].max(axis=0)
            left = np.minimum(left, np.maximum(0.0, longest_s - taken))
        low, high = _ends(np.nan_to_num(left, posinf=2 * _NEVER_S))
        return float(low), float(high) if high < _NEVER_S else None

    def _magnitudes(self) -> FloatArray:
        """Return magnitudes drawn [m/s²], none below zero, each shared cause drawn once for all."""
        of_task = sources(self.tasks)
        error = self._normal(of_task)
        for group, degrees in _few(of_task).items():
            column = self._strata.student(degrees)
            for row, own in enumerate(of_task):
                error[row] += math.fsum(s.u for s in own if s.group == group and math.isfinite(s.degrees)) * column
        a = np.maximum(0.0, np.array([[task.a_hv_mps2] for task in self.tasks]) + error)
        if any(task.declared for task in self.tasks):
            place = self._strata.uniform()  # which factor is right is the same question for all declared values
            for row, task in enumerate(self.tasks):
                low, high = task.real_use
                a[row] *= low + (high - low) * place
        return a

    def _normal(self, of_task: list[list[Source]]) -> FloatArray:
        """Return the errors with normal sources [m/s²]; their covariance is drawn along its own axes."""
        groups = sorted({s.group for own in of_task for s in own if math.isinf(s.degrees)}, key=repr)
        load = np.array(
            [[math.fsum(s.u for s in own if s.group == g and math.isinf(s.degrees)) for g in groups] for own in of_task]
        ).reshape(len(of_task), len(groups))
        error = np.zeros((len(of_task), self._strata.count))
        if not groups:
            return error
        axes, sizes, _ = np.linalg.svd(load, full_matrices=False)
        for axis, size in zip(axes.T, sizes, strict=True):
            if size > 1e-12 * sizes[0]:
                error += np.outer(axis * size, self._strata.normal())
        return error

    def _times(self) -> FloatArray:
        """Return times drawn [s]: estimates of one day are made by one person and err together."""
        times = np.array([[task.time_s] for task in self.tasks])
        doubt = np.array([[(task.time_uncertainty_s or 0.0) / COVERAGE] for task in self.tasks])
        if not doubt.any():
            return np.broadcast_to(times, self.a.shape)
        return np.maximum(0.0, times + doubt * self._strata.normal())


def few_degrees(tasks: Sequence[ExposureTask]) -> bool:
    """Tell whether any part of the doubt is known from few observations."""
    return any(math.isfinite(part.degrees_of_freedom) for task in tasks for part in task.budget)


def _few(of_task: list[list[Source]]) -> dict[Group, float]:
    """Return the groups known from few observations, each with the smallest of its degrees of freedom."""
    few: dict[Group, float] = {}
    for source in (s for own in of_task for s in own if math.isfinite(s.degrees)):
        few[source.group] = min(few.get(source.group, math.inf), source.degrees)
    return dict(sorted(few.items(), key=repr))


def _ends(values: FloatArray) -> FloatArray:
    return np.quantile(values, (TAIL, 1.0 - TAIL), method="hazen")


class _Strata:
    """Draws of one variable each, one from each of `count` equal shares of its probability, in an order of its own.

    The same day gives the same draws. Latin hypercube sampling: McKay, Beckman & Conover 1979.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._share = (np.arange(count) + 0.5) / count
        self._order = np.random.default_rng(_SEED)

    def uniform(self) -> FloatArray:
        return self._order.permutation(self._share)

    def normal(self) -> FloatArray:
        from scipy.special import ndtri

        return np.asarray(ndtri(self.uniform()))

    def student(self, degrees: float) -> FloatArray:
        from scipy.special import stdtrit

        return np.asarray(stdtrit(degrees, self.uniform()))
