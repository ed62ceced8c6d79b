"""How sure A(8) and the time left are: carried over from the magnitudes, times taken as exact."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from vibekit.handarm.uncertainty import COVERAGE, ends
from vibekit.standards.exposure_values import REFERENCE_DURATION_S

_NEVER_S = 1e9  # years

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
    """Return the ends of A(8) at k = 2 [m/s²]: of the normal whose square has mean and variance of the day's energy.

    With normal magnitudes (JCGM 101:2008 6.4.7) that is exact for one tool; for several it follows how squares of large
    errors add, which `expanded_uncertainty`, being linear, does not. E a² = m² + u², Var a² = 4·m²·u² + 2·u⁴.
    """
    mean = variance = 0.0
    for (a, expanded), time_s in times.items():
        share, u = time_s / REFERENCE_DURATION_S, expanded / COVERAGE
        mean += share * (a * a + u * u)
        variance += share * share * (4.0 * a * a * u * u + 2.0 * u**4)
    square = math.sqrt(max(0.0, mean * mean - variance / 2.0))  # of the normal's mean
    return ends(math.sqrt(square), COVERAGE * math.sqrt(mean - square))


def time_left_ends_s(times: Times, own: Measured, value_mps2: float) -> tuple[float | None, float | None]:
    """Return how long [s] a tool measured as `own` may go on until the upper, and the lower end of A(8) is a value.

    None for the latter where the magnitude is so doubtful that the lower end never gets there.
    """

    def after(more_s: float) -> tuple[float, float]:
        return a8_ends({**times, own: times.get(own, 0.0) + more_s})

    return _longest_s(lambda more: after(more)[1] < value_mps2), _longest_s(lambda more: after(more)[0] < value_mps2)


def _longest_s(holds: Callable[[float], bool]) -> float | None:
    """Return up to what time [s] a condition holds that fails from some time on, None where it never does."""
    low, high = 0.0, 1.0
    if not holds(low):
        return 0.0
    while holds(high):
        if high > _NEVER_S:
            return None
        low, high = high, 2.0 * high
    while high - low > 1e-12 * high:
        middle = (low + high) / 2.0
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
