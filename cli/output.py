"""Standard output for results, standard error for notes; text and JSON are two views of one document."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Callable
from typing import Any

import typer

from vibekit.errors import RecordingLimitError
from vibekit.units import number as number

Document = dict[str, Any]


def emit(document: Document, as_json: bool, render: Callable[[Document], str], exit_code: int = 0) -> None:
    """Print a document as JSON or as text, then end with its exit code (4 where a notice refuses)."""
    _print(_json(document) if as_json else render(document))
    refuses = any(notice["severity"] == "refusal" for notice in document.get("notices", []))
    code = exit_code or (RecordingLimitError.exit_code if refuses else 0)
    if code:
        raise typer.Exit(code)


def _json(document: Document) -> str:
    """Return a document as JSON: as it reads where standard output can carry that, else with escapes."""
    text = json.dumps(jsonable(document), ensure_ascii=False, allow_nan=False)
    if not text.isprintable():  # what could steer a terminal stands in strings only, as an escape
        text = "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return json.dumps(jsonable(document), allow_nan=False)
    return text


def _print(text: str) -> None:
    """Print on standard output; a reader that has gone away (`| head`) has what it wanted."""
    try:
        typer.echo(text)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def jsonable(value: Any) -> Any:
    """Return a document with plain numbers and lists; a number that is not finite becomes null."""
    if isinstance(value, dict):
        return {str(key): jsonable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [jsonable(item) for item in value]
    if hasattr(value, "tolist"):
        return jsonable(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def note(message: str) -> None:
    """Print one note on standard error."""
    typer.echo(f"vibekit: {printable(message)}", err=True)


def printable(text: str) -> str:
    """Return text with control characters shown as escapes, so that a name cannot steer the terminal."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def counted(count: int, noun: str) -> str:
    """Return a count with its noun, of which the plural is made with an s."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def notice_lines(document: Document) -> list[str]:
    """Return the document's notices as text lines, refusals first."""
    order = {"refusal": 0, "caution": 1, "info": 2}
    lines = []
    for notice in sorted(document.get("notices", []), key=lambda n: order[n["severity"]]):
        remedy = f" ({notice['remedy']})" if notice["remedy"] else ""
        lines.append(f"{notice['severity']}: {printable(notice['message'])}{printable(remedy)}")
    return lines


class Progress:
    """Progress with time left on standard error, only on a terminal and only for work that lasts."""

    def __init__(self, label: str) -> None:
        import time

        self._clock = time.monotonic
        self._label, self._start = label, self._clock()
        self._shown = self._start + 1.0
        self._visible = False

    def __call__(self, fraction: float) -> None:
        """Show how much of the work is done (0..1)."""
        now = self._clock()
        if not sys.stderr.isatty() or now < self._shown or fraction <= 0:
            return
        left = (now - self._start) * (1 - fraction) / fraction
        sys.stderr.write(f"\r{self._label}: {100 * fraction:3.0f} %, {left:.0f} s left  ")
        sys.stderr.flush()
        self._shown, self._visible = now + 0.2, True

    def done(self) -> None:
        """Clear the progress line."""
        if self._visible:
            sys.stderr.write("\r\033[K")
