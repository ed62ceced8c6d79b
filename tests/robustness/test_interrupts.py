"""Stopped in the middle: by Ctrl-C, by the system, by kill. What stood there stays, what is half done is taken away."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.robustness.workshop import OLD, WRITERS, copied, ended, interrupted, leftovers, start

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")


def _after(seconds: float) -> Callable[[], bool]:
    """Return a question that is answered yes some time after it was first asked."""
    asked: list[float] = []

    def passed() -> bool:
        asked.append(time.monotonic())
        return asked[-1] - asked[0] > seconds

    return passed


def unharmed(own: Path, target: str | None) -> None:
    """The result is the old one or the new one in full; log sound; recordings with all their parts."""
    if target is not None:
        text = (own / target).read_bytes()
        assert text.startswith(OLD.encode()) or len(text) > 100 or b"full_scale" in text or b"Proposed" in text
    with sqlite3.connect(own / "log.sqlite") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        kinds = [row[0] for row in connection.execute("SELECT kind FROM entry WHERE tag = 'T-11'")]
    assert {"grade", "speed"} <= set(kinds)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda s: s.name)
@pytest.mark.parametrize("name", ["report", "simulate wav", "log add"])
def test_a_stopped_command_leaves_nothing_half_written(
    name: str, number: signal.Signals, workshop: Path, tmp_path: Path
) -> None:
    own = copied(workshop, tmp_path)
    words, target = WRITERS[name]
    outcome = interrupted(words, own, number, _after(0.2))
    assert outcome.code in (0, 128 + number, -number), outcome  # Python itself may end by the signal on its way out
    assert "Traceback" not in outcome.err, outcome.err
    if outcome.out == "":
        assert outcome.err.strip().splitlines()[-1] == "vibekit: stopped; nothing was left half written"
    assert leftovers(own) == []
    unharmed(own, target)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda s: s.name)
def test_stopped_with_the_temporary_file_open(number: signal.Signals, workshop: Path, tmp_path: Path) -> None:
    """The signal comes at the worst moment: as soon as a temporary file is there."""
    own = copied(workshop, tmp_path)
    words = ["simulate", "--out", "o", "--duration", "30", "--rate", "3200", "--format", "csv"]
    outcome = interrupted(words, own, number, lambda: bool(leftovers(own)))
    assert outcome.code == 128 + number, outcome
    assert leftovers(own) == []
    assert list((own / "o").iterdir()) == []


@pytest.mark.parametrize("name", ["report", "simulate csv", "log add"])
def test_a_killed_command_leaves_the_old_result(name: str, workshop: Path, tmp_path: Path) -> None:
    """After kill -9 a temporary file may stay, under a hidden name; results are whole, and the next run works."""
    own = copied(workshop, tmp_path)
    words, target = WRITERS[name]
    passed = _after(0.4)
    interrupted(words, own, signal.SIGKILL, lambda: bool(leftovers(own)) or passed())
    unharmed(own, target)
    again = ended(start(words, own), words)
    assert again.code == 0, again


def test_two_commands_on_one_log_lose_and_double_nothing(workshop: Path, tmp_path: Path) -> None:
    own = copied(workshop, tmp_path)
    lines = [["log", "add", folder, "--log", "new.sqlite", "--jobs", "1"] for folder in ("a", "b", "a", "b")]
    processes = [start(words, own) for words in lines]
    outcomes = [ended(process, words) for process, words in zip(processes, lines, strict=True)]
    assert [outcome.code for outcome in outcomes] == [0, 0, 0, 0], outcomes
    with sqlite3.connect(own / "new.sqlite") as connection:
        rows = connection.execute("SELECT recording_sha256, kind FROM entry WHERE superseded_at IS NULL").fetchall()
    assert len(rows) == len(set(rows))
    assert {kind for _, kind in rows} >= {"grade", "speed"}
    assert len({sha for sha, kind in rows if kind == "grade"}) == 2


def test_a_command_without_terminal_or_input_ends(workshop: Path) -> None:
    """As a service starts it: no terminal, no session, nothing on standard input."""
    line = [sys.executable, "-m", "vibekit_cli", "check", str(workshop / "a" / "recording.wav"), "--json"]
    done = subprocess.run(line, stdin=subprocess.DEVNULL, capture_output=True, start_new_session=True, check=False)
    assert done.returncode == 0
    assert done.stderr == b""
