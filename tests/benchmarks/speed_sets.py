"""Speeds on recordings of other worlds and our own, side by side; run: python -m tests.benchmarks.speed_sets.

Sets: bearing and gear rigs, motors and drills by sound, tools of another simulation (folder in VIBEKIT_REAL_DATA, each
with its own README; tachometers left out), signals from handbooks, our simulated tools, noise. With sheet, and bare.
Columns: recordings, within 0.2 %, within 1 %, off by more than 3 %, refused, of these with the truth among the rivals,
wrong (over 1 %) though said with more than 0.5, seconds of processor time per minute of data. Without a sheet any shaft
of the tool is right. Then said against right. `--save FILE` and `--against FILE` compare two versions of the code.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import time
import tomllib
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

import vibekit as vk
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.toolsheet import ToolSheet, load_tool, parse_tool
from vibekit.units import STANDARD_GRAVITY

FOLDER = Path(os.environ.get("VIBEKIT_REAL_DATA", "/nowhere"))
BINS = (0.0, 0.2, 0.5, 0.8, 0.95, 1.01)
Known = tuple[str, str, Recording, ToolSheet | None, dict[str, Any]]
"""Set, name, recording, sheet (None: bare), true speed of each shaft [Hz], or of each as a track `(time_s, hz)`."""

# Motors by sound: rpm by own comb at orders 1, 12, 13, 14, 15, 28 (numpy); drills: spacing of the comb [Hz]
MOTORS = {"Bearing_M4_1700": 7452, "Bearing_M4_1850": 8130, "Bearing_M4_2000": 8670}
MOTORS |= {"Healthy_M1_1400": 9672, "Healthy_M1_1450": 11706}
DRILLS = {"drill_147764": 53.2, "drill_74922": 59.0}


@dataclass(frozen=True)
class Told:
    """What was told of one recording: quotient to the truth (None: refused), confidence, truth among the rivals."""

    group: str
    name: str
    quotient: float | None
    confidence: float
    among_rivals: bool
    spent: float


def one_shaft(rated_hz: float) -> ToolSheet:
    """Return a sheet that knows one rated speed and nothing else."""
    return parse_tool({"tool": {"tag": "rig"}, "shaft": [{"name": "shaft", "rated_rpm": 60.0 * rated_hz}]}, "test")


def bare(recording: Recording) -> Recording:
    """Return a recording of which only its samples are known."""
    facts = replace(recording.origin.facts, spindle_rpm=None, tool=None)
    return replace(recording, origin=Origin(file=recording.origin.file, facts=facts), tach=None)


def both(group: str, name: str, recording: Recording, tool: ToolSheet, true: dict[str, Any]) -> Iterator[Known]:
    """Yield a recording with its sheet and bare."""
    recording = bare(recording)
    yield f"{group}, sheet", name, recording, tool, true
    yield f"{group}, bare", name, recording, None, true


def rig_a() -> Iterator[Known]:
    """Yield the recordings of the motor rig; true speed by the own comb of its README, or the file's."""
    from scipy import io

    more = FOLDER / "bearing_a_more"
    tool = load_tool(more / "rig-a.toml")
    rows = [line.split("|") for line in (more / "README.md").read_text().splitlines() if line.startswith("| ")][1:]
    for row in rows:
        name, rpm = row[1].strip(), float(row[5])
        yield from both("rig A", name, vk.read(more / f"{name}.npz", tool=tool), tool, {"motor": rpm / 60.0})
    for name, rate in (("48k_normal_0hp_97", 48e3), ("12k_DE_IR007_0hp_105", 12e3), ("12k_DE_OR007at6_0hp_130", 12e3)):
        data = io.loadmat(FOLDER / "bearing_a" / f"{name}.mat")
        rpm = next((float(v[0, 0]) for k, v in data.items() if k.endswith("RPM")), 1796.0)
        for key in (k for k in data if k.endswith("_time")):
            samples = data[key].reshape(1, -1)[:, : int(10 * rate)] * STANDARD_GRAVITY
            yield from both("rig A", name + key, Recording(samples, rate, ("x",)), tool, {"motor": rpm / 60.0})


def other_rigs() -> Iterator[Known]:
    """Yield a bearing rig (nominal 25 Hz) and a gear rig."""
    from scipy import io

    for path in sorted((FOLDER / "bearing_b").glob("*.mat")):
        data = io.loadmat(path)["bearing"][0, 0]
        recording = Recording(data["gs"].reshape(1, -1) * STANDARD_GRAVITY, float(data["sr"][0, 0]), ("x",))
        yield from both("rig B", path.stem, recording, one_shaft(25.0), {"shaft": 25.0})
    mesh = [{"driver": "pinion", "driven": "wheel", "driver_teeth": 23, "driven_teeth": 46}]
    shafts = [{"name": "pinion", "rated_rpm": 2000}, {"name": "wheel"}]
    tool = parse_tool({"tool": {"tag": "rig"}, "shaft": shafts, "mesh": mesh}, "test")
    gear = Recording(io.loadmat(FOLDER / "gear" / "Chan6.mat")["Data1"].reshape(1, -1), 25600.0, ("x",))
    yield from both("gear rig", "Chan6", gear, tool, {"pinion": 33.333, "wheel": 16.667})


def sounds() -> Iterator[Known]:
    """Yield motors and drills by sound."""
    import soundfile

    def heard(folder: str, name: str) -> Recording:
        samples, rate = soundfile.read(FOLDER / folder / f"{name}.wav", always_2d=True)
        return Recording(np.empty((0, len(samples))), float(rate), (), sound=samples[:, 0])

    for name, rpm in MOTORS.items():
        yield from both(
            "motor sound", name, heard("motor_sound", name), one_shaft(1.1 * rpm / 60.0), {"shaft": rpm / 60}
        )
    for name, hz in DRILLS.items():
        yield "drill sound, bare", name, heard("drill_sound", name), None, {"shaft": hz}


def other_world() -> Iterator[Known]:
    """Yield the tools of a simulation that is not ours."""
    folder = FOLDER / "other_world"
    with (folder / "truth.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if (folder / row["file"]).exists()]
    for row in rows:
        recording = vk.read(folder / row["file"])
        tool = recording.tool
        assert tool is not None and tool.output_shaft is not None
        hz = float(row["spindle_rpm"]) / 60.0
        true = {s.name: (tool.ratio(s.name, tool.output_shaft) or np.nan) * hz for s in tool.shafts}
        yield from both("other world", row["file"], recording, tool, true)


def handbook(seeds: int) -> Iterator[Known]:
    """Yield signals drawn from handbook formulas."""
    from tests.benchmarks.textbook_signals import FAULTS, make
    from tests.benchmarks.textbook_tools import sheet_text

    for fault in FAULTS:
        for seed in range(seeds):
            case = make(9000 + seed, fault, "clear", 1 if seed % 4 == 3 else 3)
            tool = parse_tool(tomllib.loads(sheet_text(case.tool)), "test")
            recording = Recording(case.samples, float(case.rate), ("x", "y", "z")[3 - len(case.samples) :])
            at = 0.01 * (np.arange(case.hz.size) + 0.5)
            names = [s.name for s in tool.shafts]
            true = {n: (at, case.hz * r) for n, r in zip(names, case.tool.ratios, strict=False)}
            yield from both("handbook", f"{fault} {seed}", recording, tool, true)


def own(seeds: int, tools: list[str]) -> Iterator[Known]:
    """Yield our own simulated tools, by vibration and by sound."""
    from vibekit.simulate.presets import PRESETS
    from vibekit.simulate.session import simulate

    for name in tools or list(PRESETS):
        for condition in ("no load", "loaded"):
            for seed in range(seeds):
                session = simulate(name, seed=seed, duration_s=10.0, condition=condition, sound=True, tach=False)
                at = np.arange(0.1, 9.9, 0.01)
                true = {s: (at, session.speed_hz(s, at)) for s in session.turns}
                whole = session.recording
                felt = Recording(whole.samples, whole.sample_rate, whole.axes)
                heard = Recording(np.empty((0, whole.n_samples)), whole.sample_rate, (), sound=whole.sound)
                yield from both("own, vibration", f"{name} {condition} {seed}", felt, PRESETS[name], true)
                yield from both("own, sound", f"{name} {condition} {seed}", heard, PRESETS[name], true)


def noises() -> Iterator[Known]:
    """Yield noise in which nothing turns: white, coloured, and with a resonance of quality 20."""
    from scipy import signal

    for seed in range(9):
        noise = np.random.default_rng(seed).standard_normal((1 + 2 * (seed % 2), 128_000))
        if seed in (3, 4, 5):
            noise = np.cumsum(noise, axis=1) * 0.01 + noise
        if seed > 5:
            b, a = signal.iirpeak(90.0 * (seed - 4), 20.0, fs=12_800.0)
            noise = 0.3 * noise + 3.0 * signal.lfilter(b, a, noise, axis=1)
        recording = Recording(noise, 12_800.0, ("x", "y", "z")[: len(noise)])
        yield from both("noise", str(seed), recording, one_shaft(100.0), {})


def recordings(name: str, seeds: int, tools: list[str]) -> Iterator[Known]:
    """Return the recordings of a set."""
    made = {"rig_a": rig_a, "other_rigs": other_rigs, "sounds": sounds, "other_world": other_world, "noises": noises}
    return {"handbook": lambda: handbook(seeds), "own": lambda: own(seeds, tools), **made}[name]()


def told(known: Known) -> Told:
    """Return what is told of a recording, held against the truth."""
    group, name, recording, tool, true = known
    start = time.process_time()
    found = vk.estimate_speed(recording, tool)
    spent = (time.process_time() - start) * 60.0 / recording.duration_s
    quotient = None
    if found.known:
        quotients = []
        for shaft, hz in true.items():
            if tool is not None and shaft != found.of:
                continue
            mine = found.at(hz[0]) / hz[1] if isinstance(hz, tuple) else np.array([found.shaft_hz[found.of] / hz])
            at_speed = hz[1] > 0.7 * hz[1].max() if isinstance(hz, tuple) else np.array([True])
            quotients.append(float(np.nanmedian(mine[at_speed])))
        quotient = min(quotients, key=lambda q: abs(np.log(q)), default=np.nan)
    middles = [float(np.median(hz[1])) if isinstance(hz, tuple) else hz for hz in true.values()]
    among = any(abs(r.hz / hz - 1.0) < 0.01 for r in found.rivals for hz in middles)
    return Told(group, name, quotient, found.confidence, among, spent)


def row(cases: list[Told]) -> str:
    """Return one row of the table."""
    off = np.array([abs(c.quotient - 1.0) for c in cases if c.quotient is not None])
    refused = [c for c in cases if c.quotient is None]
    sure = sum(c.quotient is not None and not abs(c.quotient - 1.0) < 0.01 and c.confidence > 0.5 for c in cases)
    counts = (len(cases), (off < 0.002).sum(), (off < 0.01).sum(), (~(off < 0.03)).sum(), len(refused))
    spent = float(np.mean([c.spent for c in cases]))
    return " ".join(f"{n:7d}" for n in (*counts, sum(c.among_rivals for c in refused), sure)) + f"{spent:8.2f}"


def report(cases: list[Told], before: list[Told]) -> None:
    """Print the tables, those of `before` (empty: none) below each row."""
    heads = ("n", "0.2 %", "1 %", "> 3 %", "refused", "rivals", "wrong>.5", "s/min")
    print(f"{'':26}" + "".join(f"{h:>8}" for h in heads))
    for group in dict.fromkeys(c.group for c in cases):
        print(f"{group:26}" + row([c for c in cases if c.group == group]))
        old = [c for c in before if c.group == group]
        if old:
            print(f"{'  before':26}" + row(old))
    for label, some in (("said, right (1 %)", cases), ("  before", before)):
        known = [c for c in some if c.quotient is not None]
        for low, high in pairwise(BINS):
            part = [c for c in known if low <= c.confidence < high]
            if part:
                right = np.mean([abs((c.quotient or 0.0) - 1.0) < 0.01 for c in part])
                said = np.mean([c.confidence for c in part])
                print(f"{label:26}{low:.2f} to {high:.2f}: n {len(part):4d}  said {said:.2f}  right {right:.2f}")
    for c in cases:
        if c.quotient is None or not abs(c.quotient - 1.0) < 0.01:
            what = "refused" + (", truth among rivals" * c.among_rivals) if c.quotient is None else f"{c.quotient:.4f}"
            print(f"{c.group}: {c.name}: {what} ({c.confidence:.2f})")


SETS: tuple[str, ...] = ("rig_a", "other_rigs", "sounds", "other_world", "handbook", "own", "noises")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", nargs="*", default=list(SETS), choices=SETS)
    parser.add_argument("--seeds", type=int, default=1, help="of handbook and own simulation")
    parser.add_argument("--only", choices=("sheet", "bare"))
    parser.add_argument("--tools", nargs="*", default=[])
    parser.add_argument("--save", type=Path)
    parser.add_argument("--against", type=Path)
    given = parser.parse_args()
    chosen = (known for name in given.sets for known in recordings(name, given.seeds, given.tools))
    cases = [told(known) for known in chosen if given.only in (None, "bare" if known[3] is None else "sheet")]
    if given.save:
        given.save.write_text(json.dumps([asdict(c) for c in cases]))
    before = [Told(**c) for c in json.loads(given.against.read_text())] if given.against else []
    report(cases, before)


if __name__ == "__main__":
    main()
