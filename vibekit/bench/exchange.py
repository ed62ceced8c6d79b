"""The log to and from tables: CSV or Parquet, complete, so that an exported log can be imported elsewhere."""

from __future__ import annotations

import json
import re
import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from vibekit.bench.logbook import (
    Entry,
    Teardown,
    entries,
    import_entries,
    teardowns,
)
from vibekit.bench.quantities import require_quantities
from vibekit.bench.tables import Row, read_table, write_table
from vibekit.errors import InputError
from vibekit.recording.documents import parse_json, require_document

_ENTRY_COLUMNS = tuple(field.name for field in fields(Entry))
_TEARDOWN_COLUMNS = ("opened_at", "found", "note")
_SHOWN = ("a_hv_mps2", "spindle_rpm")  # also as columns of their own, for spreadsheets
COLUMNS = ("record", *_ENTRY_COLUMNS, *_TEARDOWN_COLUMNS, *_SHOWN)
_TIMES = ("recorded_at", "logged_at", "superseded_at", "opened_at")
_SHA256 = re.compile(r"[0-9a-f]{64}")


def export_log(connection: sqlite3.Connection, path: Path) -> int:
    """Write all entries (also superseded ones) and teardowns to a table; return how many.

    Raises:
        InputError: the file cannot be written.
    """
    rows: list[Row] = [_entry_row(entry) for entry in entries(connection, superseded=True)]
    rows += [_teardown_row(teardown) for teardown in teardowns(connection)]
    write_table(path, rows, COLUMNS)
    return len(rows)


def import_log(connection: sqlite3.Connection, path: Path) -> Counter[str]:
    """Add what a table holds and the log does not, in one transaction; return counts of added, known, replaced.

    Raises:
        InputError: not such a table, or a row that cannot be an entry (its number is named); nothing is then added.
    """
    rows = read_table(path)
    if rows and "record" not in rows[0]:
        raise InputError(f"{path}: not an exported log: it has no column 'record'")
    found = [_parse(row, f"{path}: row {line}") for line, row in enumerate(rows, start=2)]
    return import_entries(
        connection,
        [item for item in found if isinstance(item, Entry)],
        [item for item in found if isinstance(item, Teardown)],
    )


def _entry_row(entry: Entry) -> dict[str, Any]:
    row: dict[str, Any] = {"record": "entry", **{name: getattr(entry, name) for name in _ENTRY_COLUMNS}}
    row |= {name: row[name].isoformat() if row[name] else None for name in _TIMES if name in row}
    row |= {name: json.dumps(row[name], ensure_ascii=False) for name in ("quantities", "document")}
    return row | {name: entry.quantities.get(name) for name in _SHOWN}


def _teardown_row(teardown: Teardown) -> dict[str, Any]:
    logged = teardown.logged_at.isoformat() if teardown.logged_at else None
    return {
        "record": "teardown",
        "tag": teardown.tag,
        "opened_at": teardown.opened_at.isoformat(),
        "logged_at": logged,
        "hours_used": teardown.hours_used,
        "found": json.dumps(list(teardown.found)),
        "note": teardown.note,
    }


def _parse(row: Row, where: str) -> Entry | Teardown:
    """Return the entry or teardown of one row, strictly."""
    kind, columns = row.get("record"), _ENTRY_COLUMNS if row.get("record") == "entry" else (*_TEARDOWN_COLUMNS, "tag")
    if kind not in ("entry", "teardown"):
        raise InputError(f"{where}: record must be entry or teardown, not {kind!r}")
    try:
        values = {name: row[name] for name in columns}
        values["hours_used"] = None if row["hours_used"] is None else float(row["hours_used"])
        for name in _TIMES:
            if row[name] is not None and name in (*columns, "logged_at"):
                values[name] = datetime.fromisoformat(row[name])
        if kind == "teardown":
            return Teardown(**{**values, "found": tuple(parse_json(row["found"])), "note": row["note"] or ""})
        values |= {"quantities": parse_json(row["quantities"]), "document": json.loads(row["document"])}
        require_quantities(values["quantities"])
        entry = replace(Entry(**values), file=row["file"] or "")
    except (KeyError, TypeError, ValueError, RecursionError) as error:
        raise InputError(f"{where}: cannot be an entry of a log: {error}") from None
    _require(entry, where)
    return entry


def _require(entry: Entry, where: str) -> None:
    hashes: Sequence[str] = (entry.recording_sha256, entry.inputs_sha256)
    if not all(isinstance(h, str) and _SHA256.fullmatch(h) for h in hashes):
        raise InputError(f"{where}: recording_sha256 and inputs_sha256 must be 64 hexadecimal digits")
    if not entry.tag or not entry.kind or not isinstance(entry.recorded_at, datetime) or entry.logged_at is None:
        raise InputError(f"{where}: tag, kind, recorded_at and logged_at must be given")
    if not isinstance(entry.quantities, dict) or not isinstance(entry.document, dict):
        raise InputError(f"{where}: quantities and document must be JSON objects")
    if entry.kind == "diagnosis" and entry.document:
        require_document(entry.document, "diagnose", where)
