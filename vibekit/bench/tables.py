"""Tables to and from files: CSV whose text stays text in a spreadsheet, and Parquet; written whole or not at all."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from vibekit.errors import InputError, UsageError
from vibekit.recording.atomic import atomic

Row = Mapping[str, Any]

# Spreadsheets take a cell that starts so as a formula, also behind white space; an apostrophe in front makes it text
# (common practice against formula injection).
_FORMULA_START = ("=", "+", "-", "@")


def write_table(path: Path, rows: Sequence[Row], columns: Sequence[str]) -> None:
    """Write rows as CSV (UTF-8, point and comma) or, by the suffix `.parquet`, as Parquet.

    Raises:
        InputError: the file cannot be written, or Parquet needs the extra.
    """
    if path.suffix.lower() == ".parquet":
        _write_parquet(path, rows, columns)
        return
    with atomic(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)  # RFC 4180; its line end also makes the writer quote a lone carriage return
        writer.writerow(columns)
        writer.writerows([_cell(row.get(column)) for column in columns] for row in rows)


def read_table(path: Path) -> list[dict[str, Any]]:
    """Return the rows of a CSV (all text, empty cells None) or Parquet file.

    Raises:
        InputError: missing, not such a file, or a row that does not fit the header.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file")
    if path.suffix.lower() == ".parquet":
        return _read_parquet(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"{path}: cannot be read as CSV: {error}") from None
    for line, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            raise InputError(f"{path}: row {line} does not have the {len(reader.fieldnames or ())} cells of the header")
    return [{key: _text(value) for key, value in row.items()} for row in rows]


def safe_text(text: str) -> str:
    """Return text that no spreadsheet takes for a formula; `_text` undoes it."""
    risky = text.lstrip().startswith(_FORMULA_START) or text.startswith(("'", "\t", "\r", "\n"))
    return f"'{text}" if risky else text


def _cell(value: Any) -> Any:
    """Return what stands in the cell: numbers as they are, None empty, everything else safe text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple | dict):
        return safe_text(json.dumps(value, ensure_ascii=False, default=str))
    return safe_text(str(value))


def _text(value: str) -> str | None:
    if value == "":
        return None
    return value[1:] if value.startswith("'") and safe_text(value[1:]) == value else value


def _parquet() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise UsageError("Parquet needs the extra: pip install 'vibekit-toolroom[parquet]'") from None
    return pyarrow, pyarrow.parquet


def _write_parquet(path: Path, rows: Sequence[Row], columns: Sequence[str]) -> None:
    pyarrow, parquet = _parquet()
    nested = (list, tuple, dict)
    data = {
        column: [json.dumps(v, default=str) if isinstance(v := row.get(column), nested) else v for row in rows]
        for column in columns
    }
    with atomic(path) as temporary:
        parquet.write_table(pyarrow.table(data), temporary)


def _read_parquet(path: Path) -> list[dict[str, Any]]:
    pyarrow, parquet = _parquet()
    try:
        rows: list[dict[str, Any]] = parquet.read_table(path).to_pylist()
    except (OSError, pyarrow.ArrowException) as error:
        raise InputError(f"{path}: cannot be read as Parquet: {error}") from None
    return rows
