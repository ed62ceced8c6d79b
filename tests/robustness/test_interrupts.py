"""Stopped in the middle: by Ctrl-C, by the system, by kill. What stood there stays, what is half done is taken away."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.cli.inprocess import run
from tests.robustness.contract import Outcome, command
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
    with closing(sqlite3.connect(own / "log.sqlite")) as connection:
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


def _where_it_hurts(kind: str) -> tuple[Any, str]:
    """Return module and function after which a result is written and not yet in its place: a file, or rows of a log."""
    from vibekit.bench import logbook

    return (logbook, "_insert") if kind == "rows" else (os, "fsync")


def _kind(name: str) -> str:
    return "rows" if name in ("log add", "log import", "teardown") else "file"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda s: s.name)
@pytest.mark.parametrize("name", sorted(WRITERS))
def test_stopped_between_writing_and_naming(
    name: str, number: signal.Signals, workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signal comes when all is written but for the last step, in every command that writes."""
    own = copied(workshop, tmp_path)
    words, _ = WRITERS[name]
    before = {path: path.read_bytes() for path in own.rglob("*") if path.is_file() and "log.sqlite" not in path.name}
    rows = _rows(own)
    module, function = _where_it_hurts(_kind(name))
    work = getattr(module, function)

    def struck(*arguments: Any) -> None:
        work(*arguments)
        os.kill(os.getpid(), number)

    monkeypatch.setattr(module, function, struck)
    monkeypatch.chdir(own)
    outcome = Outcome(tuple(words), *run(*words))
    assert outcome.code == 128 + number, outcome
    assert outcome.err.splitlines()[-1] == "vibekit: stopped; nothing was left half written"
    assert outcome.out == ""
    assert leftovers(own) == []
    now = {path: path.read_bytes() for path in own.rglob("*") if path.is_file() and "log.sqlite" not in path.name}
    assert now == before
    if name != "teardown priors":  # what was found is in the log before its priors are written
        assert _rows(own) == rows


def _rows(own: Path) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(own / "log.sqlite")) as connection:
        return [*connection.execute("SELECT * FROM entry"), *connection.execute("SELECT * FROM teardown")]


_LOST = """
import signal, sys, time, weakref
from vibekit_cli import main
class Thing:
    pass
def work(*_, **__):
    thing = Thing()
    ref = weakref.ref(thing, lambda _: signal.raise_signal(int(sys.argv[1])))
    del thing
    time.sleep(20)
    print("went on")
main.commands = lambda *given: work
main.app(["grade"])
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda s: s.name)
def test_a_signal_that_comes_while_nothing_can_be_raised_is_not_lost(number: signal.Signals) -> None:
    """Python drops exceptions of weak references' callbacks, as the locks of imports have; the command still stops."""
    words = [sys.executable, "-c", _LOST, str(int(number))]
    done = subprocess.run(words, check=False, timeout=60, capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (128 + number, "")
    assert done.stderr == "vibekit: stopped; nothing was left half written\n"


_KILLED = """
import os, signal, sys
from vibekit_cli.main import app
if sys.argv[1] == "rows":
    from vibekit.bench import logbook as module
    name = "_insert"
else:
    module, name = os, "fsync"
work = getattr(module, name)
def struck(*arguments):
    work(*arguments)
    os.kill(os.getpid(), signal.SIGKILL)
setattr(module, name, struck)
app(sys.argv[2:])
"""


@pytest.mark.parametrize("name", sorted(WRITERS))
def test_killed_between_writing_and_naming(
    name: str, workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing can be tidied: the old result stands, the leftover is taken for nothing, the next run works."""
    own = copied(workshop, tmp_path)
    words, target = WRITERS[name]
    rows = _rows(own)
    killed = subprocess.run([sys.executable, "-c", _KILLED, _kind(name), *words], cwd=own, check=False, timeout=60)
    assert killed.returncode == -signal.SIGKILL
    if target is not None:
        assert OLD.strip() in (own / target).read_text()
    if name != "teardown priors":
        assert _rows(own) == rows
    monkeypatch.chdir(own)
    assert command(*words).code == 0
    assert all(Path(left).name.startswith(".") and left.endswith(".tmp") for left in leftovers(own))
    assert command("grade", "a", "b", "--json").document["recordings"][1]["file"] == "recording.wav"


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 1.0])
def test_a_document_cut_short_by_a_redirection_is_not_taken_for_a_result(
    share: float, workshop: Path, tmp_path: Path
) -> None:
    """The shell opens the file of `grade --json > FILE` first: of a stopped command it holds a part or nothing."""
    text = command("grade", workshop / "a" / "recording.wav", "--json").out.rstrip("\n")
    (tmp_path / "grade.json").write_text(text[: int(share * (len(text) - 1))])
    outcome = command("exposure", f"{tmp_path / 'grade.json'}@1h", "--json")
    assert outcome.code == 3
    assert "grade.json" in outcome.err


def test_two_commands_on_one_log_lose_and_double_nothing(workshop: Path, tmp_path: Path) -> None:
    own = copied(workshop, tmp_path)
    lines = [["log", "add", folder, "--log", "new.sqlite", "--jobs", "1"] for folder in ("a", "b", "a", "b")]
    processes = [start(words, own) for words in lines]
    outcomes = [ended(process, words) for process, words in zip(processes, lines, strict=True)]
    assert [outcome.code for outcome in outcomes] == [0, 0, 0, 0], outcomes
    with closing(sqlite3.connect(own / "new.sqlite")) as connection:
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
