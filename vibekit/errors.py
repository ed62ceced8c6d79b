"""Errors with their exit codes, and the notices that every result carries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

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
    """A sound recording cannot support what was asked: band, length, clipping."""

    exit_code = 4


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
