"""Fit of the weights that decide among speeds; run: python -m tests.benchmarks.speed_fit (VIBEKIT_REAL_DATA set).

Recordings of `speed_sets`, with and without their sheets. Each says which candidates are the shaft, without a sheet any
shaft of the tool (of noise: none). The weights make the true ones as likely as can be: P(i) = exp(w·signs(i)) / (sum +
exp(w0)), each set weighed by the root of its size, with a slight pull to 0. Printed: the weights, and for each set what
those fitted without it say: right, wrong with more than 0.5, and over all of them said against right.
"""

from __future__ import annotations

import argparse
from itertools import pairwise

import numpy as np

from tests.benchmarks.speed_sets import BINS, SETS, Known, recordings
from vibekit.machine.speed.from_lines import heard_with_supply, speaking
from vibekit.machine.speed.verdict import distinct, signs
from vibekit.machine.tracks.target import target_of

PULL = 0.1
Case = tuple[str, np.ndarray, np.ndarray]
"""Set, signs of each candidate and how unusual it is, and which of them are true (none: no shaft turns)."""


def case_of(known: Known) -> Case | None:
    """Return the candidates of a recording, None where there are none."""
    group, _, recording, tool, true = known
    samples = recording.samples if recording.axes else recording.sound[None, :]
    target = target_of(tool, None)
    ranked = distinct(speaking(*heard_with_supply(samples, recording.sample_rate, target, tool, bool(recording.axes))))
    if not ranked:
        return None
    of = [hz for shaft, hz in true.items() if tool is None or shaft == target.of]
    shafts = [float(np.median(hz[1])) if isinstance(hz, tuple) else hz for hz in of]
    right = np.array([any(abs(s.hz / hz - 1.0) < 0.01 for hz in shafts) for s in ranked])
    unusual = np.array([-target.unusual(s.hz) for s in ranked])
    return (group, np.column_stack([signs(ranked), unusual]), right) if right.any() or not shafts else None


def chances(weights: np.ndarray, case: Case) -> np.ndarray:
    """Return the chance of each candidate and, last, of none."""
    odds = np.append(case[1] @ weights[1:], weights[0])
    raised = np.exp(odds - odds.max())
    return raised / raised.sum()


def fit(cases: list[Case]) -> np.ndarray:
    """Return the weights, that of none first."""
    from scipy.optimize import minimize

    sizes = {group: sum(c[0] == group for c in cases) for group in {c[0] for c in cases}}
    scale = np.append(1.0, np.maximum(np.std(np.concatenate([c[1] for c in cases]), axis=0), 1e-6))

    def loss(scaled: np.ndarray) -> float:
        total = PULL * float(np.sum(scaled[1:] ** 2))
        for case in cases:
            p = chances(scaled / scale, case)
            said = p[:-1][case[2]].sum() if case[2].any() else p[-1]
            total -= np.log(max(said, 1e-9)) / np.sqrt(max(6, sizes[case[0]]))
        return total

    return np.asarray(minimize(loss, np.zeros(scale.size), method="BFGS").x / scale)


def main() -> None:
    """Print weights and tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", nargs="*", default=list(SETS), choices=SETS)
    parser.add_argument("--seeds", type=int, default=2)
    given = parser.parse_args()
    known = (k for name in given.sets for k in recordings(name, given.seeds, []))
    cases = [c for c in map(case_of, known) if c is not None]
    print("none, the signs, unusual:", " ".join(f"{w:.3g}" for w in fit(cases)))
    told = []
    for group in dict.fromkeys(c[0] for c in cases):
        weights = fit([c for c in cases if c[0].split(",")[0] != group.split(",")[0]])
        mine = [(chances(weights, c), c[2]) for c in cases if c[0] == group]
        tops = [(float(p[:-1].max()), bool(right[np.argmax(p[:-1])])) for p, right in mine]
        told += tops
        wrong = sum(p > 0.5 and not right for p, right in tops)
        print(f"{group:26} n {len(tops):3d}  right {sum(r for _, r in tops):3d}  wrong above 0.5: {wrong}")
    for low, high in pairwise(BINS):
        part = [(p, right) for p, right in told if low <= p < high]
        if part:
            said, right = np.mean(part, axis=0)
            print(f"{low:.2f} to {high:.2f}: n {len(part):4d}  said {said:.2f}  right {right:.2f}")


if __name__ == "__main__":
    main()
