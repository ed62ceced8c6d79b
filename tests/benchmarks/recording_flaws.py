"""How many recording flaws `check` finds and misses, clear, moderate and mild, and what they do to a_hv.

Run: python -m tests.benchmarks.recording_flaws [recordings per flaw and size] [seed]
Beside the rates stands the error of a_hv that the flaw causes, so that a missed one is known to be harmless or not;
and what is missed of those that change a_hv by more than 5 %. False alarms are counted on unflawed recordings made
here and on those of `vibekit.simulate`: six kinds of tool, two sensors, half of the tools with a fault of their own.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass

import numpy as np

import vibekit as vk
from tests.benchmarks.flawed import FLAWS, SIZES, Random, clean, doubts, running_a_hv
from vibekit.simulate.faults import FAULTS
from vibekit.simulate.presets import PRESETS
from vibekit.simulate.session import simulate

HARMFUL_PCT = 5.0


@dataclass(frozen=True)
class Trial:
    """One flawed recording: did its own check find it, did any, and how far is a_hv off [%]."""

    own: bool
    any: bool
    error_pct: float


def trial(name: str, size: str, random: Random) -> Trial:
    """Return what becomes of one recording with a flaw."""
    make, expected = FLAWS[name]
    sound = clean(random, (3200, 6400, 12800), 16.0)
    flawed = make(sound, random, size)
    found = doubts(flawed)
    return Trial(expected in found, bool(found), 100.0 * (running_a_hv(flawed) / running_a_hv(sound) - 1.0))


def row(name: str, size: str, trials: list[Trial]) -> str:
    """Return the table's line of one flaw and size."""
    errors = np.array([abs(t.error_pct) for t in trials])
    harmful = [t for t in trials if abs(t.error_pct) > HARMFUL_PCT]
    missed = sum(not t.any for t in harmful)
    own, found = (100.0 * float(np.mean(values)) for values in ([t.own for t in trials], [t.any for t in trials]))
    middle = np.median([t.error_pct for t in trials])
    return (
        f"{name:<25}{FLAWS[name][1]:<15}{size:<10}{own:>6.0f} %{found:>6.0f} %{middle:>+9.1f}"
        f"{np.quantile(errors, 0.9):>9.1f}{f'{missed} of {len(harmful)}':>12}"
    )


def simulated(number: int, random: Random) -> tuple[str, set[str]]:
    """Return the kind of tool and the doubts about one simulated recording whose sensor has no flaw."""
    kind = list(PRESETS)[number % len(PRESETS)]
    fault = str(random.choice(sorted(set(FAULTS) - {"healthy"})))
    session = None
    while session is None:
        size = {fault: FAULTS[fault].default} if random.random() < 0.5 else {}
        try:
            session = simulate(
                kind,
                seed=int(random.integers(1 << 30)),
                duration_s=12.0,
                sample_rate=float(random.choice([3200, 6400, 12800, 25600])),
                condition=str(random.choice(["no load", "loaded"])),
                faults=size,
                off_before_s=float(random.choice([0.0, 2.0])),
                sensor="instrument" if random.random() < 0.7 else "board",
            )
        except vk.UsageError:  # a fault that this tool cannot have
            continue
    found = {c.name for c in vk.check(session.recording).checks if c.status != "pass"}
    return kind, found - ({"clipping"} if session.truth["clipped_pct"] else set())


def alarms(count: int, random: Random) -> None:
    """Print the false alarms on sound recordings."""
    own: Counter[str] = Counter()
    for _ in range(count):
        own.update(doubts(clean(random, (3200, 6400, 12800), 20.0)))
    print(f"false alarms on {count} sound recordings made here: {dict(own) or 'none'}")
    others: dict[str, Counter[str]] = {}
    for number in range(count):
        kind, found = simulated(number, random)
        others.setdefault(kind, Counter()).update(found)
    for kind, found_there in others.items():
        print(
            f"  simulated {kind:<16} {-(-count // len(PRESETS)):>3} recordings: {dict(found_there) or 'none'}",
            flush=True,
        )


def main() -> None:
    """Print the tables."""
    per_size = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    random = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    print(f"{per_size} recordings per flaw and size; a_hv error [%]: median, and 90 % of its sizes lie below")
    print(f"{'flaw':<25}{'check':<15}{'size':<10}{'own':>8}{'any':>8}{'median':>9}{'90 %':>9}{'missed > 5 %':>13}")
    for name in FLAWS:
        for size in SIZES:
            print(row(name, size, [trial(name, size, random) for _ in range(per_size)]), flush=True)
    alarms(max(120, 4 * per_size), random)


if __name__ == "__main__":
    main()
