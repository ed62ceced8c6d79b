"""What every command owes whatever it is given: an exit code of the contract, one line, data shown as data, an end."""

from __future__ import annotations

import contextlib
import json
import signal
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.cli.inprocess import run
from vibekit.errors import VibekitError

CODES = (0, 2, 3, 4, 5)
LONGEST_S = 20.0  # for any input of 1 MB, on a loaded machine


class TooLongError(BaseException):
    """Not an `Exception`: nothing in the library may catch it."""


@dataclass(frozen=True)
class Outcome:
    """What a command did."""

    arguments: tuple[str, ...]
    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Return standard output as one JSON document without NaN."""
        document: dict[str, Any] = json.loads(self.out, parse_constant=_no_constant)
        return document


def command(*arguments: str | Path) -> Outcome:
    """Run a command in this process and hold it to the contract."""
    words = tuple(map(str, arguments))
    with within(LONGEST_S), warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # in a process of its own it would be a second line
        outcome = Outcome(words, *run(*words))
    require_contract(outcome)
    return outcome


def require_contract(outcome: Outcome) -> None:
    """Check exit code and streams of a command."""
    said = f"{outcome.arguments} gave {outcome.code}: {outcome.err[:2000]}"
    assert outcome.code in CODES, said
    assert "Traceback" not in outcome.err, said
    for stream in (outcome.out, outcome.err):
        assert all(c.isprintable() or c in "\n\u00a0" for c in stream), f"control characters reach the terminal: {said}"
    if outcome.code in (2, 3):
        assert outcome.out == "", said
    if outcome.code == 3:
        lines = outcome.err.splitlines()
        assert 1 <= len(lines) <= max(1, len(outcome.arguments) - 1), said  # one; of several recordings one each
        assert all(line.startswith("vibekit: ") for line in lines), said
    if outcome.code == 2:
        assert outcome.err.strip(), said
    if outcome.code in (0, 4, 5) and "--json" in outcome.arguments:
        require_document(outcome.document)
        assert (outcome.code == 4) <= any(n["severity"] == "refusal" for n in outcome.document["notices"]), said


def require_document(document: dict[str, Any]) -> None:
    """Check the frame of a document: its name, version, and notices in full."""
    assert isinstance(document["document"], str)
    assert document["version"] == 1
    for notice in document["notices"]:
        assert set(notice) == {"code", "severity", "message", "value", "limit", "remedy"}


def tried(work: Any, *arguments: Any, **named: Any) -> Any:
    """Return what a library function returns, or the expected error; anything else is a defect."""
    with within(LONGEST_S), warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            return work(*arguments, **named)
        except VibekitError as error:
            assert type(error).exit_code in (2, 3, 4), repr(error)
            return error


@contextlib.contextmanager
def within(seconds: float) -> Iterator[None]:
    """Raise TooLongError where the work does not end in time."""

    def stop(*_: object) -> None:
        raise TooLongError(f"no end after {seconds:g} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    start = time.monotonic()
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
    assert time.monotonic() - start < seconds + 1


def _no_constant(name: str) -> float:
    raise AssertionError(f"{name} is not JSON")
