"""How sure A(8) and the time left are: carried over from the magnitudes, times taken as exact."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from vibekit.handarm.uncertainty import ends_of_sum, log_deviation
from vibekit.standards.exposure_values import REFERENCE_DURATION_S

Measured = tuple[float, float]  # a magnitude and its expanded uncertainty (k = 2) [m/s²]
Times = Mapping[Measured, float]  # how long each is held [s]; what was measured apart errs apart


def expanded_uncertainty(times: Times) -> float:
    """Return the expanded uncertainty (k = 2) of A(8) [m/s²].

    Source: JCGM 100:2008 eq. 10 with ∂A/∂a_i = a_i·T_i / (T0·A).
    """
    energy = math.fsum(a * a * time_s for (a, _), time_s in times.items())
    if energy == 0:
        return 0.0
    scale = math.sqrt(energy * REFERENCE_DURATION_S)  # T0·A(8)
    return math.hypot(*(a * time_s / scale * expanded for (a, expanded), time_s in times.items()))


def a8_ends(times: Times) -> tuple[float, float]:
    """Return the ends of A(8) at k = 2 [m/s²]: each a² errs by twice as much as its a, and their sum is taken."""
    terms = ((a * a * time_s, 2.0 * log_deviation(a, expanded)) for (a, expanded), time_s in times.items())
    low, high = ends_of_sum(terms)
    return math.sqrt(low / REFERENCE_DURATION_S), math.sqrt(high / REFERENCE_DURATION_S)


def time_left_ends_s(times: Times, own: Measured, value_mps2: float) -> tuple[float, float]:
    """Return how long [s] a tool measured as `own` may go on until the upper, and the lower end of A(8) is a value."""

    def ends(more_s: float) -> tuple[float, float]:
        return a8_ends({**times, own: times.get(own, 0.0) + more_s})

    return _longest_s(lambda more: ends(more)[1] < value_mps2), _longest_s(lambda more: ends(more)[0] < value_mps2)


def _longest_s(holds: Callable[[float], bool]) -> float:
    """Return up to what time [s] a condition holds that fails from some time on."""
    low, high = 0.0, 1.0
    if not holds(low):
        return 0.0
    while holds(high):
        low, high = high, 2.0 * high
    while high - low > 1e-12 * high:
        middle = (low + high) / 2.0
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
