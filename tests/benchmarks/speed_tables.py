"""Speed errors on simulated tools by tool, source, condition and sheet; run: python -m tests.benchmarks.speed_tables.

Truth is the simulator's own shaft angle, counted over 20 ms (the torque of a mains motor pulses twice in that time).
Columns: median and 99 % quantile of the relative error every 10 ms at speed, share of recordings whose median speed is
off by more than 3 % (gross: octave or ratio taken wrongly), share refused, seconds of processor time per minute of
data. A second table says how often an answer was right among those given with about the same confidence.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from vibekit.machine.speed.estimate import SpeedEstimate, estimate_speed
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.toolsheet import ToolSheet
from vibekit.simulate.presets import PRESETS
from vibekit.simulate.session import SimulatedSession, simulate

CONDITIONS = ("no load", "loaded")
SOURCES = ("vibration", "sound", "tach")
GROSS = 0.03


@dataclass(frozen=True)
class Case:
    """One recording judged."""

    tool: str
    condition: str
    source: str
    sheet: bool
    errors: np.ndarray
    ratio: float | None
    shaft: str
    seconds_per_minute: float
    confidence: float


def only(recording: Recording, source: str) -> Recording:
    """Return the recording with one source left, and nothing that names the tool or its speed."""
    facts = replace(recording.origin.facts, spindle_rpm=None)
    bare = replace(recording, origin=Origin(file=recording.origin.file, facts=facts))
    if source == "vibration":
        return replace(bare, tach=None, sound=None)
    if source == "sound":
        nothing = np.empty((0, recording.n_samples))
        return Recording(nothing, bare.sample_rate, (), bare.origin, None, bare.sound)
    return replace(bare, sound=None)


def judge(session: SimulatedSession, tool: ToolSheet, name: str, condition: str, source: str, sheet: bool) -> Case:
    """Return how far the estimate lies from the truth; without a sheet any true shaft counts, the nearest is taken."""
    recording = only(session.recording, source)
    start = time.process_time()
    found = estimate_speed(recording, tool if sheet else None)
    spent = (time.process_time() - start) * 60.0 / recording.duration_s
    if not found.known:
        return Case(name, condition, source, sheet, np.empty(0), None, "-", spent, 0.0)
    shaft, errors, ratio = nearest(found, session, sheet)
    return Case(name, condition, source, sheet, errors, ratio, shaft, spent, found.confidence)


def nearest(found: SpeedEstimate, session: SimulatedSession, sheet: bool) -> tuple[str, np.ndarray, float]:
    """Return the true shaft nearest to the estimate, errors against it at speed, and the ratio of medians."""
    best: tuple[str, np.ndarray, float] | None = None
    time_s = np.arange(0.1, session.recording.duration_s - 0.1, 0.01)
    estimated = found.at(time_s)
    for shaft in session.turns:
        if sheet and shaft != found.of:
            continue
        true = session.speed_hz(shaft, time_s)
        at_speed = np.isfinite(estimated) & (true > 0.7 * true.max())
        if not at_speed.any():
            continue
        quotient = estimated[at_speed] / true[at_speed]
        ratio = float(np.median(quotient))
        if best is None or abs(np.log(ratio)) < abs(np.log(best[2])):
            best = (shaft, np.abs(quotient - 1.0), ratio)
    return best if best is not None else ("-", np.empty(0), float("nan"))


def cases(tools: list[str], seeds: int, seconds: float, **options: object) -> Iterator[Case]:
    """Yield every case of every tool, condition, source, with and without sheet."""
    for name in tools:
        for condition in CONDITIONS:
            for seed in range(seeds):
                session = simulate(name, seed=seed, duration_s=seconds, condition=condition, sound=True, **options)  # type: ignore[arg-type]
                for source in SOURCES:
                    for sheet in (True, False):
                        if source == "tach" and not sheet:
                            continue
                        yield judge(session, PRESETS[name], name, condition, source, sheet)


def summary(found: list[Case]) -> str:
    """Return one table row of cases."""
    known = [c for c in found if c.ratio is not None]
    right = [c for c in known if c.ratio is not None and abs(c.ratio - 1.0) < GROSS]
    errors = np.concatenate([c.errors for c in right]) if right else np.array([np.nan])
    gross = 100.0 * (len(known) - len(right)) / max(1, len(found))
    spent = float(np.mean([c.seconds_per_minute for c in found]))
    return (
        f"{100 * np.median(errors):8.3f} {100 * np.quantile(errors, 0.99):8.3f} {gross:7.1f} "
        f"{100.0 * (len(found) - len(known)) / len(found):8.1f} {spent:9.2f} {len(found):5d}"
    )


def print_confidence(found: list[Case]) -> None:
    """Print how often answers were right among those given with about the same confidence, with and without a sheet."""
    print(f"{'confidence':32}{'n':>6}{'said':>8}{'right':>8}")
    for sheet in (True, False):
        for low, high in ((0.0, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.0)):
            part = [c for c in found if c.ratio is not None and c.sheet is sheet and low <= c.confidence < high]
            if part and any(c.source != "tach" for c in part):
                part = [c for c in part if c.source != "tach"]
                said = np.mean([c.confidence for c in part])
                right = np.mean([abs(float(c.ratio or 0.0) - 1.0) < GROSS for c in part])
                label = f"{'sheet' if sheet else 'no sheet'} {low:.2f} to {high:.2f}"
                print(f"{label:32}{len(part):6d}{said:8.2f}{right:8.2f}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--tools", nargs="*", default=list(PRESETS))
    given = parser.parse_args()
    found = list(cases(given.tools, given.seeds, given.seconds))
    print(f"{'':44}{'med %':>8} {'99 % %':>8} {'gross %':>7} {'refused %':>8} {'s/min':>9} {'n':>5}")
    for source in SOURCES:
        for sheet in (True, False):
            for condition in CONDITIONS:
                part = [c for c in found if (c.source, c.sheet, c.condition) == (source, sheet, condition)]
                if part:
                    print(f"{source:10} {'sheet' if sheet else 'no sheet':9} {condition:8} {'all':15}{summary(part)}")
                for tool in given.tools:
                    row = [c for c in part if c.tool == tool]
                    if row:
                        shafts = ",".join(sorted({c.shaft for c in row}))
                        print(f"{'':29} {tool:14} {summary(row)}  {shafts}")
    print_confidence(found)
    for case in found:
        if case.ratio is None or abs(case.ratio - 1.0) >= GROSS:
            ratio = "refused" if case.ratio is None else f"{case.ratio:.3f} x {case.shaft}"
            sheet = "sheet" if case.sheet else "no sheet"
            print(
                f"wrong: {case.tool} {case.condition} {case.source} {sheet}: {ratio} confidence {case.confidence:.2f}"
            )


if __name__ == "__main__":
    main()
