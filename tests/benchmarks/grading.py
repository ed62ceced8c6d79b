"""Time and memory of `vibekit grade` as whole commands, against a plain script run in turn with it.

    python -m tests.benchmarks.grading [--runs 5] [--minutes 60] [--rate 6400]

Prints medians: grade over plain filter, grade over just reading the file, and peak memory against that of 2 minutes.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

PLAIN = Path(__file__).with_name("plain_grade.py")


def write_file(path: Path, minutes: float, rate: int) -> None:
    """Write three axes of noise with a line, 16 bit."""
    rng = np.random.default_rng(0)
    time_s = np.arange(rate * 10) / rate
    with soundfile.SoundFile(path, "w", rate, 3, "PCM_16") as file:
        for _ in range(round(minutes * 6)):
            file.write(0.02 * rng.standard_normal((len(time_s), 3)) + 0.1 * np.sin(900 * time_s)[:, None])


def run(command: list[str]) -> tuple[float, float]:
    """Return wall time [s] and peak memory [MiB] of a command."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"failed: {' '.join(command)}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--rate", type=int, default=6400)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        long, short = Path(folder) / "long.wav", Path(folder) / "short.wav"
        write_file(long, given.minutes, given.rate)
        write_file(short, 2.0, given.rate)
        grade = [sys.executable, "-m", "vibekit_cli", "grade", str(long), "--full-scale", "50 g"]
        plain = [sys.executable, str(PLAIN), str(long)]
        for command in (grade, plain):
            run(command)  # warm-up
        rows = [(run(grade), run(plain), run([*plain, "read"])) for _ in range(given.runs)]
        small = run([*grade[:4], str(short), *grade[5:]])
    grades, plains, reads = ([row[i][0] for row in rows] for i in range(3))
    memory = statistics.median(row[0][1] for row in rows)
    print(f"{given.minutes:g} min, 3 axes, {given.rate} Hz, int16; medians of {given.runs} runs in turn")
    print(f"grade {statistics.median(grades):.2f} s, plain filter {statistics.median(plains):.2f} s")
    print(f"grade / plain filter  {statistics.median(g / p for g, p in zip(grades, plains, strict=True)):.2f}")
    print(f"grade / just reading  {statistics.median(g / r for g, r in zip(grades, reads, strict=True)):.2f}")
    print(f"peak memory {memory:.0f} MiB, {memory / small[1]:.2f} times that of 2 min ({small[1]:.0f} MiB)")


if __name__ == "__main__":
    main()
