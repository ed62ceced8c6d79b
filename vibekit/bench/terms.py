"""Equal terms: which recordings of a bench may stand side by side, and what is left out and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from vibekit.bench.analysis import RunResult
from vibekit.errors import Notice
from vibekit.recording.conditions import LOADED, is_off, plain_term


@dataclass(frozen=True)
class Apart:
    """Tools that are not compared with the others, and why."""

    tools: tuple[str, ...]
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """Return the remark as document data."""
        return {"tools": list(self.tools), "reason": self.reason}


def on_plain_terms(run: RunResult) -> RunResult:
    """Return the run with its terms of comparison in plain writing."""
    condition, position, accessory = map(plain_term, (run.condition, run.position, run.accessory))
    return replace(run, condition=condition, position=position, accessory=accessory)


def grouped(runs: Iterable[RunResult], key: Callable[[RunResult], Any]) -> dict[Any, list[RunResult]]:
    """Return the runs by key, in the order they come."""
    groups: dict[Any, list[RunResult]] = {}
    for run in runs:
        groups.setdefault(key(run), []).append(run)
    return groups


def counted_once(runs: Sequence[RunResult]) -> tuple[list[RunResult], list[Notice]]:
    """Return the runs without copies of a recording within one tool, condition and position."""
    kept: dict[tuple[Any, ...], RunResult] = {}
    notices = []
    for run in runs:
        key = (run.tag, run.condition, run.position, run.sha256)
        if key in kept:
            message = f"{run.file} is the same recording as {kept[key].file}: counted once"
            notices.append(Notice("same_recording", "caution", message, remedy="record every run"))
        kept.setdefault(key, run)
    return list(kept.values()), notices


def usual_condition(runs: Sequence[RunResult]) -> str | None:
    """Return "loaded" where it was recorded, else the condition most tools have."""
    having = Counter(
        condition for condition, _ in {(run.condition, run.tag) for run in runs if not is_off(run.condition)}
    )
    if LOADED in having:
        return LOADED
    return max(having, key=lambda c: (having[c], str(c)), default=None)


def equal_terms(
    by_tag: dict[str, list[RunResult]], condition: str | None
) -> tuple[dict[str | None, dict[str, list[RunResult]]], list[Apart]]:
    """Return the graded runs in the condition, by class of accessory and tool; and the tools that have none."""
    groups: dict[str | None, dict[str, list[RunResult]]] = {}
    apart = []
    for tag, runs in sorted(by_tag.items()):
        there = [run for run in runs if run.condition == condition]
        graded = [run for run in there if run.a_hv_mps2 is not None]
        if not graded:
            have = ", ".join(sorted({run.condition or "not named" for run in runs}))
            why = f"cannot be graded: {_refusals(there)}" if there else f"are missing (it has: {have})"
            apart.append(Apart((tag,), f"recordings in condition {condition or 'not named'} {why}"))
            continue
        classes = grouped(graded, lambda run: run.accessory)
        usual = max(classes, key=lambda c: (len(classes[c]), c or ""))
        groups.setdefault(usual, {})[tag] = classes[usual]
        for other in sorted(set(classes) - {usual}, key=str):
            apart.append(Apart((tag,), f"its runs with {_named(other)} are not mixed with those with {_named(usual)}"))
    return groups, apart


def _refusals(runs: Sequence[RunResult]) -> str:
    """Return why none of the runs has a grade."""
    return "; ".join(dict.fromkeys(n.message for run in runs for n in run.notices if n.severity == "refusal"))


def _named(accessory: str | None) -> str:
    return accessory or "an accessory not stated on the sheet"


def other_classes(groups: dict[str | None, dict[str, list[RunResult]]]) -> list[Apart]:
    """Return one remark per class of accessory: it is not compared with the others."""
    largest = max(groups, key=lambda name: (len(groups[name]), name or ""))
    return [
        Apart(tuple(sorted(members)), f"class of accessory differs: {_named(name)}, against {_named(largest)}")
        for name, members in groups.items()
        if name != largest
    ]


def common_positions(members: dict[str, list[RunResult]]) -> tuple[tuple[str | None, ...], list[Apart]]:
    """Return the positions that all compared tools share, and the tools that lack the one most tools have."""
    own = {tag: {run.position for run in runs} for tag, runs in members.items()}
    counts = Counter(position for positions in own.values() for position in positions)
    usual = max(counts, key=lambda p: (counts[p], p or ""))
    sharing = [positions for positions in own.values() if usual in positions]
    common = tuple(sorted(set.intersection(*sharing), key=lambda p: p or ""))
    outside = [
        Apart((tag,), f"not measured at {usual or 'a position not named'}, where the others were")
        for tag, positions in own.items()
        if usual not in positions
    ]
    return common, outside
