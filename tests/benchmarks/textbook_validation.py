"""Speed and diagnosis on textbook tools, fitted on none: python -m tests.benchmarks.textbook_validation 10.

Prints for each fault how often it stands first, and among the first two, where the tool's sheet allows to test it; then
false alarms, Brier score, and how often the speed was right within 0.5 %: with the sheet, and with none. Where the
fleet's tables (`tests.benchmarks.diagnosis`) are far better than these, the judgement knows the simulator, not tools.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

import vibekit as vk
from tests.benchmarks.textbook_signals import FAULTS, Textbook, make, write
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.recording.recording import Origin

SPEED_WITHIN = 0.005


@dataclass(frozen=True)
class Told:
    """What was said of a textbook tool: findings by probability, what does not show, whether the speed was right.

    `case` is kept without its samples; `bare_speed_right`: without a sheet, None where that was not tried.
    """

    case: Textbook
    findings: dict[str, float]
    untested: frozenset[str]
    speed_right: bool
    bare_speed_right: bool | None

    @property
    def rank(self) -> int:
        """Place of the true fault among the findings, from 0."""
        names = list(self.findings)
        return names.index(self.case.fault) if self.case.fault in names else len(names)


def told(seed: int, fault: str, size: str, bare: bool = True) -> Told:
    """Return what is said of one tool; every fourth on one axis; `bare`: try the speed without a sheet too."""
    case = make(seed, fault, size, 1 if seed % 4 == 3 else 3)
    with tempfile.TemporaryDirectory() as folder:
        recording = vk.read(write(Path(folder), case))
        diagnosis = vk.diagnose(recording)
        without = _without_sheet(recording)
        unaided = off(case, vk.estimate_speed(without)) < SPEED_WITHIN if bare else None
    findings = {finding.fault: finding.probability for finding in diagnosis.findings}
    untested = frozenset(name for name, _ in diagnosis.not_testable)
    small = replace(case, samples=case.samples[:, :1])
    return Told(small, findings, untested, off(case, diagnosis.speed) < SPEED_WITHIN, unaided)


def _without_sheet(recording: vk.Recording) -> vk.Recording:
    origin = recording.origin
    return replace(recording, origin=Origin(file=origin.file, facts=replace(origin.facts, tool=None)))


def off(case: Textbook, speed: SpeedEstimate) -> float:
    """Return the median relative error of the track; of the nearest shaft where the estimate names none of them."""
    if not speed.known:
        return float("inf")
    named = dict(zip(case.tool.shafts, case.tool.ratios, strict=True))
    ratios = [named[speed.of]] if speed.of in named else list(named.values())
    true = np.interp(speed.time_s, 0.01 * np.arange(len(case.hz)), case.hz)
    return min(float(np.nanmedian(np.abs(speed.hz / (ratio * true) - 1))) for ratio in ratios)


def show(results: Sequence[Told]) -> None:
    """Print the tables."""
    print(f"{'fault':26s} clear: n top-1 top-2   moderate: n top-1 top-2")
    for fault in (*FAULTS[1:], "all"):
        cells = []
        for size in ("clear", "moderate"):
            ranks = [r.rank for r in results if _counts(r, fault) and r.case.size == size]
            shares = [100 * np.mean(np.array(ranks) < n) if ranks else np.nan for n in (1, 2)]
            cells.append(f"{len(ranks):8d} {shares[0]:5.0f} {shares[1]:5.0f}")
        print(f"{fault:26s} " + "   ".join(cells))
    sound = [r.findings for r in results if r.case.fault == "healthy"]
    alarms = sum(any(p >= 0.5 for fault, p in found.items() if fault != "healthy") for found in sound)
    print(f"healthy tools {len(sound)}: a fault said at 50 % or more in {alarms}")
    errors = [(p - (fault == r.case.fault)) ** 2 for r in results for fault, p in r.findings.items()]
    print(f"Brier score {np.mean(errors):.4f}")
    print(f"speed right: with the sheet {100 * np.mean([r.speed_right for r in results]):.0f} %, ", end="")
    print(f"without {100 * np.mean([r.bare_speed_right is True for r in results]):.0f} %")


def _counts(result: Told, fault: str) -> bool:
    """Tell whether a result belongs to a fault's row: faults said not to show are left out."""
    own = result.case.fault
    return own not in ("healthy", *result.untested) and fault in (own, "all")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("tools", type=int, help="tools for each fault and size")
    parser.add_argument("--first", type=int, default=100, metavar="SEED")
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.tools)
    jobs = [(s, f, size) for s in seeds for f in FAULTS[1:] for size in ("clear", "moderate")]
    jobs += [(s, "healthy", "clear") for s in range(given.first, given.first + 4 * given.tools)]
    show(list(Parallel(n_jobs=2)(delayed(told)(*job) for job in jobs)))


if __name__ == "__main__":
    main()
