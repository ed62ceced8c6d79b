"""Fit the table of the diagnosis on one simulated fleet, or validate it on another that it has never met.

    python -m tests.benchmarks.diagnosis --fit 1500        writes vibekit/machine/judgement.toml
    python -m tests.benchmarks.diagnosis --validate 500    prints accuracy, false alarms, calibration, Brier score

Fitting and validation draw their seeds from ranges that do not meet. Two processes.
"""

from __future__ import annotations

import argparse
import math
import pickle
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from joblib import Parallel, delayed

from tests.benchmarks.fleet import Case, can_have, draw, measured
from vibekit.machine.judgement import INSTEAD, ROLE, FaultModel, classes
from vibekit.recording.toolsheet import Shaft, ToolSheet

TABLE = Path(__file__).parents[2] / "vibekit" / "machine" / "judgement.toml"
VALIDATION_SEEDS = 1_000_000
CLEAR, MODERATE = 1.2, 0.6  # of the usual size of the fault
LEAST_SPREAD = 3.0  # dB: chance alone moves a reading so much
LEAST_SPREADS = {"tooth_kurtosis": 0.1, "harmonics_count": 1.0, "side_driven_count": 1.0}

# Features weighed for each fault, with the sign that its mechanism calls for: "+" for it, "-" against it, "?" open.
_DISORDER = {"out_harmonics_one": "-", "out_noise_one": "-"}  # a rattling output shaft explains much else
_PLAY = {"harmonics_one": "+", "harmonics_over": "+", "half_over": "+", "half_one": "+", "knock": "+", "two_one": "+"}
_TEETH = {"mesh_over": "+", "mesh_share": "+", "side_driver": "?"}
_RACE = {"env_first": "+", "env_mean": "+", "env_lead": "+", **_DISORDER}
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
    "bearing.inner_race": {**_RACE, "env_side": "+"},
    "bearing.rolling_element": {**_RACE, "env_side": "+"},
    "bearing.cage": _RACE,
    "electrical.commutation": {"ripple_over": "+", "ripple_share": "+", "ripple_side": "+", **_DISORDER},
    "electrical.mains": {"mains_over": "+", "mains_share": "+", "mains_force": "+", **_DISORDER},
    "resonance": {"swept_gain": "+", **_DISORDER},
}
_BOUNDS = {"+": (0.0, None), "-": (None, 0.0), "?": (None, None)}
_SHRINKAGE = 1.5  # on squared weights: as if each were known to about ±0.8 beforehand


def gather(first: int, count: int, cache: Path | None = None) -> list[dict[str, Any]]:
    """Return the measured cases of seeds `first` to `first + count - 1`."""
    if cache and cache.exists():
        found: list[dict[str, Any]] = pickle.loads(cache.read_bytes())
        return found
    cases = Parallel(n_jobs=2, verbose=1)(delayed(measured)(seed) for seed in range(first, first + count))
    if cache:
        cache.write_bytes(pickle.dumps(cases))
    return list(cases)


def fit(cases: Sequence[dict[str, Any]]) -> str:
    """Return the table as TOML text: logistic regression per fault, and of the healthy tool on the faults' odds."""
    count = sum(not c["case"].faults for c in cases)
    lines = [f'origin = "fitted on {len(cases)} simulated tools of six kinds, {count} of them healthy"', ""]
    odds: dict[int, list[float]] = defaultdict(list)
    priors: dict[str, float] = {}
    ordinary = ordinary_tools(cases)
    for fault, signs in FEATURES.items():
        rows = [(i, r) for i, c in enumerate(cases) for r in c["rows"] if r[0] == fault]
        shell = FaultModel(0.0, dict.fromkeys(signs, 1.0), ordinary[ROLE[fault]])
        facts = [(cases[i]["case"].condition, r[4], cases[i]["case"].sheet.kind) for i, r in rows]
        scaled = [shell.standardised(r[3], *fact) for (_, r), fact in zip(rows, facts, strict=True)]
        x = np.array([[row.get(name, 0.0) for name in signs] for row in scaled])
        y = np.array([r[2] for _, r in rows])
        bias, fitted = logistic(x, y, [_BOUNDS[sign] for sign in signs.values()], _SHRINKAGE)
        for (i, _), value in zip(rows, bias + x @ fitted, strict=True):
            odds[i].append(float(value))
        weights = dict(zip(signs, fitted.tolist(), strict=True))
        shown = " ".join(f"{n} {w:+.2f}" for n, w in weights.items())
        print(f"{fault:28s} {int(y.sum()):4d} of {len(y):5d} rows  {shown}")
        priors[fault] = _log_odds_of_share([fault in case["case"].faults for case in cases])
        lines += [
            f'[fault."{fault}"]',
            f"bias = {bias:.4f}",
            f"prior = {priors[fault]:.3f}",
            f'[fault."{fault}".weights]',
        ]
        lines += [*(f"{name} = {weight:.4f}" for name, weight in weights.items()), ""]
    for i, case in enumerate(cases):
        odds[i] += [priors[fault] for fault in _untested(case)] if i in odds else []
    total = np.array([[math.log(sum(math.exp(min(30.0, o)) for o in odds[i]) + 1e-9)] for i in sorted(odds)])
    healthy = np.array([not cases[i]["case"].faults for i in sorted(odds)])
    bias, slope = logistic(total, healthy, [(None, 0.0)], 0.01)
    lines += ["[healthy]", f"bias = {bias:.4f}", f"slope = {-slope[0]:.4f}", ""]
    return "\n".join(lines + _ordinary_table(ordinary))


def _log_odds_of_share(hits: Sequence[bool]) -> float:
    share = sum(hits) / len(hits)
    return math.log(share / (1.0 - share))


def _untested(case: dict[str, Any]) -> list[str]:
    """Return the faults that a tool can have and its recording could not test (no part was read for them)."""
    read = {row[0] for row in case["rows"]}
    return [fault for fault in FEATURES if fault not in read and can_have(case["case"].sheet, fault)]


def logistic(
    x: Any, y: Any, bounds: Sequence[tuple[float | None, float | None]], shrinkage: float
) -> tuple[float, Any]:
    """Return bias and weights of largest likelihood within bounds, weights shrunk towards zero."""
    from scipy.optimize import minimize

    def loss(p: Any) -> tuple[float, Any]:
        z = p[0] + x @ p[1:]
        chance = 1.0 / (1.0 + np.exp(-np.clip(z, -40, 40)))
        value = np.sum(np.logaddexp(0.0, z) - y * z) + 0.5 * shrinkage * np.sum(p[1:] ** 2)
        return float(value), np.concatenate([[np.sum(chance - y)], x.T @ (chance - y) + shrinkage * p[1:]])

    start = np.zeros(x.shape[1] + 1)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=[(None, None), *bounds])
    return float(found.x[0]), found.x[1:]


Ordinary = dict[str, dict[str, dict[str, tuple[float, float]]]]


def ordinary_tools(cases: Sequence[dict[str, Any]]) -> Ordinary:
    """Return, per role and class, median and robust spread of every feature over the healthy tools of the fleet."""
    values: dict[str, dict[str, list[dict[str, float]]]] = defaultdict(lambda: defaultdict(list))
    for case in cases:
        if case["case"].faults:
            continue
        for role, rows in _by_role(case["rows"]).items():
            for _, _, _, features, hz in rows:
                for name in classes(case["case"].condition, hz, case["case"].sheet.kind):
                    values[role][name].append(features)
    found: Ordinary = {}
    for role, by_class in values.items():
        names = sorted({name for fault, signs in FEATURES.items() if ROLE[fault] == role for name in signs})
        names += [INSTEAD[name] for name in names if name in INSTEAD]
        every = [features for rows in by_class.values() for features in rows]
        found[role] = {c: _spreads(rows, names, every) for c, rows in sorted(by_class.items()) if _enough(c, rows)}
        for name in ("loaded, fast", "loaded, slow", "no load, fast", "no load, slow"):
            found[role].setdefault(name, _spreads(by_class.get(name, every), names, every))
    return found


def _by_role(rows: Sequence[Any]) -> dict[str, list[Any]]:
    """Return the rows of each role once, not once per fault read from it."""
    by_role: dict[str, dict[Any, Any]] = defaultdict(dict)
    for row in rows:
        by_role[ROLE[row[0]]].setdefault(row[1], row)
    return {role: list(found.values()) for role, found in by_role.items()}


def _enough(name: str, rows: Sequence[Any]) -> bool:
    """Tell whether a class may stand for itself: any class of all kinds, one kind from 10 healthy tools on."""
    return name.count(",") == 1 or len(rows) >= 10


def _spreads(
    rows: Sequence[dict[str, float]], names: Sequence[str], every: Sequence[dict[str, float]]
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


@dataclass(frozen=True)
class Judged:
    """A case with its findings (fault, probability), most probable first, and the faults said not to be testable."""

    case: Case
    findings: tuple[tuple[str, float], ...]
    untested: frozenset[str]

    @property
    def truth(self) -> frozenset[str]:
        """The faults as far as lines can tell them: on a direct drive the armature's imbalance is the accessory's."""
        direct = not self.case.sheet.meshes
        same = {"imbalance.armature": "imbalance.accessory"} if direct else {}
        return frozenset(same.get(fault, fault) for fault in self.case.faults)


def judged(seed: int, incomplete: bool = False) -> Judged:
    """Return a case judged.

    `incomplete`: with a sheet that states only shafts, rated speed and teeth, as a user has it before the teardown.
    """
    from vibekit.machine.diagnosis import diagnose

    case = draw(seed)
    recording, sheet = case.recording(), case.sheet
    if incomplete:
        shafts = tuple(Shaft(shaft.name, shaft.rated_rpm) for shaft in sheet.shafts)
        sheet = ToolSheet(sheet.tag, sheet.kind, supply=sheet.supply, shafts=shafts, meshes=sheet.meshes)
        recording = replace(recording, origin=replace(recording.origin, tool=sheet))
    diagnosis = diagnose(recording, sheet)
    findings = tuple((finding.fault, finding.probability) for finding in diagnosis.findings)
    return Judged(case, findings, frozenset(fault for fault, _ in diagnosis.not_testable))


def validate(results: Sequence[Judged]) -> None:
    """Print accuracy, false alarms, calibration and confusions."""
    told = [result for result in results if result.findings]
    print(f"{len(results)} tools, {len(results) - len(told)} of them: cannot tell (speed not found or band too narrow)")
    for title, part in (
        ("all", told),
        ("no load", [r for r in told if r.case.condition == "no load"]),
        ("loaded", [r for r in told if r.case.condition == "loaded"]),
    ):
        _accuracy(title, part)
    _alarms(told)
    _calibration(told)
    _confusions(told)


def _accuracy(title: str, told: Sequence[Judged]) -> None:
    """Print where the true fault stands; single faults only, those said not to be testable apart."""
    single = [r for r in told if len(r.truth) == 1]
    testable = [r for r in single if not r.truth & r.untested]
    print(f"\n{title}: {len(single)} single faults, of which said not to be testable: {len(single) - len(testable)}")
    print(f"{'fault':26s} clear: n top-1 top-2  moderate: n top-1 top-2  weak: n top-1 top-2")
    table: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for result in testable:
        fault = next(iter(result.truth))
        strength = result.case.strength or 0.0
        level = "clear" if strength >= CLEAR else "moderate" if strength >= MODERATE else "weak"
        names = [name for name, _ in result.findings]
        rank = names.index(fault) if fault in names else 99
        for key in (fault, "all"):
            table[key][level].append(rank)
    for fault in sorted(table) if title == "all" else ["all"] if table else []:
        cells = []
        for level in ("clear", "moderate", "weak"):
            ranks = np.array(table[fault][level])
            share = (f"{100 * np.mean(ranks < 1):4.0f} {100 * np.mean(ranks < 2):4.0f}") if ranks.size else "   -    -"
            cells.append(f"{ranks.size:4d} {share}")
        print(f"{fault:26s} " + "      ".join(cells))


def _alarms(told: Sequence[Judged]) -> None:
    healthy = [r.findings for r in told if not r.truth]
    false = [f for f in healthy if any(name != "healthy" and p >= 0.5 for name, p in f)]
    share = 100 * len(false) / max(1, len(healthy))
    print(f"\nhealthy tools {len(healthy)}: a fault said at 50 % or more in {len(false)} ({share:.1f} %)")
    print(f"  another finding than healthy first in {sum(f[0][0] != 'healthy' for f in healthy)}")
    print("  said:", Counter(name for f in false for name, p in f if name != "healthy" and p >= 0.5).most_common(6))


def _calibration(told: Sequence[Judged]) -> None:
    pairs = [(p, name in r.truth or (name == "healthy" and not r.truth)) for r in told for name, p in r.findings]
    said, true = np.array([p for p, _ in pairs]), np.array([t for _, t in pairs])
    print(f"\nBrier score {np.mean((said - true) ** 2):.4f} over {said.size} probabilities; said, true, n")
    for low in np.arange(0.0, 1.0, 0.1):
        part = (said >= low) & (said < low + 0.1)
        if part.any():
            print(f"  {100 * said[part].mean():4.0f} %  {100 * true[part].mean():4.0f} %  {part.sum():5d}")


def _confusions(told: Sequence[Judged]) -> None:
    wrong = Counter(
        (next(iter(r.truth)), r.findings[0][0])
        for r in told
        if len(r.truth) == 1
        and not r.truth & r.untested
        and (r.case.strength or 0) >= MODERATE
        and r.findings[0][0] not in r.truth
    )
    print("\nmost frequent confusions, moderate and clear (true, said):", *wrong.most_common(12), sep="\n  ")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fit", type=int, metavar="N")
    parser.add_argument("--validate", type=int, metavar="N")
    parser.add_argument("--incomplete", action="store_true", help="validate with sheets that say little")
    parser.add_argument("--cache", type=Path, help="keep the measured fitting fleet here")
    given = parser.parse_args()
    if given.fit:
        TABLE.write_text(fit(gather(0, given.fit, given.cache)), encoding="utf-8")
    if given.validate:
        seeds = range(VALIDATION_SEEDS, VALIDATION_SEEDS + given.validate)
        validate(Parallel(n_jobs=2)(delayed(judged)(seed, given.incomplete) for seed in seeds))


if __name__ == "__main__":
    main()
