"""Two small tools with recordings and a log, and commands run on them in a process of its own, with its faults."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from tests.robustness.contract import Outcome

OLD = "what stood there before\n"

WRITERS: dict[str, tuple[list[str], str | None]] = {
    "report": (["report", "a/recording.wav", "--out", "old.html"], "old.html"),
    "simulate wav": (["simulate", "--out", "o", "--duration", "4", "--rate", "3200"], None),
    "simulate flac": (["simulate", "--out", "o", "--duration", "4", "--rate", "3200", "--format", "flac"], None),
    "simulate csv": (["simulate", "--out", "o", "--duration", "4", "--rate", "3200", "--format", "csv"], None),
    "grade plot": (["grade", "a/recording.wav", "--plot", "old.png"], "old.png"),
    "speed plot": (["speed", "a/recording.wav", "--plot", "old.png"], "old.png"),
    "spectrum plot": (["spectrum", "a/recording.wav", "--plot", "old.svg"], "old.svg"),
    "rank csv": (["rank", "a", "b", "--jobs", "1", "--csv", "old.csv"], "old.csv"),
    "rank plot": (["rank", "a", "b", "--jobs", "1", "--plot", "old.png"], "old.png"),
    "log export csv": (["log", "export", "old.csv", "--log", "log.sqlite"], "old.csv"),
    "log export parquet": (["log", "export", "old.parquet", "--log", "log.sqlite"], "old.parquet"),
    "log add": (["log", "add", "b/recording.wav", "--log", "log.sqlite", "--jobs", "1"], None),
    "log import": (["log", "import", "table.csv", "--log", "log.sqlite"], None),
    "teardown": (["teardown", "T-11", "--found", "healthy", "--log", "log.sqlite"], None),
    "teardown priors": (
        ["teardown", "T-11", "--found", "healthy", "--log", "log.sqlite", "--write-priors", "old.toml"],
        "old.toml",
    ),
    "calibrate": (
        ["calibrate", "tone.wav", "--axes", "x", "--level", "10 m/s2", "--write-sidecar", "c.wav"],
        "c.toml",
    ),
}

READERS: tuple[list[str], ...] = (
    ["check", "a/recording.wav"],
    ["grade", "a/recording.wav", "b/recording.wav"],
    ["exposure", "3@1h", "2.5@1h20m", "a/recording.wav"],
    ["speed", "a/recording.wav"],
    ["spectrum", "a/recording.wav"],
    ["diagnose", "a/recording.wav"],
    ["balance", "--initial", "7@160", "--trial", "100@0", "--response", "5@70"],
    ["rank", "a", "b", "--jobs", "1"],
    ["log", "list", "--log", "log.sqlite"],
    ["log", "show", "T-11", "--log", "log.sqlite"],
    ["trend", "T-11", "--log", "log.sqlite"],
)


def furnish(folder: Path) -> None:
    """Make the recordings, the log and its table."""
    import numpy as np
    import soundfile

    _quiet("simulate", "--out", folder / "a", "--seed", "1", "--duration", "4", "--rate", "3200")
    _quiet("simulate", "--out", folder / "b", "--seed", "2", "--duration", "4", "--rate", "3200", "--tool", "drill")
    _quiet("log", "add", folder / "a" / "recording.wav", "--log", folder / "log.sqlite", "--jobs", "1")
    _quiet("log", "add", folder / "b" / "recording.wav", "--log", folder / "other.sqlite", "--jobs", "1")
    _quiet("log", "export", folder / "table.csv", "--log", folder / "other.sqlite")
    t = np.arange(5 * 3200) / 3200
    soundfile.write(folder / "tone.wav", 0.3 * np.sin(2 * np.pi * 159.155 * t), 3200)


def _quiet(*words: str | Path) -> None:
    from tests.cli.inprocess import run

    code, _, err = run(*map(str, words))
    assert code == 0, err


def copied(workshop: Path, folder: Path) -> Path:
    """Return a workshop of one's own, with old results where new ones are to be written."""
    own = folder / "own"
    shutil.copytree(workshop, own)
    for name in ("old.html", "old.png", "old.svg", "old.csv", "old.parquet", "old.toml"):
        (own / name).write_text(OLD)
    (own / "c.toml").write_text(f'[recording]\nposition = "{OLD.strip()}"\n')
    return own


def start(words: Sequence[str], folder: Path) -> subprocess.Popen[str]:
    """Start a command in `folder`."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "vibekit_cli", *words],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def ended(process: subprocess.Popen[str], words: Sequence[str]) -> Outcome:
    """Return what a command did."""
    out, err = process.communicate(timeout=60)
    return Outcome(tuple(words), process.returncode, out, err)


def interrupted(
    words: Sequence[str], folder: Path, number: signal.Signals, when: Callable[[], bool], longest_s: float = 30.0
) -> Outcome:
    """Return what a command did that got a signal as soon as `when` is true."""
    process = start(words, folder)
    until = time.monotonic() + longest_s
    while process.poll() is None and not _at_work(process) and time.monotonic() < until:
        time.sleep(0.002)
    while process.poll() is None and not when() and time.monotonic() < until:
        time.sleep(0.002)
    process.send_signal(number)
    return ended(process, words)


def _at_work(process: subprocess.Popen[str]) -> bool:
    """Tell whether a command has begun its work, for which it loads numpy; Python's own start is not under test."""
    maps = Path(f"/proc/{process.pid}/maps")
    try:
        return "_multiarray_umath" in maps.read_text()
    except OSError:
        return not maps.parent.parent.joinpath("self").exists()


def leftovers(folder: Path) -> list[str]:
    """Return files that look half written: temporary names of any kind."""
    found = [p.relative_to(folder) for p in folder.rglob("*") if p.is_file()]
    return sorted(str(p) for p in found if p.name.startswith(".") or p.suffix in (".part", ".tmp"))
