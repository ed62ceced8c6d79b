"""Fit the table of the diagnosis on one simulated fleet, or validate it on another that it has never met.

    python -m tests.benchmarks.diagnosis --fit 1200        writes vibekit/machine/faults/judgement.toml
    python -m tests.benchmarks.diagnosis --validate 300    prints accuracy, false alarms, calibration, Brier score

Each tool is recorded without load (most of them with switching on and off) and under load; the tables are for both
recordings together and for each alone. Fitting and validation draw their seeds from ranges that do not meet. Two
processes.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

from tests.benchmarks.fleet import CONDITIONS, Case, Measured, draw, measured
from tests.benchmarks.judgement_fit import fit
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import Shaft, ToolSheet

TABLE = Path(__file__).parents[2] / "vibekit" / "machine" / "faults" / "judgement.toml"
VALIDATION_SEEDS = 1_000_000
CLEAR, MODERATE = 1.2, 0.6  # of the usual size of the fault
VIEWS = {"both": CONDITIONS, "no load": ("no load",), "loaded": ("loaded",)}
_TRACE = 0.03  # share of a third of an octave's energy that a fault must change to have left a trace


def gather(first: int, count: int, cache: Path | None = None) -> list[Measured]:
    """Return the measured cases of seeds `first` to `first + count - 1`."""
    if cache and cache.exists():
        found: list[Measured] = pickle.loads(cache.read_bytes())
        return found
    seeds = range(first, first + count)
    cases = list(Parallel(n_jobs=2, verbose=1)(delayed(measured)(draw(seed)) for seed in seeds))
    if cache:
        cache.write_bytes(pickle.dumps(cases))
    return cases


@dataclass(frozen=True)
class Judged:
    """A case as judged by one view: findings (fault, probability), most probable first, and what was not testable.

    `trace`: whether the faults changed the handle's true acceleration at all, in the recordings of this view.
    """

    case: Case
    findings: tuple[tuple[str, float], ...]
    untested: frozenset[str]
    trace: bool

    @property
    def truth(self) -> frozenset[str]:
        """The faults as far as lines can tell them: on a direct drive the armature's imbalance is the accessory's."""
        direct = not self.case.sheet.meshes
        same = {"imbalance.armature": "imbalance.accessory"} if direct else {}
        return frozenset(same.get(fault, fault) for fault in self.case.faults)


def judged(seed: int, incomplete: bool = False) -> dict[str, Judged]:
    """Return a case judged by every view.

    `incomplete`: with a sheet that states only shafts, rated speed and teeth, as a user has it before the teardown.
    """
    from vibekit.machine.faults.diagnosis import judge
    from vibekit.machine.faults.look import look

    case = draw(seed)
    sheet = _sparse(case.sheet) if incomplete else case.sheet
    looks = {condition: look(_with_sheet(case.recording(condition), sheet), sheet) for condition in CONDITIONS}
    traces = {condition: _leaves_trace(case, condition) for condition in CONDITIONS}
    found = {}
    for view, conditions in VIEWS.items():
        diagnosis = judge([looks[condition] for condition in conditions], sheet)
        findings = tuple((finding.fault, finding.probability) for finding in diagnosis.findings)
        untested = frozenset(fault for fault, _ in diagnosis.not_testable)
        found[view] = Judged(case, findings, untested, any(traces[condition] for condition in conditions))
    return found


def _sparse(sheet: ToolSheet) -> ToolSheet:
    shafts = tuple(Shaft(shaft.name, shaft.rated_rpm) for shaft in sheet.shafts)
    return ToolSheet(sheet.tag, sheet.kind, supply=sheet.supply, shafts=shafts, meshes=sheet.meshes)


def _with_sheet(recording: Recording, sheet: ToolSheet) -> Recording:
    return replace(recording, origin=replace(recording.origin, tool=sheet))


def _leaves_trace(case: Case, condition: str) -> bool:
    """Tell whether the faults change the true acceleration of the handle in any third of an octave.

    The same specimen is run without them. A worn bushing whose shaft never lifts off its seat, a loose handle that is
    never shaken free change nothing: no recording can show them.
    """
    if not case.faults:
        return False
    faulty, sound = case.session(condition), case.session(condition, {})
    rate = faulty.recording.sample_rate
    energy = [_thirds(signal, rate) for signal in (faulty.clean - sound.clean, sound.clean)]
    return bool(np.any(energy[0] > _TRACE * energy[1]))


def _thirds(
    signal: np.ndarray[tuple[int, ...], np.dtype[np.float64]], rate: float
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return the energy in every third of an octave from 10 Hz up, all axes together."""
    energy = np.square(np.abs(np.fft.rfft(signal, axis=1))).sum(axis=0)
    edges = 10.0 * 2.0 ** (np.arange(0, 40) / 3.0)
    starts = (edges[edges < 0.45 * rate] * signal.shape[1] / rate).astype(int)
    return np.asarray(np.add.reduceat(energy, starts)[:-1])


def validate(results: Sequence[Mapping[str, Judged]]) -> None:
    """Print accuracy, false alarms, calibration and confusions, for each view."""
    for view in VIEWS:
        told = [result[view] for result in results if result[view].findings]
        print(f"\n=== {view}: {len(results)} tools, {len(results) - len(told)} of them: cannot tell")
        _accuracy(told, every_fault=view == "both")
        _alarms(told)
        _calibration(told)
        if view == "both":
            _confusions(told)


def _single(told: Sequence[Judged]) -> list[Judged]:
    """Return the tools with one fault that left a trace and was not said to be beyond testing."""
    return [r for r in told if len(r.truth) == 1 and r.trace and not r.truth & r.untested]


def _accuracy(told: Sequence[Judged], every_fault: bool) -> None:
    """Print where the true fault stands; single faults only, those said not to be testable apart."""
    single = [r for r in told if len(r.truth) == 1]
    untested = sum(bool(r.truth & r.untested) for r in single)
    silent = Counter(next(iter(r.truth)) for r in single if not r.trace and not r.truth & r.untested)
    print(f"{len(single)} single faults; said not to be testable: {untested}; without a trace: {dict(silent)}")
    print(f"{'fault':26s} clear: n top-1 top-2  moderate: n top-1 top-2  weak: n top-1 top-2")
    table: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for result in _single(told):
        fault = next(iter(result.truth))
        strength = result.case.strength or 0.0
        level = "clear" if strength >= CLEAR else "moderate" if strength >= MODERATE else "weak"
        names = [name for name, _ in result.findings]
        rank = names.index(fault) if fault in names else 99
        for key in (fault, "all"):
            table[key][level].append(rank)
    for fault in sorted(table) if every_fault else ["all"] if table else []:
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
        for r in _single(told)
        if (r.case.strength or 0) >= MODERATE and r.findings[0][0] not in r.truth
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
