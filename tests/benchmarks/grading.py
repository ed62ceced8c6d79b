"""Time and memory of grading and of averaged spectra as whole commands, against plain scripts run in turn with them.

    python -m tests.benchmarks.grading [--runs 5] [--shift] [--no-welch]

Two files: 60 min at 6400 Hz and 10 min at 51.2 kHz, three axes of 16 bit. Prints medians of the ratios of runs next to
each other: grade over a plain filter, over the same in processor time, over just reading the file; the averaged
spectrum of the hour over scipy.signal.welch on the whole array; peak memory, also of 2 min. `--shift` adds the peak
memory of 8 h at 25.6 kHz (4.4 GB on disk, written first).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np
import soundfile

HERE = Path(__file__).parent


@dataclass(frozen=True)
class Run:
    """One run of a command: wall and processor time [s], peak memory [MiB]."""

    wall_s: float
    processor_s: float
    memory_mib: float


def write_file(path: Path, minutes: float, rate: int) -> None:
    """Write three axes of noise with a line, 16 bit."""
    rng = np.random.default_rng(0)
    time_s = np.arange(rate * 10) / rate
    noise = 0.02 * rng.standard_normal((len(time_s), 3)) + 0.1 * np.sin(900 * time_s)[:, None]
    counts = np.round(noise * 2**15).astype(np.int16)
    form = "RF64" if minutes * rate > 2e7 else "WAV"
    with soundfile.SoundFile(path, "w", rate, 3, "PCM_16", format=form) as file:
        for _ in range(round(minutes * 6)):
            file.write(np.roll(counts, int(rng.integers(len(counts))), axis=0))


def run(*command: object) -> Run:
    """Run a command once, its output thrown away; modules compiled once, as those of installed packages are."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    words = [str(c) for c in command]
    start = time.perf_counter()
    process = subprocess.Popen(words, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"failed: {' '.join(map(str, command))}")
    return Run(time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024)


def grade(path: Path) -> Run:
    """Grade a file as a whole command."""
    return run(sys.executable, "-m", "vibekit_cli", "grade", path, "--full-scale", "50 g")


def script(name: str, path: Path, *more: str) -> Run:
    """Run one of the scripts beside this one on a file."""
    return run(sys.executable, HERE / f"{name}.py", path, *more)


def ratio(ours: list[Run], theirs: list[Run], of: str = "wall_s") -> float:
    """Return the median ratio of runs next to each other."""
    return median(getattr(a, of) / getattr(b, of) for a, b in zip(ours, theirs, strict=True))


def compare_grading(path: Path, runs: int) -> list[Run]:
    """Print grade against filter and reading; return the runs of grade."""
    rows = [(grade(path), script("plain_grade", path), script("plain_grade", path, "read")) for _ in range(runs + 1)][
        1:
    ]
    ours, plain, read = ([row[i] for row in rows] for i in range(3))
    print(f"  grade {median(r.wall_s for r in ours):.2f} s, plain filter {median(r.wall_s for r in plain):.2f} s")
    print(f"  grade / plain filter  {ratio(ours, plain):.2f}  (processor time {ratio(ours, plain, 'processor_s'):.2f})")
    print(f"  grade / just reading  {ratio(ours, read):.1f}")
    return ours


def compare_averaging(path: Path, runs: int) -> None:
    """Print the averaged spectrum against Welch's method on the whole array."""
    rows = [(script("averaging", path), script("plain_welch", path)) for _ in range(runs + 1)][1:]
    ours, theirs = ([row[i] for row in rows] for i in range(2))
    print(f"  spectrum {median(r.wall_s for r in ours):.2f} s, welch {median(r.wall_s for r in theirs):.2f} s")
    print(f"  spectrum / welch  {ratio(ours, theirs):.3f}  (processor time {ratio(ours, theirs, 'processor_s'):.3f})")
    print(f"  memory {ratio(ours, theirs, 'memory_mib'):.3f} of welch's {median(r.memory_mib for r in theirs):.0f} MiB")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--shift", action="store_true")
    parser.add_argument("--no-welch", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        hour, fast, short = (Path(folder) / name for name in ("hour.wav", "fast.wav", "short.wav"))
        write_file(hour, 60, 6400)
        write_file(fast, 10, 51_200)
        write_file(short, 2, 6400)
        print(f"60 min, 3 axes, 6400 Hz, 16 bit; medians of {given.runs} runs in turn")
        long = median(r.memory_mib for r in compare_grading(hour, given.runs))
        small = median(grade(short).memory_mib for _ in range(3))
        print(f"  peak memory {long:.0f} MiB, {long / small:.2f} times that of 2 min ({small:.0f} MiB)")
        if not given.no_welch:
            compare_averaging(hour, given.runs)
        print("10 min, 3 axes, 51.2 kHz, 16 bit")
        print(f"  peak memory {median(r.memory_mib for r in compare_grading(fast, given.runs)):.0f} MiB")
        if given.shift:
            shift = Path(folder) / "shift.rf64"
            write_file(shift, 480, 25_600)
            done = grade(shift)
            print(f"8 h, 3 axes, 25.6 kHz, 16 bit: {done.wall_s:.0f} s, peak memory {done.memory_mib:.0f} MiB")


if __name__ == "__main__":
    main()
