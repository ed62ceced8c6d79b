"""The doubt of a day against JCGM 101:2008 Monte Carlo runs that share nothing with our draws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest

from vibekit.handarm.exposure import DailyExposure, ExposureTask, day_of
from vibekit.handarm.exposure_doubt import coverage
from vibekit.handarm.uncertainty import Cause, UncertaintyPart
from vibekit.standards.exposure_values import REGIMES

DRAWS = 400_000
HOUR = 3600.0
TAILS = (0.02275, 0.97725)  # of the normal beyond two standard deviations: JCGM 100:2008 6.3, k = 2


def part(cause: Cause, relative: float, key: str | None, degrees: float = math.inf) -> UncertaintyPart:
    return UncertaintyPart(cause, relative, "made up", cause, key, degrees)


def task(a: float, hours: float, *parts: UncertaintyPart, **more: Any) -> ExposureTask:
    return ExposureTask(a, hours * HOUR, 2 * a * math.hypot(*(p.relative for p in parts)), budget=parts, **more)


def a8_of(a: Sequence[Any], hours: Sequence[Any]) -> Any:
    """Return A(8) of drawn magnitudes and times. ISO 5349-1:2001 eq. 3."""
    return np.sqrt(sum(x**2 * t for x, t in zip(a, hours, strict=True)) / 8)


SENSOR, PERSON = 0.05, 0.0825
OWN = math.sqrt(0.15**2 - SENSOR**2 - PERSON**2)


@pytest.mark.parametrize(
    ("shared", "times", "wanted"),
    [(False, 0.0, 0.54), (True, 0.0, 0.80), (True, 0.2, 0.89)],
)
def test_four_tools_with_one_sensor_by_one_person(shared: bool, times: float, wanted: float) -> None:
    """Four tools of 3.6 ± 30 %, 2 h each; with what they share U is half as large again, with 20 % on times more.

    Drawn here: each cause once where it is shared (JCGM 101:2008 6.4.8), times by one estimate; U = 2 standard
    deviations (JCGM 100:2008 6.3).
    """
    rng = np.random.default_rng(11)
    z = rng.standard_normal((4, 3, DRAWS))
    sensor, person = (z[0, i] if shared else z[:, i] for i in (0, 1))
    a = 3.6 * (1 + SENSOR * sensor + PERSON * person + OWN * z[:, 2])
    hours = 2 * (1 + times / 2 * rng.standard_normal(DRAWS))
    drawn = 2 * float(a8_of(list(a), [hours] * 4).std())
    tasks = [
        task(
            3.6,
            2,
            part("sensor", SENSOR, "S1" if shared else f"S{i}"),
            part("operator", PERSON, "A" if shared else f"O{i}"),
            part("recording", OWN, f"run {i}"),
            time_uncertainty_s=times * 2 * HOUR or None,
        )
        for i in range(4)
    ]
    told = day_of(tasks).expanded_uncertainty_mps2
    assert drawn == pytest.approx(wanted, abs=0.011)
    assert told == pytest.approx(drawn, rel=0.015)


def test_a_key_that_is_not_known_counts_as_shared() -> None:
    """The careful reading: one task whose sensor is not known makes the sensor of all tasks one."""
    known = [task(4, 1, part("sensor", 0.1, "S1")), task(3, 2, part("sensor", 0.1, "S2"))]
    one = [task(4, 1, part("sensor", 0.1, "S1")), task(3, 2, part("sensor", 0.1, None))]
    same = [task(4, 1, part("sensor", 0.1, "S1")), task(3, 2, part("sensor", 0.1, "S1"))]
    apart, unknown, together = (day_of(tasks).expanded_uncertainty_mps2 or 0.0 for tasks in (known, one, same))
    assert unknown == pytest.approx(together) == pytest.approx(0.2 * day_of(same).a8_mps2)  # all of it 10 % too much
    assert apart < 0.8 * together


def test_two_parts_of_one_cause_err_by_themselves() -> None:
    """A sensor's calibration and its band are two errors: squares add (JCGM 100:2008 eq. 10), also in one task."""
    two = UncertaintyPart("calibration", 0.06, "", "sensor", "S"), UncertaintyPart("band", 0.08, "", "sensor", "S")
    assert day_of([ExposureTask(4.0, 8 * HOUR, 0.8, budget=two)]).expanded_uncertainty_mps2 == pytest.approx(0.8)


DAYS: list[list[ExposureTask]] = [
    [task(5, 1, part("operator", 0.15, "A"))],
    [task(4, 2, part("sensor", 0.05, "S"), part("recording", 0.1, "1")), task(6, 0.5, part("sensor", 0.05, "S"))],
    [
        task(9, 0.2, part("operator", 0.2, None), part("recording", 0.2, "1"), time_uncertainty_s=0.1 * HOUR),
        task(2, 3, part("operator", 0.2, None), part("recording", 0.1, "2"), time_uncertainty_s=1.5 * HOUR),
        task(3.5, 1, part("mounting", 0.3, "M")),
    ],
    [task(4, 1, part("recording", 0.05, "1", 2), part("sensor", 0.05, "S")), task(3, 2, part("sensor", 0.05, "S"))],
    [task(5, 0.5, part("day", 0.3, "d"), time_uncertainty_s=0.2 * HOUR), task(5, 0.25, part("day", 0.3, "e"))],
]


def drawn_day(tasks: Sequence[ExposureTask], seed: int) -> tuple[list[Any], list[Any]]:
    """Return magnitudes and times [h] drawn: each (cause, part, key) once, normal or Student's t (JCGM 101 6.4.9)."""
    rng, once = np.random.default_rng(seed), dict[Any, Any]()
    time = rng.standard_normal(DRAWS)
    a, hours = [], []
    for one in tasks:
        error = np.zeros(DRAWS)
        for p in one.budget:
            few = math.isfinite(p.degrees_of_freedom)
            make = (lambda d=p.degrees_of_freedom: rng.standard_t(d, DRAWS)) if few else rng.standard_normal
            drawn = once.get((p.cause, p.key))
            drawn = (make() if few else make(DRAWS)) if drawn is None else drawn
            once[p.cause, p.key] = drawn
            error = error + p.relative * drawn
        a.append(np.maximum(0, one.a_hv_mps2 * (1 + error)))
        hours.append(np.maximum(0, one.time_s + (one.time_uncertainty_s or 0) / 2 * time) / HOUR)
    return a, hours


@pytest.mark.parametrize("tasks", DAYS)
def test_ends_and_low_ends_of_the_time_left(tasks: list[ExposureTask]) -> None:
    """A time left that is shorter than the low end told occurs in at most 2.5 % of draws, in hardly fewer than 2 %."""
    day, (a, hours) = day_of(tasks), drawn_day(tasks, 23)
    ends = day.a8_ends_mps2
    assert ends is not None
    a8 = a8_of(a, hours)
    assert ends == pytest.approx(np.quantile(a8, TAILS), rel=0.01)
    for value in (2.5, 5.0):
        for i, one in enumerate(tasks):
            left = np.maximum(0, 8 * value**2 - 8 * a8**2) / np.maximum(a[i], 1e-9) ** 2 * HOUR
            low, high = day.time_left_ends_s(value, one) or (None, None)
            assert low is not None
            shorter = float(np.mean(left < low))
            assert shorter <= 0.025
            if low > 0:
                assert shorter >= 0.020
            if high is not None and high > 0:
                assert 0.020 <= float(np.mean(left > high)) <= 0.025


@pytest.mark.parametrize(("degrees", "k"), [(1, 13.97), (2, 4.53), (3, 3.31), (5, 2.65), (10, 2.28), (50, 2.05)])
def test_coverage_factor_of_few_degrees_of_freedom(degrees: float, k: float) -> None:
    """JCGM 100:2008 Table G.2, 95.45 %."""
    assert coverage(1.0, [(1.0, degrees)]) == pytest.approx(k, abs=0.006)
    one = day_of([task(4, 8, part("recording", 0.1, "1", degrees))])
    assert one.expanded_uncertainty_mps2 == pytest.approx(k * 0.4, rel=0.002)


def test_effective_degrees_of_freedom() -> None:
    """JCGM 100:2008 eq. G.2b: of three equal parts with 4, 8 and no end of degrees of freedom 9/(1/4 + 1/8) = 24."""
    from scipy.stats import t

    k = coverage(math.sqrt(3.0), [(1.0, 4), (1.0, 8), (1.0, math.inf)])
    assert k == pytest.approx(t.ppf(TAILS[1], 24), rel=1e-3)
    assert coverage(1.0, [(1.0, math.inf)]) == 2.0


def test_time_doubt_alone() -> None:
    """A ~ √T: 4 h ± 30 min are ± 6.25 % of A(8) (JCGM 100:2008 eq. 10); what the magnitude adds is not known."""
    day = day_of([ExposureTask(3.5, 4 * HOUR, time_uncertainty_s=HOUR / 2)])
    assert day.expanded_uncertainty_mps2 == pytest.approx(0.0625 * day.a8_mps2)
    low, high = day.a8_ends_mps2 or (0, 0)
    assert (low, high) == (
        pytest.approx(3.5 * (3.5 / 8) ** 0.5, rel=1e-5),
        pytest.approx(3.5 * (4.5 / 8) ** 0.5, rel=1e-5),
    )
    assert day.verdict == "cannot tell whether above the action value"


def test_declared_values_may_be_exceeded_twofold() -> None:
    """A factor anywhere from 1 to 2, rectangular (JCGM 101:2008 6.4.2), the same for all; CEN/TR 15350 from memory."""
    tasks = [ExposureTask(3.0, 4 * HOUR, 0.6, real_use=(1.0, 2.0)), ExposureTask(2.0, HOUR, 0.4, real_use=(1.0, 2.0))]
    rng = np.random.default_rng(3)
    factor, error = rng.uniform(1, 2, DRAWS), 1 + 0.1 * rng.standard_normal(DRAWS)
    drawn = a8_of([3 * factor * error, 2 * factor * error], [4, 1])
    assert day_of(tasks).a8_ends_mps2 == pytest.approx(np.quantile(drawn, TAILS), rel=0.005)
    bare = day_of([ExposureTask(2.0, 4 * HOUR, real_use=(1.0, 2.0))])
    assert bare.a8_mps2 == pytest.approx(2**0.5)
    assert bare.a8_ends_mps2 == pytest.approx((2**0.5 * 1.02275, 2**0.5 * 1.97725), rel=1e-4)
    assert bare.verdict == "cannot tell whether above the action value"


def test_times_left_stay_within_the_cap_of_a_regime() -> None:
    """2 h a day whatever the tool (Japan, from memory): 1 h of 1 m/s² leaves 1 h, 50 min of it where T is ± 10 min."""
    japan = REGIMES["jp"]
    day = day_of([ExposureTask(1.0, HOUR, time_uncertainty_s=600)], japan)
    assert day.time_left_s(2.5) == HOUR
    assert day.time_left_ends_s(2.5, day.tasks[0]) == pytest.approx((3000, 4200), rel=1e-4)
    assert day.shown_below(2.5)
    over = DailyExposure((ExposureTask(1.0, 3 * HOUR),), japan)
    assert (over.time_left_s(2.5), over.verdict, over.shown_below(2.5)) == (0.0, "below action value", False)
    assert "over_daily_time" in [n["code"] for n in over.to_dict()["notices"]]
    assert day_of([ExposureTask(5.0, HOUR)], japan).time_left_s(2.5) == pytest.approx(HOUR)  # 2 h by A(8) as well
    assert day_of([ExposureTask(0.0, HOUR)], japan).time_left_s(2.5) == HOUR
