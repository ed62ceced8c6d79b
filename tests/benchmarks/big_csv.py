"""Time and memory for a large delimited file: vibekit's block reader against plain NumPy and pandas in the same run.

Run: python -m tests.benchmarks.big_csv [megabytes]
Each reader runs in a process of its own and sums the columns; pandas is left out where it is not installed.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

READERS = {
    "start of Python with numpy": "import numpy",
    "vibekit, blocks": (
        "import vibekit as vk\n"
        "stream = vk.open_recording(path)\n"
        "total = sum(block.acceleration.sum(axis=1) for block in stream.blocks())\n"
        "print(stream.n_samples, stream.sample_rate, total)"
    ),
    "vibekit check": "import vibekit as vk\nprint(vk.check(vk.open_recording(path)).usable_for)",
    "vibekit grade": "import vibekit as vk\nprint(vk.grade(vk.open_recording(path)).a_hv_mps2)",
    "pandas.read_csv": "import pandas\ndata = pandas.read_csv(path)\nprint(len(data), data.sum().to_list()[1:])",
    "pandas, chunks": (
        "import pandas\nprint(sum(chunk.to_numpy().sum(axis=0) for chunk in pandas.read_csv(path, chunksize=65536)))"
    ),
    "numpy.loadtxt": (
        "import numpy\ndata = numpy.loadtxt(path, delimiter=',', skiprows=1)\nprint(len(data), data.sum(axis=0)[1:])"
    ),
}


def write(path: Path, megabytes: float) -> int:
    """Write a log of a 3200 Hz board of about that size; return its rows."""
    values = 20 * np.random.default_rng(0).standard_normal((200_000, 3))
    tails = [f",{x:.4f},{y:.4f},{z:.4f}\n" for x, y, z in values]
    rows = 0
    with path.open("w") as file:
        file.write("time [s],x [m/s2],y [m/s2],z [m/s2]\n")
        while file.tell() < megabytes * 1e6:
            file.writelines(f"{(rows + i) / 3200:.6f}{tail}" for i, tail in enumerate(tails))
            rows += len(tails)
    return rows


def measured(code: str, path: Path) -> tuple[float, float, str]:
    """Return seconds, largest resident memory [MB] and the output of Python code in a process of its own."""
    start = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-c", f"path = {str(path)!r}\n{code}"], stdout=subprocess.PIPE, text=True
    )
    out = process.stdout.read() if process.stdout else ""
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    return time.perf_counter() - start, usage.ru_maxrss / 1024, "failed" if process.returncode else out.strip()


def main() -> None:
    """Print the table."""
    megabytes = float(sys.argv[1]) if len(sys.argv) > 1 else 1000.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.csv"
        rows = write(path, megabytes)
        print(f"{path.stat().st_size / 1e6:.0f} MB, {rows} rows, {rows / 3200 / 60:.0f} min at 3200 Hz")
        for name, code in READERS.items():
            if "pandas" in name and importlib.util.find_spec("pandas") is None:
                continue
            seconds, memory, out = measured(code, path)
            print(f"{name:<28}{seconds:>8.1f} s{memory:>8.0f} MB   {' '.join(out.split())[:70]}", flush=True)


if __name__ == "__main__":
    main()
