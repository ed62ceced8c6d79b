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
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from joblib import Parallel, delayed

from tests.benchmarks.fleet import Case, draw, measured
from vibekit.machine.judgement import CLASSES, FaultModel, ordinary_class

TABLE = Path(__file__).parents[2] / "vibekit" / "machine" / "judgement.toml"
VALIDATION_SEEDS = 1_000_000
CLEAR, MODERATE = 1.2, 0.6  # of the usual size of the fault
LEAST_SPREAD = 3.0  # dB: chance alone moves a reading so much
LEAST_SPREADS = {"tooth_kurtosis": 0.1, "harmonics_count": 1.0, "side_driven_count": 1.0}

_OUT = ("out_harmonics_one", "out_noise_one", "out_half_over", "out_two_one")
FEATURES: dict[str, tuple[str, ...]] = {
    "imbalance.accessory": (
        "grade",
        "one_share",
        "one_over",
        "noise_one",
        "two_one",
        "harmonics_one",
        "axial_one",
        "axial_two",
    ),
    "spindle.bent": ("two_one", "two_over", "axial_one", "axial_two", "one_share", "harmonics_one", "half_over"),
    "mount.loose": (
        "noise_one",
        "one_over",
        "harmonics_one",
        "harmonics_over",
        "half_over",
        "half_one",
        "knock",
        "two_one",
    ),
    "imbalance.armature": ("grade", "one_over", "one_share", "harmonics_one", "knock", "two_one", *_OUT[:2]),
    "gear.wear": (
        "mesh_over",
        "mesh_share",
        "mesh_two",
        "mesh_two_over",
        "side_driven",
        "side_driver",
        "side_driver_far",
        "side_driven_far",
        "tooth_kurtosis",
        *_OUT[:2],
    ),
    "gear.eccentric": (
        "mesh_over",
        "mesh_two",
        "side_driven",
        "side_driven_over",
        "side_driven_far",
        "side_driven_count",
        "side_driver",
        "tooth_kurtosis",
        "knock",
        *_OUT[:2],
    ),
    "gear.tooth": (
        "tooth_kurtosis",
        "knock",
        "side_driven",
        "side_driven_far",
        "side_driven_count",
        "side_driver_far",
        "mesh_two",
        "out_harmonics_over",
        *_OUT,
    ),
    "bushing.worn": (
        "harmonics_one",
        "harmonics_count",
        "harmonics_over",
        "half_over",
        "half_one",
        "noise_one",
        "knock",
        "two_one",
        "two_over",
        "one_over",
    ),
    **{
        f"bearing.{place}": (
            "env_first",
            "env_mean",
            "env_rival",
            *(("env_side",) if place in ("inner_race", "rolling_element") else ()),
            *_OUT[:2],
        )
        for place in ("outer_race", "inner_race", "rolling_element", "cage")
    },
    "electrical.commutation": ("ripple_over", "ripple_share", "ripple_side", *_OUT[:2]),
    "electrical.mains": ("mains_over", "mains_share", "mains_force", *_OUT[:2]),
}


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
    from sklearn.linear_model import LogisticRegression

    healthy_cases = [c for c in cases if not c["case"].faults]
    lines = [
        f'origin = "fitted on {len(cases)} simulated tools of six kinds, {len(healthy_cases)} of them healthy"',
        "",
    ]
    odds: dict[int, list[float]] = defaultdict(list)
    for fault, names in FEATURES.items():
        rows = [(i, r) for i, c in enumerate(cases) for r in c["rows"] if r[0] == fault]
        ordinary = {kind: _ordinary(_healthy_rows(rows, cases, kind), names) for kind in CLASSES}
        shell = FaultModel(0.0, dict.fromkeys(names, 1.0), ordinary)
        scaled = [shell.standardised(r[3], cases[i]["case"].condition, r[4]) for i, r in rows]
        x = np.array([[row.get(name, 0.0) for name in names] for row in scaled])
        y = np.array([r[2] for _, r in rows])
        model = LogisticRegression(C=0.3, max_iter=2000).fit(x, y)
        for (i, _), value in zip(rows, model.decision_function(x), strict=True):
            odds[i].append(float(value))
        weights = dict(zip(names, model.coef_[0], strict=True))
        print(
            f"{fault:28s} {int(y.sum()):4d} of {len(y):5d} rows  "
            + " ".join(f"{n} {w:+.2f}" for n, w in weights.items())
        )
        lines += _table_of(fault, float(model.intercept_[0]), weights, ordinary)
    total = np.array([[math.log(sum(math.exp(min(30.0, o)) for o in odds[i]) + 1e-9)] for i in sorted(odds)])
    healthy = LogisticRegression(C=10.0).fit(total, np.array([not cases[i]["case"].faults for i in sorted(odds)]))
    lines += ["[healthy]", f"bias = {healthy.intercept_[0]:.4f}", f"slope = {-healthy.coef_[0][0]:.4f}", ""]
    return "\n".join(lines)


def _healthy_rows(
    rows: Sequence[tuple[int, Any]], cases: Sequence[dict[str, Any]], kind: str
) -> list[dict[str, float]]:
    """Return the features of healthy tools of one class; of its condition at any speed where the fleet has too few."""
    healthy = [(ordinary_class(cases[i]["case"].condition, r[4]), r[3]) for i, r in rows if not cases[i]["case"].faults]
    here = [values for its, values in healthy if its == kind]
    return here if len(here) >= 8 else [values for its, values in healthy if its.split(",")[0] == kind.split(",")[0]]


def _ordinary(rows: Sequence[dict[str, float]], names: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Return median and robust spread of each feature over healthy tools."""
    found = {}
    for name in names:
        values = np.array([row[name] for row in rows if name in row] or [0.0])
        middle = float(np.median(values))
        spread = 1.4826 * float(np.median(np.abs(values - middle)))
        found[name] = middle, max(LEAST_SPREADS.get(name, LEAST_SPREAD), spread)
    return found


def _table_of(
    fault: str, bias: float, weights: dict[str, float], ordinary: dict[str, dict[str, tuple[float, float]]]
) -> list[str]:
    lines = [f'[fault."{fault}"]', f"bias = {bias:.4f}", f'[fault."{fault}".weights]']
    lines += [f"{name} = {weight:.4f}" for name, weight in weights.items()]
    for kind, features in ordinary.items():
        lines.append(f'[fault."{fault}"."{kind}"]')
        lines += [f"{name} = [{middle:.3f}, {spread:.3f}]" for name, (middle, spread) in features.items()]
    return [*lines, ""]


def judged(seed: int, change: Callable[[Case], Any] | None = None) -> tuple[Case, list[tuple[str, float]]]:
    """Return a case and its findings (fault, probability), most probable first; none where it cannot tell."""
    from vibekit.machine.diagnosis import diagnose

    case = draw(seed)
    diagnosis = diagnose(case.recording(), case.sheet)
    return case, [(finding.fault, finding.probability) for finding in diagnosis.findings]


def validate(results: Sequence[tuple[Case, list[tuple[str, float]]]]) -> None:
    """Print accuracy, false alarms, calibration and confusions."""
    told = [(case, findings) for case, findings in results if findings]
    print(f"{len(results)} tools, {len(results) - len(told)} of them: cannot tell (speed not found or band too narrow)")
    _accuracy(told)
    _alarms(told)
    _calibration(told)
    _confusions(told)


def _accuracy(told: Sequence[tuple[Case, list[tuple[str, float]]]]) -> None:
    print("\nfault, single            clear: n top-1 top-2    moderate: n top-1 top-2    weak: n top-1")
    table: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for case, findings in told:
        if len(case.faults) != 1:
            continue
        fault = next(iter(case.faults))
        strength = case.strength or 0.0
        level = "clear" if strength >= CLEAR else "moderate" if strength >= MODERATE else "weak"
        rank = [name for name, _ in findings].index(fault) if fault in [n for n, _ in findings] else 99
        for key in (fault, "all"):
            table[key][level].append(rank)
    for fault in sorted(table):
        cells = []
        for level in ("clear", "moderate", "weak"):
            ranks = np.array(table[fault][level])
            share = (f"{100 * np.mean(ranks < 1):4.0f} {100 * np.mean(ranks < 2):4.0f}") if ranks.size else "   -    -"
            cells.append(f"{ranks.size:4d} {share}")
        print(f"{fault:26s} " + "      ".join(cells))


def _alarms(told: Sequence[tuple[Case, list[tuple[str, float]]]]) -> None:
    healthy = [findings for case, findings in told if not case.faults]
    false = [f for f in healthy if any(name != "healthy" and p >= 0.5 for name, p in f)]
    top = [f for f in healthy if f[0][0] != "healthy"]
    share = 100 * len(false) / max(1, len(healthy))
    print(f"\nhealthy tools {len(healthy)}: a fault said at 50 % or more in {len(false)} ({share:.1f} %)")
    print(f"  another finding than healthy first in {len(top)}")
    print("  said:", Counter(name for f in false for name, p in f if name != "healthy" and p >= 0.5).most_common(6))


def _calibration(told: Sequence[tuple[Case, list[tuple[str, float]]]]) -> None:
    pairs = [(p, name in case.faults or (name == "healthy" and not case.faults)) for case, f in told for name, p in f]
    said, true = np.array([p for p, _ in pairs]), np.array([t for _, t in pairs])
    print(f"\nBrier score {np.mean((said - true) ** 2):.4f} over {said.size} probabilities; said, true, n")
    for low in np.arange(0.0, 1.0, 0.1):
        part = (said >= low) & (said < low + 0.1)
        if part.any():
            print(f"  {100 * said[part].mean():4.0f} %  {100 * true[part].mean():4.0f} %  {part.sum():5d}")


def _confusions(told: Sequence[tuple[Case, list[tuple[str, float]]]]) -> None:
    wrong = Counter(
        (next(iter(case.faults)), f[0][0])
        for case, f in told
        if len(case.faults) == 1 and (case.strength or 0) >= MODERATE and f[0][0] not in case.faults
    )
    print("\nmost frequent confusions, moderate and clear (true, said):", *wrong.most_common(12), sep="\n  ")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fit", type=int, metavar="N")
    parser.add_argument("--validate", type=int, metavar="N")
    parser.add_argument("--cache", type=Path, help="keep the measured fitting fleet here")
    given = parser.parse_args()
    if given.fit:
        TABLE.write_text(fit(gather(0, given.fit, given.cache)), encoding="utf-8")
    if given.validate:
        seeds = range(VALIDATION_SEEDS, VALIDATION_SEEDS + given.validate)
        validate(Parallel(n_jobs=2)(delayed(judged)(seed) for seed in seeds))


if __name__ == "__main__":
    main()
