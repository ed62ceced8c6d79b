"""Documents read back: of the kind and version asked for, every number finite, every notice whole."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn, get_args

from vibekit.errors import InputError, Notice, Severity
from vibekit.recording.tables import read_small_text

VERSION = 1  # of every document that is written and read
_MOST_BYTES = 1 << 26  # of some thousand recordings


def read_document(path: Path, name: str) -> dict[str, Any]:
    """Return the document `name` (the command that wrote it) from a JSON file.

    Raises:
        InputError: no such file, no JSON, another document or version, a number that is not finite, a broken notice.
    """
    try:
        data = parse_json(read_small_text(path, _MOST_BYTES))
    except (ValueError, RecursionError) as error:
        reason = str(error).splitlines()[0][:80] if isinstance(error, ValueError) else "nested without end"
        raise InputError(f"{path}: is not a {name} document: {reason} (write one with vibekit {name} --json)") from None
    return require_document(data, name, str(path))


def parse_json(text: str) -> Any:
    """Return what JSON text holds; JSON has no NaN and no infinity.

    Raises:
        ValueError: not JSON, or a number that is not finite.
        RecursionError: lists in one another without end.
    """
    return json.loads(text, parse_constant=_no_number, parse_float=_finite, parse_int=_whole)


def require_document(data: Any, name: str, where: str) -> dict[str, Any]:
    """Return `data` where it is a document of that name and version with whole notices; `where` names its origin.

    Raises:
        InputError: it is not.
    """
    if not isinstance(data, dict) or not isinstance(data.get("document"), str):
        raise InputError(f"{where}: is not a {name} document (write one with vibekit {name} --json)")
    if data["document"] != name:
        kind = data["document"][:40]
        raise InputError(f"{where}: is a {kind} document, not a {name} document (vibekit {name} --json)")
    if data.get("version") != VERSION or isinstance(data["version"], bool):
        version = str(data.get("version"))[:40]
        raise InputError(f"{where}: is version {version} of a {name} document: version {VERSION} is read")
    notices_of(data, where)
    return data


def notices_of(data: Mapping[str, Any], where: str) -> tuple[Notice, ...]:
    """Return the notices of a document. Raises InputError where one is broken."""
    rows = data.get("notices")
    if not isinstance(rows, list) or not all(map(_is_notice, rows)):
        raise InputError(f"{where}: its notices are damaged: each needs code, severity and message")
    return tuple(Notice(row["code"], row["severity"], row["message"], remedy=row.get("remedy")) for row in rows)


def number_in(data: Mapping[str, Any], keys: tuple[str, ...], largest: float, where: str) -> float | None:
    """Return the number from 0 to `largest` that stands under nested keys, None where it is null.

    Raises:
        InputError: it is missing or no such number.
    """
    value: Any = data
    for key in keys:
        if not isinstance(value, Mapping) or key not in value:
            raise InputError(f"{where}: {'.'.join(keys)} is missing")
        value = value[key]
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= largest:
        raise InputError(f"{where}: {'.'.join(keys)} is {str(value)[:40]}: not a number from 0 to {largest:g}")
    return float(value)


def _is_notice(row: Any) -> bool:
    texts = isinstance(row, dict) and all(isinstance(row.get(key), str) for key in ("code", "severity", "message"))
    return texts and row["severity"] in get_args(Severity) and isinstance(row.get("remedy"), str | None)


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _finite(text: str) -> float:
    value = float(text)
    return value if math.isfinite(value) else _no_number(text[:40])


def _whole(text: str) -> int:
    return int(text) if len(text) <= 300 else _no_number(text[:20] + "...")
