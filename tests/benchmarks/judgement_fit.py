"""Fit the table of the diagnosis on a simulated fleet: `python -m tests.benchmarks.diagnosis --fit N` calls this.

Per fault: a logistic regression on ramps of each feature, so that the log-odds follow a curve whose sign the mechanism
gives; what stands in the table was scaled by odds of tools left out of the fit (three folds), as were the weights of
recordings without and under load, and the clean bill.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.fleet import Measured, Row, can_have
from vibekit.machine.judgement import INSTEAD, KNOTS, ROLE, FaultModel, classes
from vibekit.recording.recording import FloatArray

OF_KIND = "level_"  # features so named are plain levels
LEAST_SPREAD = 3.0  # dB: chance alone moves a reading so much
LEAST_SPREADS = {"tooth_kurtosis": 0.1, "harmonics_count": 1.0, "side_driven_count": 1.0}
_FOLDS = 3
_STEEP, _BENT = 0.3, 0.3  # shrinkage of a curve's slopes and of their changes; by leaving tools out

# Features weighed for each fault, with the sign that its mechanism calls for: "+" for it, "-" against it, "?" open.
_DISORDER = {"out_harmonics_one": "-", "out_noise_one": "-"}  # a rattling output shaft explains much else
_RACES = {"race_comb": "-"}  # a bearing's impacts explain knocks
_PLAY = {
    **_RACES,
    "harmonics_one": "+",
    "harmonics_over": "+",
    "half_over": "+",
    "half_one": "+",
    "knock": "+",
    "two_one": "+",
}
_TEETH = {"mesh_over": "+", "mesh_share": "+", "side_driver": "?"}
_RACE = {"env_first": "+", "env_mean": "+", "env_lead": "+", "white_comb": "+", "white_lead": "+", **_DISORDER}
FEATURES: dict[str, dict[str, str]] = {
    "imbalance.accessory": {
        "grade": "+",
        "one_share": "+",
        "one_over": "+",
        "swept_gain": "-",
        "noise_one": "-",
        "two_one": "-",
        "harmonics_one": "-",
        "half_over": "-",
        "axial_one": "-",
        "axial_two": "-",
    },
    "spindle.bent": {
        "two_one": "+",
        "two_over": "+",
        "axial_one": "+",
        "axial_two": "+",
        "one_share": "?",
        "harmonics_one": "-",
        "half_over": "-",
        "knock": "-",
    },
    "mount.loose": {
        **_PLAY,
        "below_one": "+",
        "noise_one": "+",
        "one_over": "-",
        "axial_two": "-",
        "two_over": "?",
        "harmonics_count": "?",
    },
    "imbalance.armature": {
        "grade": "+",
        "one_over": "+",
        "one_share": "+",
        "harmonics_one": "-",
        "two_one": "-",
        "knock": "-",
        **_DISORDER,
    },
    "gear.wear": {
        **_TEETH,
        "mesh_two": "+",
        "mesh_two_over": "+",
        "side_driven": "?",
        "side_driven_far": "-",
        "side_driver_far": "?",
        "tooth_kurtosis": "-",
        **_DISORDER,
    },
    "gear.eccentric": {
        "side_driven": "+",
        "side_driven_over": "+",
        "knock": "?",
        "mesh_over": "?",
        "side_driver": "-",
        "side_driven_far": "-",
        "side_driven_count": "?",
        "mesh_two": "-",
        "tooth_kurtosis": "-",
        **_DISORDER,
    },
    "gear.tooth": {
        "tooth_kurtosis": "+",
        "knock": "+",
        "side_driven_far": "+",
        "side_driven_count": "+",
        "side_driver_far": "?",
        "side_driven": "?",
        "out_harmonics_over": "+",
        "mesh_two": "-",
        "out_half_over": "-",
        **_RACES,
    },
    "bushing.worn": {
        **_PLAY,
        "below_one": "?",
        "harmonics_count": "+",
        "two_over": "+",
        "noise_one": "?",
        "one_over": "-",
        "axial_two": "?",
    },
    "bearing.outer_race": _RACE,
    "bearing.inner_race": {**_RACE, "env_side": "+", "white_side": "+"},
    "bearing.rolling_element": {**_RACE, "env_side": "+", "white_side": "+"},
    "bearing.cage": _RACE,
    "electrical.commutation": {"ripple_over": "+", "ripple_share": "+", "ripple_side": "+", **_DISORDER},
    "electrical.mains": {"mains_over": "+", "mains_share": "+", "mains_force": "+", **_DISORDER},
    "resonance": {"swept_gain": "+", **_DISORDER},
}
Bound = tuple[float | None, float | None]
_BOUNDS: dict[str, Bound] = {"+": (0.0, None), "-": (None, 0.0), "?": (None, None)}


@dataclass(frozen=True)
class _Rows:
    """All rows of one fault: features as ramps (n, n_features · n_ramps), truth, tool, condition and place of each."""

    ramps: FloatArray
    true: NDArray[np.bool_]
    tool: NDArray[np.int64]
    place: tuple[tuple[int, str | None, str], ...]


def fit(cases: Sequence[Measured]) -> str:
    """Return the table as TOML text."""
    healthy = sum(not measured.case.faults for measured in cases)
    lines = [f'origin = "fitted on {len(cases)} simulated tools of six kinds, {healthy} of them healthy"', ""]
    ordinary = ordinary_tools(cases)
    odds: dict[tuple[int, str], list[float]] = defaultdict(list)  # of tool and view: one condition, or "both"
    priors = {}
    for fault, signs in FEATURES.items():
        rows = _rows(cases, fault, FaultModel(0.0, dict.fromkeys(signs, ()), ordinary[ROLE[fault]]))
        model, alone = _fault_model(rows, tuple(signs.values()))
        together, both = _together(rows, alone)
        for (tool, _, condition), value in zip(rows.place, alone, strict=True):
            odds[tool, condition].append(float(value))
        for (tool, _), value in both.items():
            odds[tool, "both"].append(value)
        priors[fault] = _log_odds_of_share([fault in measured.case.faults for measured in cases])
        print(f"{fault:28s} {int(rows.true.sum()):4d} of {rows.true.size:5d} rows, together {np.round(together, 2)}")
        lines += [f'[fault."{fault}"]', f"bias = {model[0]:.4f}", f"prior = {priors[fault]:.3f}"]
        lines += [f"together = {_numbers(together)}", f'[fault."{fault}".curves]']
        curves = model[1:].reshape(len(signs), -1)
        lines += [*(f"{name} = {_numbers(_curve(steps))}" for name, steps in zip(signs, curves, strict=True)), ""]
    bias, slope = _clean_bill(cases, odds, priors)
    lines += ["[healthy]", f"bias = {bias:.4f}", f"slope = {slope:.4f}", ""]
    return "\n".join(lines + _ordinary_table(ordinary))


def _numbers(values: Any) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in values) + "]"


def _rows(cases: Sequence[Measured], fault: str, shell: FaultModel) -> _Rows:
    """Return the rows of one fault, features standardised (NaN where a recording does not give one) and as ramps."""
    values, true, place = [], [], []
    for tool, measured in enumerate(cases):
        for condition, rows in measured.rows.items():
            for row in (r for r in rows if r.fault == fault):
                scaled = shell.standardised(row.values, condition, row.hz, measured.case.sheet.kind)
                values.append([scaled.get(name, np.nan) for name in shell.curves])
                true.append(row.true)
                place.append((tool, row.where, condition))
    return _Rows(_ramps(np.array(values)), np.array(true), np.array([p[0] for p in place]), tuple(place))


def _ramps(scaled: FloatArray) -> FloatArray:
    """Return each feature as ramps from 0 to 1 between neighbouring knots, less their values at 0; unknown: 0."""
    knots = np.array(KNOTS)
    lows, widths = knots[:-1], np.diff(knots)
    rising = np.clip((scaled[:, :, None] - lows) / widths, 0.0, 1.0) - np.clip(-lows / widths, 0.0, 1.0)
    return np.where(np.isnan(scaled)[:, :, None], 0.0, rising).reshape(len(scaled), -1)


def _curve(steps: FloatArray) -> FloatArray:
    """Return the log-odds at the knots from the heights of the ramps, 0 at the middle."""
    at_knots = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(at_knots - at_knots[KNOTS.index(0.0)])


def _fault_model(rows: _Rows, signs: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Return bias and ramp heights of one fault, and the log-odds of every row by fits that left its tool out.

    The odds of tools left out are less sure than those of tools fitted: the model is scaled down to be right on them.
    """
    bounds = [_BOUNDS[sign] for sign in signs for _ in KNOTS[1:]]
    stiffness = _stiffness(len(signs))
    left_out = np.zeros(rows.true.size)
    for fold in range(_FOLDS):
        out = rows.tool % _FOLDS == fold
        fitted = logistic(rows.ramps[~out], rows.true[~out], bounds, stiffness)
        left_out[out] = fitted[0] + rows.ramps[out] @ fitted[1:]
    shift, scale = logistic(left_out[:, None], rows.true, [(0.0, None)], np.array([[1e-3]]))
    whole = logistic(rows.ramps, rows.true, bounds, stiffness) * scale
    whole[0] += shift
    return whole, shift + scale * left_out


def _stiffness(n_features: int) -> FloatArray:
    """Return the matrix of the shrinkage: squared slopes and squared changes of slope of every curve."""
    per_width = 1.0 / np.diff(np.array(KNOTS))
    bend = np.diff(np.diag(per_width), axis=0)
    return np.kron(np.eye(n_features), _STEEP * np.diag(per_width) + _BENT * bend.T @ bend)


def _together(rows: _Rows, alone: FloatArray) -> tuple[FloatArray, dict[tuple[int, str | None], float]]:
    """Return constant and weights of both conditions, and the log-odds of every part that was recorded in both."""
    found: dict[tuple[int, str | None], dict[str, tuple[float, bool]]] = defaultdict(dict)
    for (tool, where, condition), value, true in zip(rows.place, alone, rows.true, strict=True):
        found[tool, where][condition] = float(value), bool(true)
    pairs = {key: seen for key, seen in found.items() if len(seen) == 2}
    x = np.array([[seen["no load"][0], seen["loaded"][0]] for seen in pairs.values()])
    y = np.array([seen["loaded"][1] for seen in pairs.values()], dtype=bool)
    if y.all() or not y.any():  # resonance: only switching on and off can show it, so that nothing is seen twice
        return np.array([0.0, 0.5, 0.5]), {}
    weights = logistic(x, y, [(0.0, None)] * 2, 0.3 * np.eye(2))
    return weights, dict(zip(pairs, (weights[0] + x @ weights[1:]).tolist(), strict=True))


def _clean_bill(
    cases: Sequence[Measured], odds: Mapping[tuple[int, str], list[float]], priors: Mapping[str, float]
) -> tuple[float, float]:
    """Return bias and slope of the healthy tool's log-odds on the log of the summed odds of all faults."""
    totals, clean = [], []
    for (tool, view), values in odds.items():
        measured = cases[tool]
        seen = [measured.rows[view]] if view in measured.rows else list(measured.rows.values())
        read = {row.fault for rows in seen for row in rows}
        every = [*values, *(priors[f] for f in FEATURES if f not in read and can_have(measured.case.sheet, f))]
        totals.append(math.log(math.fsum(math.exp(min(30.0, value)) for value in every) + 1e-9))
        clean.append(not measured.case.faults)
    bias, slope = logistic(np.array(totals)[:, None], np.array(clean), [(None, 0.0)], np.array([[0.01]]))
    return float(bias), float(-slope)


def _log_odds_of_share(hits: Sequence[bool]) -> float:
    share = sum(hits) / len(hits)
    return math.log(share / (1.0 - share))


def logistic(x: FloatArray, y: NDArray[np.bool_], bounds: Sequence[Bound], stiffness: FloatArray) -> FloatArray:
    """Return bias and weights of largest likelihood within bounds, less half the quadratic form `stiffness`."""
    from scipy.optimize import minimize

    def loss(p: FloatArray) -> tuple[float, FloatArray]:
        z = p[0] + x @ p[1:]
        chance = 1.0 / (1.0 + np.exp(-np.clip(z, -40, 40)))
        pull = stiffness @ p[1:]
        value = np.sum(np.logaddexp(0.0, z) - y * z) + 0.5 * p[1:] @ pull
        return float(value), np.concatenate([[np.sum(chance - y)], x.T @ (chance - y) + pull])

    start = np.zeros(x.shape[1] + 1)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=[(None, None), *bounds], options={"maxiter": 500})
    return np.asarray(found.x)


Ordinary = dict[str, dict[str, dict[str, tuple[float, float]]]]


def ordinary_tools(cases: Sequence[Measured]) -> Ordinary:
    """Return, per role and class, median and robust spread of every feature over the healthy tools of the fleet."""
    values: dict[str, dict[str, list[Mapping[str, float]]]] = defaultdict(lambda: defaultdict(list))
    for measured in (m for m in cases if not m.case.faults):
        for condition, rows in measured.rows.items():
            for role, parts in _by_role(rows).items():
                for row in parts:
                    for name in classes(condition, row.hz, measured.case.sheet.kind):
                        values[role][name].append(row.values)
    found: Ordinary = {}
    for role, by_class in values.items():
        names = sorted({name for fault, signs in FEATURES.items() if ROLE[fault] == role for name in signs})
        names += [INSTEAD[name] for name in names if name in INSTEAD]
        every = [features for rows in by_class.values() for features in rows]
        found[role] = {
            c: _spreads(rows, _compared(c, names), every) for c, rows in sorted(by_class.items()) if _enough(c, rows)
        }
        for name in ("loaded, fast", "loaded, slow", "no load, fast", "no load, slow"):
            found[role].setdefault(name, _spreads(by_class.get(name, every), _compared(name, names), every))
    return found


def _by_role(rows: Sequence[Row]) -> dict[str, list[Row]]:
    """Return the rows of each role once, not once per fault read from it."""
    by_role: dict[str, dict[str | None, Row]] = defaultdict(dict)
    for row in rows:
        by_role[ROLE[row.fault]].setdefault(row.where, row)
    return {role: list(found.values()) for role, found in by_role.items()}


def _enough(name: str, rows: Sequence[Mapping[str, float]]) -> bool:
    """Tell whether a class may stand for itself: any class of all kinds, one kind from 10 healthy tools on."""
    return name.count(",") == 1 or len(rows) >= 10


def _compared(name: str, features: Sequence[str]) -> list[str]:
    """Return the features that are compared within a class: levels tell within one kind of tool only."""
    return [f for f in features if name.count(",") == 2 or not f.startswith(OF_KIND)]


def _spreads(
    rows: Sequence[Mapping[str, float]], names: Sequence[str], every: Sequence[Mapping[str, float]]
) -> dict[str, tuple[float, float]]:
    found = {}
    for name in names:
        values = [row[name] for row in rows if name in row] or [row[name] for row in every if name in row] or [0.0]
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(np.array(values) - middle)))
        found[name] = middle, max(LEAST_SPREADS.get(name, LEAST_SPREAD), spread)
    return found


def _ordinary_table(ordinary: Ordinary) -> list[str]:
    lines = []
    for role, by_class in ordinary.items():
        for name, features in by_class.items():
            lines.append(f'[ordinary."{role}"."{name}"]')
            lines += [f"{feature} = [{middle:.2f}, {spread:.2f}]" for feature, (middle, spread) in features.items()]
            lines.append("")
    return lines
