"""How a delimited text file is laid out: found from its head, and stated; nothing is guessed without a word."""

from __future__ import annotations

import csv
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from vibekit.errors import InputError, listed
from vibekit.recording.text_names import ColumnName, column_name, is_unit

HEAD_BYTES = 1 << 17
DELIMITERS = {"\t": "tab", ";": "semicolon", ",": "comma", " ": "blanks"}
COMMENTS = ("#", "%", "//", "!")

_NUMBER = re.compile(r"^[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?$|^[+-]?(?:nan|inf|infinity)$", re.IGNORECASE)
_ISO = re.compile(r"^\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,](\d+))?)?(Z|[+-]\d\d(?::?\d\d)?)?$")
_CLOCK = re.compile(r"^\d\d:\d\d:\d\d(?:[.,](\d+))?$")


@dataclass(frozen=True)
class TextLayout:
    """Delimiter, decimal mark, columns with what the header says of them, and the first lines of data."""

    encoding: str
    delimiter: str
    decimal: str
    skip_lines: int
    columns: tuple[ColumnName, ...]
    has_header: bool
    rows: tuple[tuple[str, ...], ...]

    @property
    def comma_stamps(self) -> bool:
        """Tell whether dates and times of day have a decimal comma, as ISO 8601 allows."""
        return any("," in f and (is_iso(f) or is_clock(f)) for row in self.rows[:20] for f in row)

    def fields(self, column: int) -> list[str]:
        """Return the first fields of a column as written."""
        return [row[column] for row in self.rows if column < len(row)]


def is_number(field: str) -> bool:
    """Tell whether a field is a number (decimal point or comma)."""
    return bool(_NUMBER.match(field))


def is_iso(field: str) -> bool:
    """Tell whether a field is an ISO 8601 date and time."""
    return bool(_ISO.match(field))


def is_clock(field: str) -> bool:
    """Tell whether a field is a time of day, as ISO 8601 writes it."""
    return bool(_CLOCK.match(field))


def iso_zone(field: str) -> bool:
    """Tell whether an ISO 8601 field names its zone."""
    match = _ISO.match(field)
    return bool(match and match[2])


def stamp_decimals(field: str) -> int:
    """Return the decimals of the seconds in a date and time or a time of day."""
    match = _ISO.match(field) or _CLOCK.match(field)
    return len(match[1] or "") if match else 0


def find_layout(path: Path, first: TextLayout | None = None) -> TextLayout:
    """Return the layout of a text file from its first 128 KiB.

    `first`: layout of the file that this one goes on from; its delimiter, decimal mark and columns hold here, and a
    header must say the same again.

    Raises:
        InputError: not text, no table of numbers in it, or another table than the first one.
    """
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    encoding, text = _decode(path, head)
    lines = re.split(r"\r\n|\n|\r", text)
    if len(head) == HEAD_BYTES:
        lines = lines[:-1]
    kept = [(i, line) for i, line in enumerate(lines) if line.strip()]
    body = [(i, line) for i, line in kept if not line.lstrip().startswith(COMMENTS)]
    delimiter, width = (first.delimiter, len(first.columns)) if first else _delimiter([line for _, line in body])
    rows = [(i, _fields(line, delimiter)) for i, line in body]
    start = next((k for k, (_, fields) in enumerate(rows) if len(fields) == width and _is_data(fields)), None)
    if start is None or width == 0:
        raise InputError(f"{path}: no table of numbers{f' in {width} columns' if first else ''} found in it")
    data = tuple(tuple(fields) for _, fields in rows[start:])
    first_line = rows[start][0]
    header = _header([fields for _, fields in rows[:start]], [t for i, t in kept if i < first_line], delimiter, width)
    if header and sum(map(is_number, header)) > 0:
        bad = next(field for field in header if not is_number(field))
        raise InputError(f"{path}: line {rows[start - 1][0] + 1}: {bad!r} is not a number")
    if first:
        require_same_columns(path, [column_name(field).text for field in header or []], first)
        return replace(first, encoding=encoding, skip_lines=first_line, has_header=header is not None, rows=data)
    decimal = "," if delimiter != "," and any("," in f for row in data for f in row if is_number(f)) else "."
    names = tuple(column_name(field) for field in header or [""] * width)
    return TextLayout(encoding, delimiter, decimal, first_line, names, header is not None, data)


def require_same_columns(path: Path, names: list[str], first: TextLayout) -> None:
    """Refuse a file that goes on from another one and names its columns differently; no names say nothing.

    Raises:
        InputError: another number of columns, or another name.
    """
    known = [column.text for column in first.columns]
    if names and names != known:
        raise InputError(f"{path}: columns {listed(names)}: the file it goes on from has {listed(known)}")


def _decode(path: Path, head: bytes) -> tuple[str, str]:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", head[: len(head) // 2 * 2].decode("utf-16", errors="replace")
    if b"\x00" in head:
        raise InputError(f"{path}: is not text")
    try:
        return "utf-8", head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if error.start > len(head) - 4:
            return "utf-8", head[: error.start].decode("utf-8-sig")
        return "latin-1", head.decode("latin-1")


def _fields(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        return line.split()
    return [field.strip() for field in next(csv.reader([line], delimiter=delimiter), [])]


def _is_value(field: str) -> bool:
    return is_number(field) or is_iso(field) or is_clock(field)


def _is_data(fields: list[str]) -> bool:
    values = sum(map(_is_value, fields))
    return values > 0 and values >= sum(1 for f in fields if f) / 2 and not any(column_name(f).role for f in fields)


def _delimiter(lines: list[str]) -> tuple[str, int]:
    """Return the delimiter that splits the last lines into most columns of numbers, and the number of columns."""
    best, best_score, best_width = ",", 0.0, 0
    for delimiter in DELIMITERS:
        split = [_fields(line, delimiter) for line in lines[-50:]]
        width = Counter(len(fields) for fields in split).most_common(1)[0][0] if split else 0
        whole = [fields for fields in split if len(fields) == width]
        numeric = [sum(_is_value(fields[c]) for fields in whole) >= len(whole) / 2 for c in range(width)]
        header = _fields(lines[0], delimiter) if lines else []
        named = len(header) == width and not all(_is_value(h) for h, n in zip(header, numeric, strict=True) if n)
        names = 0.5 if named else 0.0
        share = len(whole) / max(len(split), 1)
        score = share * (sum(numeric) + names) if numeric and sum(numeric) > width / 2 else 0.0
        if delimiter == "," and _is_decimal_comma(lines):
            score = min(score, 0.5)
        if score > best_score:
            best, best_score, best_width = delimiter, score, width
    return best, best_width


def _is_decimal_comma(lines: list[str]) -> bool:
    """Tell whether a single column of numbers with decimal comma stands under a header without a comma."""
    return bool(lines) and "," not in lines[0] and all(is_number(line.strip()) for line in lines[1:]) and len(lines) > 1


def _header(before: list[list[str]], lines: list[str], delimiter: str, width: int) -> list[str] | None:
    """Return the header fields: the line before the data, with the units line merged, or the last comment line."""
    if before and len(before[-1]) == width:
        names = before[-1]
        if len(before) > 1 and len(before[-2]) == width and all(is_unit(f) for f in names if f):
            return [
                f"{name} [{unit.strip('[]() ')}]" if unit else name
                for name, unit in zip(before[-2], names, strict=True)
            ]
        return names
    for line in reversed(lines):
        fields = _fields(line.lstrip("#%/! "), delimiter)
        if len(fields) == width and any(column_name(field).role for field in fields):
            return fields
    return None
