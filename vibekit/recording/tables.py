"""Strict reading of TOML tables into frozen dataclasses: unknown keys, wrong types and bad numbers are errors."""

from __future__ import annotations

import tomllib
import types
from collections.abc import Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from vibekit.errors import InputError, known_names

T = TypeVar("T")

_LARGEST = 1e12  # no quantity of a sheet comes near it, and its square is still a number
MOST_SHEET_BYTES = 1 << 18  # a sheet is a page or two; TOML parsing takes time that grows faster than the text


def load_toml(path: Path) -> dict[str, Any]:
    """Return a TOML file as a dict.

    Raises:
        InputError: missing, unreadable or not TOML.
    """
    text = read_small_text(path)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(f"{path}: not a sheet: lists or tables in one another without end") from None
    except ValueError as error:  # also numbers of thousands of digits
        raise InputError(f"{path}: not valid TOML: {str(error).splitlines()[0]}") from None


def read_small_text(path: Path, most_bytes: int = MOST_SHEET_BYTES) -> str:
    """Return the text of a regular file; a device, a pipe or a file that is no sheet by its size is not read.

    Raises:
        InputError: missing, not a regular file, larger than `most_bytes`, unreadable or not UTF-8.
    """
    try:
        if not path.exists():
            raise InputError(f"{path}: no such file")
        if not path.is_file():
            raise InputError(f"{path}: not a file")
        if path.stat().st_size > most_bytes:
            raise InputError(f"{path}: {path.stat().st_size} bytes: larger than such a text may be ({most_bytes})")
        with path.open("rb") as file:
            return file.read(most_bytes + 1).decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from None
    except ValueError:  # not UTF-8, or a NUL in the name
        raise InputError(f"{str(path)!r}: cannot be read as text: write it in UTF-8") from None


def from_table(kind: type[T], table: Any, where: str) -> T:
    """Return `kind` (a dataclass) filled from a TOML table; the names of its sheet fields are the only keys allowed.

    Raises:
        InputError: not a table, unknown or missing key, wrong type, number not finite or not positive
            (a field whose metadata says ``allow_zero`` or ``any_sign`` takes what it names).
    """
    if not isinstance(table, Mapping):
        raise InputError(f"{where}: must be a table of keys and values")
    hints = get_type_hints(kind)
    known = {field.name: field for field in sheet_fields(kind)}
    for key in table:
        if key not in known:
            raise InputError(f"{where}: unknown key {_short(key)}; {known_names(str(key), known)}")
    values: dict[str, Any] = {}
    for name, field in known.items():
        if name in table:
            values[name] = _value(table[name], hints[name], f"{where}: {name}", field.metadata)
        elif field.default is MISSING and field.default_factory is MISSING:
            raise InputError(f"{where}: {name} is missing")
    return kind(**values)


def sheet_fields(kind: type[Any]) -> list[Field[Any]]:
    """Return the fields of a dataclass that a sheet may state; the others (metadata ``from_sheet`` false) are ours."""
    return [field for field in fields(kind) if field.metadata.get("from_sheet", True)]


def _value(value: Any, hint: Any, where: str, metadata: Mapping[str, Any]) -> Any:
    options = get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)
    hint = next((o for o in options if o is type(value)), None) or next(o for o in options if o is not type(None))
    if get_origin(hint) is tuple:
        if not isinstance(value, list):
            raise InputError(f"{where} must be a list")
        return tuple(_value(item, get_args(hint)[0], where, metadata) for item in value)
    if hint is bool or hint is str:
        if not isinstance(value, hint):
            raise InputError(
                f"{where} must be {'true or false' if hint is bool else 'text in quotes'}, not {_short(value)}"
            )
        if value not in (allowed := metadata.get("one_of", (value,))):
            raise InputError(f"{where} must be one of {', '.join(allowed)}, not {_short(value)}")
        return value
    if hint is datetime:
        return _datetime(value, where)
    if isinstance(hint, type) and is_dataclass(hint):
        return from_table(hint, value, where)
    return _number(value, hint, where, metadata)


def _datetime(value: Any, where: str) -> datetime:
    if isinstance(value, datetime):
        return value
    try:
        return datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise InputError(f"{where} must be a date and time such as 2026-03-07T10:15:00Z, not {_short(value)}") from None


def _short(value: Any) -> str:
    try:
        return repr(value)[:80]
    except ValueError:  # a whole number of thousands of digits
        return "a number of thousands of digits"


def _number(value: Any, hint: Any, where: str, metadata: Mapping[str, Any]) -> float | int:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= _LARGEST:
        raise InputError(f"{where} must be a finite number, not {_short(value)}")
    if hint is int and value != int(value):
        raise InputError(f"{where} must be a whole number, not {_short(value)}")
    if (value < 0 and not metadata.get("any_sign")) or (
        value == 0 and not (metadata.get("allow_zero") or metadata.get("any_sign"))
    ):
        raise InputError(f"{where} must be greater than zero, not {_short(value)}")
    return int(value) if hint is int else float(value)
