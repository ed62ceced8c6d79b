"""The tools' history in one SQLite file: append-only entries, each recording counted once, safe with two writers.

Every change is one transaction in write-ahead mode: a writer that dies leaves the log as it was before. An entry that
a newer analysis of the same recording replaces stays, marked as superseded, so that what was said when remains known.
"""

from __future__ import annotations

import json
import os
import sqlite3
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from vibekit.bench.quantities import require_quantities
from vibekit.errors import InputError

APPLICATION_ID = 0x76626B31  # "vbk1", marks the file as ours (SQLite header field made for this)
BUSY_S = 30.0  # how long a writer waits for another one
_AGAIN_S = 0.01
_WHAT_IT_IS = """
    SELECT user_version, application_id, (SELECT count(*) FROM sqlite_master)
    FROM pragma_user_version, pragma_application_id
"""  # at one moment: another may be making the log

# Schema, one script per version; a file of version n gets the scripts after the n-th. Never edit one that was released.
MIGRATIONS = (
    """
    CREATE TABLE entry (
        id INTEGER PRIMARY KEY,
        recorded_at TEXT NOT NULL,
        recorded_from TEXT NOT NULL,
        logged_at TEXT NOT NULL,
        superseded_at TEXT,
        tag TEXT NOT NULL,
        kind TEXT NOT NULL,
        condition TEXT,
        position TEXT,
        accessory TEXT,
        hours_used REAL,
        file TEXT NOT NULL,
        recording_sha256 TEXT NOT NULL,
        inputs_sha256 TEXT NOT NULL,
        quantities TEXT NOT NULL,
        document TEXT NOT NULL
    );
    CREATE UNIQUE INDEX entry_once ON entry (recording_sha256, kind) WHERE superseded_at IS NULL;
    CREATE INDEX entry_tag ON entry (tag, kind, recorded_at);
    """,
    """
    CREATE TABLE teardown (
        id INTEGER PRIMARY KEY,
        opened_at TEXT NOT NULL,
        logged_at TEXT NOT NULL,
        tag TEXT NOT NULL,
        found TEXT NOT NULL,
        note TEXT NOT NULL,
        hours_used REAL
    );
    CREATE INDEX teardown_tag ON teardown (tag, opened_at);
    """,
    """
    CREATE INDEX entry_recording ON entry (recording_sha256, kind);
    CREATE INDEX entry_inputs ON entry (inputs_sha256, kind);
    """,
)

Outcome = Literal["added", "known", "replaced"]


@dataclass(frozen=True)
class Entry:
    """One result of one recording (a diagnosis may stand on several: its hash is then of their hashes).

    `recorded_at` and `logged_at` are UTC; `recorded_from` says whether the time was stated or is the file's.
    """

    recorded_at: datetime
    tag: str
    kind: str
    quantities: Mapping[str, Any]
    recording_sha256: str
    inputs_sha256: str
    file: str = ""
    recorded_from: str = "stated"
    condition: str | None = None
    position: str | None = None
    accessory: str | None = None
    hours_used: float | None = None
    document: Mapping[str, Any] = field(default_factory=dict)
    logged_at: datetime | None = None
    superseded_at: datetime | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the entry as it stands in the `log` document."""
        return {
            "when": self.recorded_at.isoformat(),
            "when_from": self.recorded_from,
            "tag": self.tag,
            "kind": self.kind,
            "condition": self.condition,
            "position": self.position,
            "accessory": self.accessory,
            "hours_used": self.hours_used,
            "file": self.file,
            "quantities": dict(self.quantities),
            "recording_sha256": self.recording_sha256,
            "logged_at": self.logged_at.isoformat() if self.logged_at else None,
        }


@dataclass(frozen=True)
class Teardown:
    """What was found inside a tool that was opened."""

    opened_at: datetime
    tag: str
    found: tuple[str, ...]
    note: str = ""
    hours_used: float | None = None
    logged_at: datetime | None = None


def default_log() -> Path:
    """Return where the log stands unless told otherwise: the user's data folder."""
    from platformdirs import user_data_path

    return user_data_path("vibekit", appauthor=False) / "log.sqlite"


@contextmanager
def open_log(path: str | Path, create: bool = True) -> Iterator[sqlite3.Connection]:
    """Yield a connection to the log, brought to the present schema; closed at the end.

    Raises:
        InputError: missing (unless `create`), not a log of ours, damaged, of a newer schema, or not writable.
    """
    path = Path(path)
    if not create and not path.is_file():
        raise InputError(f"{path}: no log there yet: vibekit log add makes it")
    try:
        if create:
            path.parent.mkdir(parents=True, exist_ok=True)
        still = not create and not os.access(path.parent, os.W_OK)
        connection = _connect_still(path) if still else sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    except (OSError, sqlite3.Error) as error:
        raise InputError(f"{path}: the log cannot be opened: {error}") from None
    try:
        _prepare(connection, path, still)
        yield connection
    except sqlite3.OperationalError as error:
        raise InputError(f"{path}: the log cannot be written or read: {error}") from None
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # of damaged text, or of the message about it
        raise InputError(f"{path}: not a log, or damaged: {error}") from None
    finally:
        connection.close()


def _connect_still(path: Path) -> sqlite3.Connection:
    """Open a log in a folder that nobody can write to, only to read it.

    Raises:
        InputError: a writer was stopped there: what it wrote last stands in a file that cannot be merged.
    """
    journal = path.with_name(f"{path.name}-wal")
    if journal.exists() and journal.stat().st_size:
        raise InputError(f"{path}: its last entries stand in {journal.name}: copy both to a folder that can be written")
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True, isolation_level=None)


def _prepare(connection: sqlite3.Connection, path: Path, still: bool) -> None:
    """Check that the file is a log (or empty), set write-ahead mode, migrate."""
    connection.row_factory = sqlite3.Row
    version, owner, tables = connection.execute(_WHAT_IT_IS).fetchone()
    if owner != APPLICATION_ID and (tables or version):
        raise InputError(f"{path}: is a database of something else, not a vibekit log")
    if version > len(MIGRATIONS):
        raise InputError(
            f"{path}: log schema {version} is newer than this vibekit knows ({len(MIGRATIONS)}): update it"
        )
    if still:
        if version < len(MIGRATIONS):
            raise InputError(f"{path}: log schema {version} is old: copy it to a folder that can be written")
        return
    _write_ahead(connection)
    connection.execute("PRAGMA synchronous = FULL")
    if version < len(MIGRATIONS):
        _migrate(connection)


def _write_ahead(connection: sqlite3.Connection) -> None:
    """Set write-ahead mode; where another does so to a new log, SQLite does not wait for it but calls it locked."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(_AGAIN_S)


def _migrate(connection: sqlite3.Connection) -> None:
    with transaction(connection):
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])  # again: another writer may have done it
        for script in MIGRATIONS[version:]:
            for statement in script.split(";"):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All or nothing; waits for another writer instead of failing."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def add_entries(connection: sqlite3.Connection, entries: Iterable[Entry]) -> list[Outcome]:
    """Store entries in one transaction.

    Per entry: "added"; "known" where the log holds the same result already; "replaced" where the same recording was
    analysed with other facts before (that entry is then superseded, not deleted).
    """
    with transaction(connection):
        return [_add(connection, entry) for entry in entries]


def _add(connection: sqlite3.Connection, entry: Entry) -> Outcome:
    old = _active(connection, entry)
    if old is not None and old["inputs_sha256"] == entry.inputs_sha256:
        return "known"
    entry = replace(entry, logged_at=entry.logged_at or datetime.now(UTC))
    if old is not None:
        connection.execute("UPDATE entry SET superseded_at = ? WHERE id = ?", (_time(entry.logged_at), old["id"]))
    _insert(connection, "entry", _entry_row(entry))
    return "added" if old is None else "replaced"


def _active(connection: sqlite3.Connection, entry: Entry) -> Any:
    query = "SELECT * FROM entry WHERE recording_sha256 = ? AND kind = ? AND superseded_at IS NULL"
    return connection.execute(query, (entry.recording_sha256, entry.kind)).fetchone()


def _entry_row(entry: Entry) -> dict[str, Any]:
    row = {item.name: getattr(entry, item.name) for item in fields(Entry)}
    row |= {name: _time(row[name]) for name in ("recorded_at", "logged_at", "superseded_at")}
    return row | {name: _json(row[name]) for name in ("quantities", "document")}


def import_entries(connection: sqlite3.Connection, found: Iterable[Entry], opened: Iterable[Teardown]) -> Counter[str]:
    """Store entries and teardowns of another log in one transaction; of two results of a recording the later counts."""
    counts: Counter[str] = Counter()
    with transaction(connection):
        for entry in sorted(found, key=lambda e: _time(e.logged_at) or ""):
            counts[_import(connection, entry)] += 1
        known = {(t.tag, _time(t.opened_at), t.found, t.note) for t in teardowns(connection)}
        for teardown in opened:
            new = (teardown.tag, _time(teardown.opened_at), teardown.found, teardown.note) not in known
            if new:
                _insert(connection, "teardown", _teardown_row(teardown))
            counts["added" if new else "known"] += 1
    return counts


def _import(connection: sqlite3.Connection, entry: Entry) -> Outcome:
    same = "SELECT 1 FROM entry WHERE recording_sha256 = ? AND kind = ? AND inputs_sha256 = ? AND logged_at = ?"
    key = (entry.recording_sha256, entry.kind, entry.inputs_sha256, _time(entry.logged_at))
    if connection.execute(same, key).fetchone():
        return "known"
    old = _active(connection, entry)
    if entry.superseded_at is None and (old is None or old["logged_at"] <= (_time(entry.logged_at) or "")):
        return _add(connection, entry)
    over = _time(entry.superseded_at) or old["logged_at"]
    _insert(connection, "entry", {**_entry_row(entry), "superseded_at": over})
    return "added"


def _insert(connection: sqlite3.Connection, table: str, row: Mapping[str, Any]) -> None:
    columns = ", ".join(row)
    connection.execute(f"INSERT INTO {table} ({columns}) VALUES ({', '.join('?' * len(row))})", tuple(row.values()))


def entries(
    connection: sqlite3.Connection,
    tag: str | None = None,
    kind: str | None = None,
    superseded: bool = False,
    documents: bool = True,
) -> list[Entry]:
    """Return entries by time of recording; with `superseded` also those that newer ones replaced.

    Without `documents`, which are nearly all of a log's bytes, they are left unread and come empty.
    """
    asked = {name: value for name, value in (("tag", tag), ("kind", kind)) if value is not None}
    conditions = [f"{name} = ?" for name in asked] + ([] if superseded else ["superseded_at IS NULL"])
    columns = ", ".join(item.name for item in fields(Entry) if documents or item.name != "document")
    query = f"SELECT id, {columns} FROM entry WHERE {' AND '.join(conditions or ['1'])}"
    rows = connection.execute(f"{query} ORDER BY recorded_at, tag, file, id", tuple(asked.values()))
    return [_entry(row) for row in rows]


def tags(connection: sqlite3.Connection) -> list[str]:
    """Return the tags of all tools that have an entry or a teardown, sorted."""
    query = "SELECT tag FROM entry WHERE superseded_at IS NULL UNION SELECT tag FROM teardown"
    return sorted(str(row["tag"]) for row in connection.execute(query))


def require_tag(connection: sqlite3.Connection, tag: str) -> None:
    """Raise InputError where the log knows no tool of that tag; the message names those that it knows."""
    known = tags(connection)
    if tag not in known:
        raise InputError(f"the log has no tool {tag!r}; it has: {', '.join(known) or 'nothing'}")


def known_result(connection: sqlite3.Connection, inputs_sha256: str, kind: str) -> dict[str, Any] | None:
    """Return the stored document of a result with exactly these inputs, or None."""
    query = "SELECT document FROM entry WHERE inputs_sha256 = ? AND kind = ? AND superseded_at IS NULL"
    row = connection.execute(query, (inputs_sha256, kind)).fetchone()
    if row is None:
        return None
    with _damage_named("an entry's document"):
        document: dict[str, Any] = json.loads(row["document"])
    return document


def add_teardown(connection: sqlite3.Connection, teardown: Teardown) -> None:
    """Store what was found."""
    with transaction(connection):
        _insert(connection, "teardown", _teardown_row(teardown))


def _teardown_row(teardown: Teardown) -> dict[str, Any]:
    row = {item.name: getattr(teardown, item.name) for item in fields(Teardown)}
    row |= {"opened_at": _time(teardown.opened_at), "logged_at": _time(teardown.logged_at or datetime.now(UTC))}
    return row | {"found": _json(list(teardown.found))}


def teardowns(connection: sqlite3.Connection, tag: str | None = None) -> list[Teardown]:
    """Return teardowns by time."""
    rows = connection.execute("SELECT * FROM teardown WHERE ? IS NULL OR tag = ? ORDER BY opened_at, id", (tag, tag))
    return [_teardown(row) for row in rows]


def _teardown(row: sqlite3.Row) -> Teardown:
    with _damage_named(f"teardown {row['id']}"):
        opened, logged = (datetime.fromisoformat(row[name]) for name in ("opened_at", "logged_at"))
        return Teardown(
            opened, row["tag"], tuple(map(str, json.loads(row["found"]))), row["note"], row["hours_used"], logged
        )


def _entry(row: sqlite3.Row) -> Entry:
    values = {key: row[key] for key in row.keys() if key != "id"}  # noqa: SIM118 - a Row iterates over its values
    with _damage_named(f"entry {row['id']}"):
        for name in ("recorded_at", "logged_at", "superseded_at"):
            values[name] = datetime.fromisoformat(values[name]) if values[name] else None
        for name in ("quantities", "document"):
            if name in values:
                values[name] = json.loads(values[name])
        require_quantities(values["quantities"])
        for name, kinds in (("tag", str), ("kind", str), ("file", str), ("hours_used", int | float | None)):
            if not isinstance(values[name], kinds):
                raise ValueError(f"{name} is {str(values[name])[:40]!r}")
    return Entry(**values)


@contextmanager
def _damage_named(what: str) -> Iterator[None]:
    """Name the row that nobody but a damaged disk or another hand can have written so."""
    try:
        yield
    except (ValueError, TypeError, RecursionError) as error:
        raise sqlite3.DataError(f"{what}: {error}") from None


def _time(moment: datetime | None) -> str | None:
    """Return a moment as UTC text that sorts by time; one without a zone is taken as local time."""
    return None if moment is None else moment.astimezone(UTC).isoformat(timespec="microseconds")


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, default=_plain)


def _plain(value: Any) -> Any:
    return value.tolist() if hasattr(value, "tolist") else str(value)
