"""Errors with their exit codes, and the notices that every result carries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Literal

_LONGEST_LIST, _LONGEST_NAME = 95, 40  # characters in a message of one line

Severity = Literal["info", "caution", "refusal"]


class VibekitError(Exception):
    """Base of every expected failure; the message is one line: what, where, what would be right."""

    exit_code = 1


class UsageError(VibekitError):
    """The request itself is wrong (an option, a task string)."""

    exit_code = 2


class InputError(VibekitError):
    """An input cannot be used: missing, corrupt, uncalibrated, impossible sheet."""

    exit_code = 3


class RecordingLimitError(VibekitError):
    """A recording cannot support what was asked: band, length, clipping; `remedy` says what would help, where known."""

    exit_code = 4

    def __init__(self, message: str, remedy: str | None = None) -> None:
        super().__init__(message)
        self.remedy = remedy


@dataclass(frozen=True)
class Notice:
    """One remark about a result: what was found, against what limit, and what would help."""

    code: str
    severity: Severity
    message: str
    value: float | str | None = None
    limit: float | str | None = None
    remedy: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the notice as `contract` document data."""
        return {
            "code": self.code,
            "severity": self.severity,
            "message": self.message,
            "value": self.value,
            "limit": self.limit,
            "remedy": self.remedy,
        }


def listed(names: Iterable[str]) -> str:
    """Return names for a message of one line: all where they are short together, else the first and how many."""
    every = [name[:_LONGEST_NAME] for name in names]
    shown = list(every)
    while len(shown) > 1 and sum(len(name) + 2 for name in shown) > _LONGEST_LIST:
        shown.pop()
    return ", ".join(shown) + (f" ... ({len(every)} in all)" if len(shown) < len(every) else "")


def known_names(name: str, known: Iterable[str]) -> str:
    """Return which names there are, beside one that is none of them: the likeliest where they are many."""
    every = sorted(known)
    close = get_close_matches(name, every, n=3, cutoff=0.5)
    if close and sum(len(one) + 2 for one in every) > _LONGEST_LIST:
        return f"did you mean {' or '.join(close)}?"
    return f"known are {listed(every)}"


def is_text(name: str) -> bool:
    """Tell whether a name can be written as UTF-8; a file name of other bytes cannot."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def distinct(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Return the notices in order, each once."""
    return tuple(dict.fromkeys(notices))


def refused(notices: Iterable[Notice]) -> bool:
    """Tell whether any notice is a refusal (exit code 4)."""
    return any(notice.severity == "refusal" for notice in notices)


def document(name: str, body: dict[str, Any], notices: Iterable[Notice]) -> dict[str, Any]:
    """Frame a result as a document: its name and version first, its notices last."""
    return {"document": name, "version": 1, **body, "notices": [n.to_dict() for n in distinct(notices)]}
