"""Bursts of on and off with handling between: what is told of on-time, a_hv and energy, against the truth.

    python -m tests.benchmarks.bursts [--seed 1] [--tools report] [--quick] [--gated]

`--gated`: a tool at one speed, faded in and out within 50 ms; else it runs up and coasts down. The truth: the
trigger is on from switch on to switch off: the run-up counts, the coast-down does not. All of it, handling
included, is weighted with the analogue curve of ISO 5349-1:2001 Annex A by one FFT over the padded whole, made
here; a_hv is over the samples with the trigger on. Made without `vibekit.simulate`.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from itertools import product

import numpy as np
import scipy.signal
from numpy.typing import NDArray

import vibekit as vk
from vibekit.handarm.gate import structure_of
from vibekit.handarm.onepass import measure

Array = NDArray[np.float64]
Random = np.random.Generator

ON_S = (0.2, 0.3, 0.4, 0.7, 1.0, 2.0, 8.0, 20.0)
OFF_S = (0.2, 0.3, 0.7, 2.0, 20.0)
HANDLING_MPS2 = (0.0, 0.3, 1.6, 3.0)


@dataclass(frozen=True)
class Tool:
    """Shaft rate [Hz], lines (order, size), noise beside lines, run-up and coast-down [s], weighted a_hv about 3.5."""

    name: str
    shaft_hz: float
    lines: tuple[tuple[float, float], ...]
    noise: float
    run_up_s: tuple[float, float]
    coast_down_s: tuple[float, float]


GATED_ON_OFF_S = ((0.2, 0.2), (0.3, 0.7), (0.4, 0.4), (0.7, 0.7), (1.0, 0.3), (1.0, 2.0), (2.0, 0.2), (8.0, 20.0))
GATED_HANDLING_MPS2 = (0.0, 0.3, 1.6, 3.0)

TOOLS = (
    Tool("grinder 160 Hz", 160.0, ((1, 1.0), (2, 0.3), (3.17, 0.4)), 0.1, (0.1, 0.3), (0.5, 2.0)),
    Tool("sander 180 Hz", 180.0, ((1, 1.0), (2, 0.4)), 0.8, (0.1, 0.2), (0.3, 1.0)),
    Tool("drill 40 Hz", 40.0, ((1, 1.0), (2, 0.2)), 0.1, (0.1, 0.2), (0.3, 0.5)),
)
REPORT_TOOLS = (
    Tool("polisher 55 Hz", 55.0, ((1, 1.0), (2, 0.4), (7.3, 0.5)), 0.2, (0.2, 0.5), (0.5, 1.5)),
    Tool("die grinder 430 Hz", 430.0, ((1, 1.0),), 0.2, (0.1, 0.4), (1.0, 5.0)),
    Tool("orbital sander 90 Hz", 90.0, ((1, 1.0), (2, 0.15)), 0.5, (0.15, 0.4), (0.3, 2.0)),
)


@dataclass(frozen=True)
class Gate:
    """How a tool is faded in after switch on and out after switch off [s], with straight or rounded amplitude."""

    name: str
    up_s: float
    down_s: float
    rounded: bool


GATES = (
    Gate("hard", 0.0, 0.0, False),
    Gate("straight 50/30 ms", 0.05, 0.03, False),
    Gate("rounded 50/50 ms", 0.05, 0.05, True),
    Gate("rounded 20/10 ms", 0.02, 0.01, True),
)


@dataclass(frozen=True)
class Case:
    """A recording with its truth."""

    recording: vk.Recording
    on: NDArray[np.bool_]
    a_hv: float
    on_s: float

    @property
    def energy(self) -> float:
        """True a²·T [m²/s³]."""
        return self.a_hv**2 * self.on_s


def weighted(samples: Array, rate: float) -> Array:
    """Return the samples under the analogue curve, ISO 5349-1:2001 eq. A.1 and A.2, by one FFT of twice the length."""
    n = 2 * samples.shape[1]
    s = 2j * np.pi * np.fft.rfftfreq(n, 1 / rate)
    w1, w2, w3, q = 2 * np.pi * 10**0.8, 2 * np.pi * 10**3.1, 100.0, 2**0.5
    curve = s**2 * w2**2 / ((s**2 + q * w1 * s + w1**2) * (s**2 + q * w2 * s + w2**2))
    curve *= (s + w3) * w3 / (s**2 + w3 / 0.64 * s + w3**2)
    return np.asarray(np.fft.irfft(np.fft.rfft(samples, n) * curve, n)[:, : samples.shape[1]])


def speeds(on: NDArray[np.bool_], rate: float, run_up_s: float, coast_s: float, viscous: float) -> Array:
    """Return the speed over no-load speed: motors pull nearly evenly, friction is part dry and part fan."""
    out, v = np.empty(on.size), 0.0
    rise, fall = 1 / (run_up_s * rate), 1 / (coast_s * rate)
    for i, pulled in enumerate(on.tolist()):
        v = min(1.0, v + rise) if pulled else max(0.0, v - fall * (1 - viscous + viscous * 1.5 * v))
        out[i] = v
    return out


def hand(random: Random, n: int, rate: float, level: float) -> Array:
    """Return a hand's motion of some 2 to 12 Hz, total r.m.s. `level` [m/s²], with a bump of 10 to 30 ms every 3 s."""
    sos = scipy.signal.butter(3, (2.0, 12.0), "bandpass", fs=rate, output="sos")
    moved = scipy.signal.sosfilt(sos, random.standard_normal((3, n)), axis=1)
    moved *= level / np.sqrt((moved**2).mean(axis=1).sum())
    for at in random.integers(0, n, round(n / rate / 3)):
        t = np.arange(round(0.1 * rate)) / rate
        ring = np.exp(-t / random.uniform(0.003, 0.01)) * np.sin(2 * np.pi * random.uniform(40, 300) * t)
        part = moved[:, at : at + t.size]
        part += 4 * level * random.uniform(-1, 1, (3, 1)) * ring[: part.shape[1]]
    return np.asarray(moved)


def switched(
    tool: Tool, on: NDArray[np.bool_], rate: float, random: Random, handling: float, a_hv: float = 3.5
) -> Case:
    """Return the recording of a tool whose trigger is pulled where `on`."""
    n = on.size
    v = speeds(on, rate, random.uniform(*tool.run_up_s), random.uniform(*tool.coast_down_s), random.uniform(0, 1))
    knots = np.arange(0, n / rate + 1, 0.4)
    wander = np.interp(np.arange(n) / rate, knots, random.standard_normal(knots.size))
    turns = np.cumsum(tool.shaft_hz * v * (1 + 0.01 * wander)) / rate
    full = np.zeros((3, n))
    for axis in range(3):
        for order, size in tool.lines:
            full[axis] += size * random.uniform(0.4, 1.2) * np.sin(2 * np.pi * order * turns + random.uniform(0, 6.28))
        full[axis] += tool.noise * scipy.signal.sosfilt(
            scipy.signal.butter(2, (50, 1000), "bandpass", fs=rate, output="sos"), random.standard_normal(n)
        )
    steady = weighted(full, rate)[:, v > 0.999] if (v > 0.999).any() else weighted(full, rate)
    full *= a_hv / np.sqrt((steady**2).mean(axis=1).sum()) * np.exp(0.1 * wander) * v**2
    return _held(full, on, rate, random, handling)


def gated(tool: Tool, gate: Gate, on: NDArray[np.bool_], rate: float, random: Random, handling: float) -> Case:
    """Return the recording of a tool at one speed that is faded in and out by `gate`, total a_hv 3.47 between."""
    n = on.size
    turns = np.cumsum(tool.shaft_hz * (1 + 0.002 * np.sin(2 * np.pi * np.arange(n) / rate / 3.1))) / rate
    band = scipy.signal.butter(2, (50, 1000), "bandpass", fs=rate, output="sos")
    full = np.stack(
        [
            sum(
                size * random.uniform(0.4, 1.2) * np.sin(2 * np.pi * order * turns + random.uniform(0, 6.28))
                for order, size in tool.lines
            )
            + tool.noise * scipy.signal.sosfilt(band, random.standard_normal(n))
            for _ in range(3)
        ]
    )
    full *= 3.47 / np.sqrt((weighted(full, rate) ** 2).mean(axis=1).sum())
    full *= (
        speeds(on, rate, max(gate.up_s, 1 / rate), max(gate.down_s, 1 / rate), 0.0)
        if not gate.rounded
        else (0.5 - 0.5 * np.cos(np.pi * speeds(on, rate, gate.up_s, gate.down_s, 0.0)))
    )
    return _held(full, on, rate, random, handling)


def _held(full: Array, on: NDArray[np.bool_], rate: float, random: Random, handling: float) -> Case:
    """Return the case of a tool's vibration in a hand, with a sensor's noise."""
    n = on.size
    full += hand(random, n, rate, handling) if handling else 0.0
    full += 0.01 * random.standard_normal((3, n))
    total = (weighted(full, rate) ** 2).sum(axis=0)
    return Case(vk.Recording(full, rate), on, float(np.sqrt(total[on].mean())), on.sum() / rate)


def burst_case(
    tool: Tool, on_s: float, off_s: float, handling: float, seed: int, gate: Gate | None = None, rate: float = 3200.0
) -> Case:
    """Return bursts whose lengths scatter by 10 %, between rests of 1.5 s at least; coasting down where not gated."""
    drawn_from = [seed, round(1000 * on_s), round(1000 * off_s), round(10 * handling), len(tool.name)]
    random = np.random.default_rng(drawn_from)
    parts = [np.zeros(round(1.5 * rate), dtype=bool)]
    for _ in range(int(max(3, np.ceil(2.4 / on_s), min(40, 30 / (on_s + off_s))))):
        for length, state in ((on_s, True), (off_s, False)):
            parts.append(np.full(round(length * random.uniform(0.9, 1.1) * rate), state))
    parts.append(np.zeros(round(1.5 * rate), dtype=bool))
    on = np.concatenate(parts)
    return gated(tool, gate, on, rate, random, handling) if gate else switched(tool, on, rate, random, handling)


@dataclass(frozen=True)
class Result:
    """Found over true, less one: a_hv, on-time, energy; and what was said."""

    a_hv: float
    on_s: float
    energy: float
    said: tuple[str, ...]
    case: Case
    magnitude: vk.VibrationMagnitude


def judged(case: Case) -> Result:
    """Grade a case."""
    found = vk.grade(case.recording)
    a, t = found.a_hv_mps2 or np.nan, found.trigger_on_s
    said = tuple(n.code for n in found.notices if n.severity != "info")
    return Result(a / case.a_hv - 1, t / case.on_s - 1, a**2 * t / case.energy - 1, said, case, found)


def edge_errors(case: Case) -> tuple[list[float], list[float], int]:
    """Return how late [ms] switch on and switch off are found, and how many have nothing within 150 ms."""
    rate = case.recording.sample_rate
    times = structure_of(measure(case.recording))
    shares = np.concatenate([[0.0], times.on, [0.0]])
    ups = np.flatnonzero((shares[1:] > 0) & (shares[:-1] == 0))
    downs = np.flatnonzero((shares[1:] == 0) & (shares[:-1] > 0))
    starts = [times.step_s * (a + 1 - shares[a + 1] * (b - a > 1)) for a, b in zip(ups, downs, strict=True)]
    ends = [times.step_s * (b - 1 + shares[b]) for b in downs]
    change = np.diff(case.on.astype(int), prepend=0, append=0)
    errors: list[list[float]] = [[], []]
    missed = 0
    for kind, sign, found in ((0, 1, np.array(starts)), (1, -1, np.array(ends))):
        for true in np.flatnonzero(change == sign) / rate:
            late = found[np.argmin(np.abs(found - true))] - true if found.size else np.inf
            if abs(late) < 0.15:
                errors[kind].append(1000 * late)
            else:
                missed += 1
    return errors[0], errors[1], missed


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tools", choices=("choose", "report"), default="choose")
    parser.add_argument("--quick", action="store_true", help="every other length only")
    parser.add_argument("--gated", action="store_true", help="faded in and out at one speed")
    given = parser.parse_args()
    if given.gated:
        gated_grid(given.tools, given.seed, given.quick)
    else:
        coasting_grid(given.tools, given.seed, given.quick)


def coasting_grid(chosen: str, seed: int, quick: bool) -> None:
    """Print each cell of each tool."""
    on_s, off_s, handlings = ON_S, OFF_S, HANDLING_MPS2
    if quick:
        on_s, off_s, handlings = ON_S[::2], OFF_S[::2], HANDLING_MPS2[::2]
    tools = TOOLS if chosen == "choose" else REPORT_TOOLS
    every: list[Result] = []
    for tool, handling in product(tools, handlings):
        print(f"{tool.name}, handling {handling:g} m/s²: error of a_hv / on-time / energy [%]")
        print("  on \\ off  " + "".join(f"{off:>22g} s" for off in off_s))
        for on in on_s:
            row = [judged(burst_case(tool, on, off, handling, seed)) for off in off_s]
            every += row
            cells = (f"{100 * r.a_hv:6.1f}{100 * r.on_s:7.1f}{100 * r.energy:7.1f}{_mark(r):>3}" for r in row)
            print(f"  {on:6g} s  " + "".join(f"{cell:>24}" for cell in cells))
    _summary(every)


def gated_grid(tools: str, seed: int, quick: bool) -> None:
    """Print the worst of all tools per cell, and what the edges are late by."""
    every: list[Result] = []
    late: tuple[list[float], list[float]] = ([], [])
    missed = 0
    for gate in GATES[:: 2 if quick else 1]:
        print(f"{gate.name}: error of a_hv / on-time / energy [%], the worst of three tools; handling [m/s²]:")
        print("  on/off [s] " + "".join(f"{handling:>24g}" for handling in GATED_HANDLING_MPS2))
        for on_s, off_s in GATED_ON_OFF_S:
            cells = ""
            for handling in GATED_HANDLING_MPS2:
                cases = [
                    burst_case(t, on_s, off_s, handling, seed, gate)
                    for t in (TOOLS if tools == "choose" else REPORT_TOOLS)
                ]
                row = [judged(case) for case in cases]
                every += row
                worst = [100 * max((getattr(r, n) for r in row), key=abs) for n in ("a_hv", "on_s", "energy")]
                cells += f"{worst[0]:10.1f}{worst[1]:7.1f}{worst[2]:7.1f}"
                for case in cases:
                    ups, downs, lost = edge_errors(case)
                    late[0].extend(ups)
                    late[1].extend(downs)
                    missed += lost
            print(f"  {on_s:4g}/{off_s:<6g}{cells}")
        for name, values in zip(("switch on", "switch off"), late, strict=True):
            print(f"  {name}: {np.mean(values):.1f} ms late, spread {np.std(values):.1f} ms ({len(values)})")
            values.clear()
        print(f"  {missed} edges missed")
    _summary(every)


def _mark(result: Result) -> str:
    return "c" if "time_unclear" in result.said else "!" if "one_state" in result.said else ""


def _summary(every: list[Result]) -> None:
    for name, limit in (("a_hv", 0.01), ("on_s", 0.03), ("energy", 0.01)):
        values = np.abs([getattr(r, name) for r in every])
        inside = 100 * np.mean(values <= limit)
        print(f"{name}: within {100 * limit:g} % in {inside:.0f} % of cells; median {100 * np.nanmedian(values):.2f} %")
    low = [r for r in every if not r.energy >= -0.01]
    lowest = 100 * min(r.energy for r in every)
    silent = [r for r in every if not r.energy >= -0.03 and not r.said]
    print(f"energy more than 3 % low without a caution in {len(silent)} cells")
    print(f"energy more than 1 % low in {len(low)} of {len(every)} cells, lowest {lowest:.1f} %")


if __name__ == "__main__":
    main()
