"""How vibekit carries a heavy load: an 8 h recording, a log of 10,000 recordings, a bench of 100 tools on one page.

Run: python -m tests.benchmarks.load [hours] [recordings] [tools]     (default 8 10000 100)
Each command runs in a process of its own; time and peak memory are those of that process (and its workers' largest).
The long recording is a sparse-looking but real 16-bit W64 file of three axes at 25.6 kHz, written block by block.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

RATE = 25_600
BLOCK_S = 10


def long_recording(path: Path, hours: float) -> None:
    """Write a tool that runs 40 s of every minute: three axes of lines and noise, 16 bit, W64 (it may pass 4 GiB)."""
    import soundfile

    rng = np.random.default_rng(8)
    t = np.arange(RATE * BLOCK_S) / RATE
    running = 0.1 * np.sin(2 * np.pi * 160 * t)[:, None] * np.array([0.3, 1.0, 0.7]) + 0.02 * rng.standard_normal(
        (t.size, 3)
    )
    counts = [np.round(32767 * part).astype(np.int16) for part in (running, 0.002 * running)]
    with soundfile.SoundFile(path, "w", RATE, 3, "PCM_16", format="W64") as file:
        for block in range(round(3600 * hours / BLOCK_S)):
            file.write(counts[int(block % 6 >= 4)])


def full_log(path: Path, recordings: int) -> None:
    """Write a log of that many recordings of 50 tools, graded, their speed told and every third one diagnosed.

    All are one simulated recording's real results, moved in time and magnitude, so that documents have their real size.
    """
    from dataclasses import replace

    from vibekit.bench.analysis import analyse
    from vibekit.bench.diagnoses import quantities
    from vibekit.bench.logbook import Entry, add_entries, open_log
    from vibekit.bench.session import entries_of
    from vibekit.machine.faults.diagnosis import diagnose
    from vibekit.recording.readers import read
    from vibekit.simulate import simulate

    file = simulate(seed=1, condition="loaded", duration_s=10.0).write(path.parent / "model", "recording")
    graded, turning = entries_of(analyse(file), file)
    said = diagnose(read(file)).to_dict()
    models = [graded, turning, replace(graded, kind="diagnosis", quantities=quantities(said), document=said)]
    rng, begin = np.random.default_rng(9), datetime(2020, 1, 1, tzinfo=UTC)

    def results(i: int) -> list[Entry]:
        sha = hashlib.sha256(str(i).encode()).hexdigest()
        moved = {
            "recorded_at": begin + timedelta(hours=5 * i),
            "tag": f"T-{i % 50:02d}",
            "recording_sha256": sha,
            "inputs_sha256": sha,
            "file": f"{i}.wav",
            "hours_used": i / 50,
        }
        first, *others = [replace(model, **moved) for model in models[: 3 if i % 3 == 0 else 2]]
        a_hv = float(rng.lognormal(1.2, 0.1))
        return [replace(first, quantities={**first.quantities, "a_hv_mps2": a_hv}), *others]

    with open_log(path) as log:
        add_entries(log, (entry for i in range(recordings) for entry in results(i)))


def bench(folder: Path, tools: int) -> None:
    """Simulate that many tools, a recording each."""
    from vibekit.simulate import simulate
    from vibekit.simulate.presets import PRESETS, preset

    names = sorted(PRESETS)
    for i in range(tools):
        sheet = preset(names[i % len(names)])
        session = simulate(sheet, seed=i, condition="loaded", duration_s=10.0, sample_rate=6400.0)
        session.write(folder / f"{i:03d}", "recording", file_format="wav", bits=16)
        sheet_file = next(f for f in (folder / f"{i:03d}").glob("*.toml") if f.stem != "recording")
        text = sheet_file.read_text(encoding="utf-8")
        sheet_file.write_text(text.replace(f'tag = "{sheet.tag}"', f'tag = "B-{i:03d}"'), encoding="utf-8")


def measured(label: str, *words: str | Path) -> None:
    """Run a command; print its time, its peak memory and how it ended."""
    line = [sys.executable, "-m", "vibekit_cli", *map(str, words)]
    began = time.monotonic()
    with subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as process:
        _, status, usage = os.wait4(process.pid, 0)
        took = time.monotonic() - began
        said = process.stderr.read() if process.stderr else ""
    code = os.waitstatus_to_exitcode(status)
    print(
        f"{label:<34} {took:>8.2f} s  {usage.ru_maxrss / 1024:>6.0f} MB  exit {code}  {said.strip()[:100]}", flush=True
    )


def opened(page: Path) -> None:
    """Print how long a browser takes until the page is there, where there is one to drive; best of three."""
    import shutil

    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return
    browser_path = shutil.which("chromium") or shutil.which("google-chrome")
    if browser_path is None:
        return
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"])
        took, nodes = [], 0
        for _ in range(3):
            tab = browser.new_page(viewport={"width": 1100, "height": 800})
            tab.goto(page.absolute().as_uri())
            took.append(tab.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd / 1000"))
            nodes = tab.evaluate("document.querySelectorAll('*').length")
            tab.close()
        browser.close()
    print(f"opens in {min(took):.2f} s, {nodes:,} elements", flush=True)


def main() -> None:
    """Print the table of the load."""
    hours, recordings, tools = (
        float(sys.argv[i + 1]) if len(sys.argv) > i + 1 else d for i, d in enumerate((8, 10_000, 100))
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        measured("start of vibekit (--help)", "--help")
        if hours:
            shift = folder / "shift.w64"
            long_recording(shift, hours)
            print(f"{hours:g} h, 3 axes, {RATE} Hz: {shift.stat().st_size / 1e9:.2f} GB")
            for word in ("check", "grade", "exposure"):
                measured(f"{word} of {hours:g} h", word, shift, "--full-scale", "50 g", "--json")
            shift.unlink()
        if recordings:
            full_log(folder / "log.sqlite", int(recordings))
            print(f"log of {recordings:g} recordings: {(folder / 'log.sqlite').stat().st_size / 1e6:.0f} MB")
            measured(f"log list, {recordings:g} recordings", "log", "list", "--log", folder / "log.sqlite")
            measured("log list --json", "log", "list", "--log", folder / "log.sqlite", "--json")
            measured("log show of a tool", "log", "show", "T-07", "--log", folder / "log.sqlite")
            measured("trend of a tool", "trend", "T-07", "--log", folder / "log.sqlite", "--json")
            measured("log export (CSV)", "log", "export", folder / "log.csv", "--log", folder / "log.sqlite")
            measured(
                "log import into an empty log", "log", "import", folder / "log.csv", "--log", folder / "new.sqlite"
            )
        if tools:
            bench(folder / "bench", int(tools))
            measured(
                f"rank of {tools:g} tools, first", "rank", folder / "bench", "--log", folder / "rank.sqlite", "--json"
            )
            measured(
                f"rank of {tools:g} tools, from log",
                "rank",
                folder / "bench",
                "--log",
                folder / "rank.sqlite",
                "--json",
            )
            page = folder / "page.html"
            measured(f"report of {tools:g} tools", "report", folder / "bench", "--out", page)
            text = page.read_text(encoding="utf-8")
            print(f"page of {tools:g} tools: {page.stat().st_size / 1e6:.2f} MB, {text.count('<'):,} tags")
            opened(page)


if __name__ == "__main__":
    main()
