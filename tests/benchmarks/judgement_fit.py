"""Fit the table of the diagnosis on a simulated fleet: `python -m tests.benchmarks.diagnosis --fit N` calls this.

All faults of a recording are fitted against each other and a healthy tool (`tests.benchmarks.rival_fit`) on ramps of
each feature, so that the log-odds follow a curve whose sign the mechanism gives. The weights of recordings without and
under load, what rivals take from each other and the clean bill are fitted on the odds of tools left out (six folds).
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.fleet import Measured, Row, can_have
from tests.benchmarks.judgement_features import FEATURES, OCTAVE_FEATURES, OF_KIND
from tests.benchmarks.rival_fit import Bound, Suspects, fit_rivals
from vibekit.machine.faults.judgement import INSTEAD, KNOTS, ROLE, FaultModel, classes
from vibekit.recording.recording import FloatArray

LEAST_SPREAD = 3.0  # dB: chance alone moves a reading so much
LEVEL_SPREAD = 6.0  # dB: sensor, its place and grip move plain levels so much between tools of one kind (no source)
_OF_COMBS = dict.fromkeys(("line_comb", "line_lead", "pulse_comb", "pulse_lead"), 2.0)  # some 10 readings each
_PLAIN_LEVELS = dict.fromkeys(("grade", "one_level", "mains_force", "mains_level"), LEVEL_SPREAD)
LEAST_SPREADS = {**_OF_COMBS, **_PLAIN_LEVELS, "tooth_kurtosis": 0.1, "harmonics_count": 1.0, "side_count": 1.0}
_FOLDS = 6
# A recording is taken as it is, as one of no known kind of tool, and as one of no stated condition besides: weights.
_TAKEN = {"as it is": 1.0, "kind unknown": 0.5, "kind and condition unknown": 0.25}
_FEW = -4.0  # log-odds to start from
_STEEP, _BENT = 1.0, 1.0  # shrinkage of a curve's slopes and of their changes; by leaving tools out
_OF_OCTAVES = 4.0  # so much more for octaves: the fleet has six designs, others are louder here and there

_BOUNDS: dict[str, Bound] = {"+": (0.0, None), "-": (None, 0.0), "?": (None, None)}

Ordinary = dict[str, dict[str, dict[str, tuple[float, float]]]]
Place = tuple[int, str | None]  # tool and part
Both = dict[str, dict[tuple[int, str], float]]  # per fault and (tool, view) the log-odds of its likeliest part


@dataclass(frozen=True)
class _Rows:
    """All rows of one fault: suspects of every recording, and tool, part, condition of each.

    Every row is there as often as it is taken differently (see `_TAKEN`): `plain` tells which are taken as they are.
    """

    suspects: Suspects
    place: tuple[tuple[int, str | None, str], ...]
    plain: NDArray[np.bool_]


def fit(cases: Sequence[Measured]) -> str:
    """Return the table as TOML text."""
    healthy = sum(not measured.case.faults for measured in cases)
    lines = [f'origin = "fitted on {len(cases)} simulated tools of six kinds, {healthy} of them healthy"', ""]
    ordinary = ordinary_tools(cases)
    rows, tool, weight = _gathered(cases, ordinary)
    suspects = [found.suspects for found in rows.values()]
    models = dict(zip(rows, fit_rivals(suspects, weight), strict=True))
    alone = _left_out(list(rows.values()), tool, weight)
    together, odds = _together(cases, dict(zip(rows, alone, strict=True)), rows)
    priors = {f: math.log(sum(f in m.case.faults for m in cases) / healthy) for f in FEATURES}
    for fault, signs in FEATURES.items():
        model, guilty = models[fault], rows[fault].suspects.guilty
        print(f"{fault:28s} {guilty.sum() // 3:4d} of {guilty.size // 3:5d} rows, together {together[fault].round(2)}")
        lines += [f'[fault."{fault}"]', f"bias = {model[0]:.4f}", f"prior = {priors[fault]:.3f}"]
        lines += [f"together = {_numbers(together[fault])}", f'[fault."{fault}".curves]']
        curves = model[1:].reshape(len(signs), -1)
        lines += [*(f"{name} = {_numbers(_curve(steps))}" for name, steps in zip(signs, curves, strict=True)), ""]
    for seen in ("both", "no load", "loaded"):
        views = list(_views(cases, odds, seen))
        bias, slope, share = _beside_rivals(views)
        lines += [f'[closing."{seen}"]', f"bias = {bias:.4f}", f"slope = {slope:.4f}", f"share = {share:.4f}"]
        bias, slope = _clean_bill(views, priors)
        lines += [f"healthy_bias = {bias:.4f}", f"healthy_slope = {slope:.4f}", ""]
    return "\n".join(lines + _ordinary_table(ordinary))


def _numbers(values: Any) -> str:
    return "[" + ", ".join(f"{value:.3f}" for value in values) + "]"


def _gathered(cases: Sequence[Measured], ordinary: Ordinary) -> tuple[dict[str, _Rows], NDArray[np.int64], FloatArray]:
    """Return the rows of every fault, and of each recording (as it is taken: see `_Rows`) its tool and weight.

    A faulty tool none of whose faults the sheet allows to test teaches nothing.
    """
    events: dict[tuple[int, str, str], int] = {}
    rows = {}
    for fault, signs in FEATURES.items():
        shell = FaultModel(0.0, dict.fromkeys(signs, ()), ordinary[ROLE[fault]])
        rows[fault] = _rows(cases, fault, shell, events)
    guilty = np.zeros(len(events))
    for found in rows.values():
        np.add.at(guilty, found.suspects.event, found.suspects.guilty)
    tool = np.array([event[0] for event in events])
    tells = (guilty > 0) | np.array([not cases[event[0]].case.faults for event in events])
    weight = np.array([_TAKEN[taken] for _, _, taken in events])
    return rows, tool, np.where(tells, weight, 0.0)


def _rows(
    cases: Sequence[Measured],
    fault: str,
    shell: FaultModel,
    events: dict[tuple[int, str, str], int],
) -> _Rows:
    """Return the rows of one fault, features in spreads (NaN where a recording does not give one) and as ramps."""
    values, guilty, place, plain, event = [], [], [], [], []
    for tool, measured in enumerate(cases):
        kind = measured.case.sheet.kind
        for condition, rows in measured.rows.items():
            for row, taken in itertools.product((r for r in rows if r.fault == fault), _TAKEN):
                stated = None if taken.endswith("condition unknown") else condition
                scaled = shell.standardised(row.values, stated, row.hz, kind if taken == "as it is" else None)
                values.append([scaled.get(name, np.nan) for name in shell.curves])
                guilty.append(row.true)
                place.append((tool, row.where, condition))
                plain.append(taken == "as it is")
                event.append(events.setdefault((tool, condition, taken), len(events)))
    ramps = _ramps(np.array(values))
    x = np.concatenate([np.ones((len(ramps), 1)), ramps], axis=1)
    bounds = [(None, None), *itertools.chain(*(_bounds(name, sign) for name, sign in FEATURES[fault].items()))]
    centre = np.concatenate([[_FEW], np.zeros(ramps.shape[1])])
    suspects = Suspects(
        x, np.zeros(len(x)), np.array(event), np.array(guilty), bounds, centre, _stiffness(shell.curves)
    )
    return _Rows(suspects, tuple(place), np.array(plain))


def _bounds(name: str, sign: str) -> list[Bound]:
    """Return the bounds of each ramp of a curve; a level below the ordinary tells nothing: sensors are deaf too."""
    flat = name.startswith(OF_KIND)
    return [(0.0, 0.0) if flat and high <= 0.0 else _BOUNDS[sign] for high in KNOTS[1:]]


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


def _stiffness(features: Iterable[str]) -> FloatArray:
    """Return the matrix of the shrinkage: squared slopes and squared changes of slope of every curve; bias free."""
    per_width = 1.0 / np.diff(np.array(KNOTS))
    bend = np.diff(np.diag(per_width), axis=0)
    held = np.diag([_OF_OCTAVES if name in OCTAVE_FEATURES else 1.0 for name in features])
    curves = np.kron(held, _STEEP * np.diag(per_width) + _BENT * bend.T @ bend)
    return np.pad(curves, ((1, 0), (1, 0)))


def _left_out(rows: Sequence[_Rows], tool: NDArray[np.int64], weight: FloatArray) -> list[FloatArray]:
    """Return the log-odds of every row of every fault by fits that left its tool out."""
    found = [np.zeros(r.suspects.event.size) for r in rows]
    for fold in range(_FOLDS):
        out = tool % _FOLDS == fold
        fitted = fit_rivals([r.suspects for r in rows], np.where(out, 0.0, weight))
        for values, r, weights in zip(found, rows, fitted, strict=True):
            here = out[r.suspects.event]
            values[here] = r.suspects.log_odds(weights)[here]
    return found


def _together(
    cases: Sequence[Measured], alone: Mapping[str, FloatArray], rows: Mapping[str, _Rows]
) -> tuple[dict[str, FloatArray], Both]:
    """Return constant and weights of both conditions per fault, and the log-odds of every tool by every view."""
    pairs = {fault: _pairs(rows[fault], values) for fault, values in alone.items()}
    suspects = [_pair_suspects(found) for found in pairs.values()]
    guilty = np.zeros(len(cases))
    for parts in suspects:
        np.add.at(guilty, parts.event, parts.guilty)
    tells = np.array([not measured.case.faults for measured in cases]) | (guilty > 0)
    weights = dict(zip(pairs, fit_rivals(suspects, tells.astype(float)), strict=True))
    odds: Both = {fault: {} for fault in pairs}
    for (fault, found), both in zip(pairs.items(), suspects, strict=True):
        for (tool, _), seen, value in zip(found, found.values(), both.log_odds(weights[fault]), strict=True):
            for view, of_view in [*((c, v) for c, (v, _) in seen.items()), ("both", float(value))]:
                odds[fault][tool, view] = max(of_view, odds[fault].get((tool, view), -math.inf))
    return weights, odds


def _pairs(rows: _Rows, alone: FloatArray) -> dict[Place, dict[str, tuple[float, bool]]]:
    """Return, per part, log-odds and truth by condition; of the rows taken as they are."""
    found: dict[Place, dict[str, tuple[float, bool]]] = defaultdict(dict)
    for (tool, where, condition), value, true, plain in zip(
        rows.place, alone, rows.suspects.guilty, rows.plain, strict=True
    ):
        if plain:
            found[tool, where][condition] = float(value), bool(true)
    return found


def _pair_suspects(pairs: Mapping[Place, Mapping[str, tuple[float, bool]]]) -> Suspects:
    """Return the parts as suspects: constant and the odds of both conditions where both are known, else the one."""
    seen = list(pairs.values())
    x = np.array([[1.0, *(s[c][0] for c in ("no load", "loaded"))] if len(s) == 2 else [0.0] * 3 for s in seen])
    offset = np.array([0.0 if len(s) == 2 else next(iter(s.values()))[0] for s in seen])
    guilty = np.array([any(true for _, true in s.values()) for s in seen])
    bounds: list[Bound] = [(None, None), (0.0, None), (0.0, None)]
    tools = np.array([tool for tool, _ in pairs])
    return Suspects(x, offset, tools, guilty, bounds, np.array([0.0, 0.6, 0.6]), np.diag([0.5, 4.0, 4.0]))


Tested = tuple[Measured, Mapping[str, float]]


def _views(cases: Sequence[Measured], odds: Both, seen: str) -> Iterator[Tested]:
    """Yield, for each tool as seen in one condition or both, the log-odds of every fault that was tested."""
    for tool, measured in enumerate(cases):
        tested = {fault: values[tool, seen] for fault, values in odds.items() if (tool, seen) in values}
        if tested:
            yield measured, tested


def _beside_rivals(views: Sequence[Tested]) -> tuple[float, float, float]:
    """Return bias, slope and share of rivals (see `JudgementTable.beside_rivals`), right on tools left out."""
    from scipy.optimize import minimize

    own, others, true = [], [], []
    for measured, tested in views:
        for fault, value in tested.items():
            own.append(value)
            others.append(math.fsum(math.exp(min(30.0, v)) for f, v in tested.items() if f != fault))
            true.append(_true_fault(measured, fault))
    odds_of, beside, y = np.array(own), np.array(others), np.array(true)

    def loss(p: FloatArray) -> float:
        z = p[0] + p[1] * (odds_of - np.log1p(beside / (1.0 + math.exp(-p[2]))))
        return float(np.sum(np.logaddexp(0.0, z) - y * z))

    found = minimize(loss, [0.0, 1.0, 0.0]).x
    return float(found[0]), float(found[1]), float(1.0 / (1.0 + math.exp(-found[2])))


def _true_fault(measured: Measured, fault: str) -> bool:
    return any(row.true for rows in measured.rows.values() for row in rows if row.fault == fault)


def _clean_bill(views: Sequence[Tested], priors: Mapping[str, float]) -> tuple[float, float]:
    """Return bias and slope of the healthy tool's log-odds on the log of the summed odds of all faults."""
    totals, clean = [], []
    for measured, tested in views:
        sheet = measured.case.sheet
        read = {*tested, *(() if sheet.meshes else ("imbalance.armature",))}  # on one shaft: the accessory's line
        every = [*tested.values(), *(priors[f] for f in FEATURES if f not in read and can_have(sheet, f))]
        totals.append(math.log(math.fsum(math.exp(min(30.0, value)) for value in every) + 1e-9))
        clean.append(not measured.case.faults)
    bias, slope = logistic(np.array(totals), np.array(clean))
    return bias, -slope


def logistic(x: FloatArray, y: NDArray[np.bool_]) -> tuple[float, float]:
    """Return bias and slope of largest likelihood, x of shape (n,)."""
    from scipy.optimize import minimize

    def loss(p: FloatArray) -> float:
        z = p[0] + p[1] * x
        return float(np.sum(np.logaddexp(0.0, z) - y * z))

    found = minimize(loss, [0.0, -1.0]).x
    return float(found[0]), float(found[1])


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
        least = LEVEL_SPREAD if name.startswith(OF_KIND) else LEAST_SPREADS.get(name, LEAST_SPREAD)
        found[name] = middle, max(least, spread)
    return found


def _ordinary_table(ordinary: Ordinary) -> list[str]:
    lines = []
    for role, by_class in ordinary.items():
        for name, features in by_class.items():
            lines.append(f'[ordinary."{role}"."{name}"]')
            lines += [f"{feature} = [{middle:.2f}, {spread:.2f}]" for feature, (middle, spread) in features.items()]
            lines.append("")
    return lines
