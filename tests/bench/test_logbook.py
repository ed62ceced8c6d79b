"""The log: counted once, nothing lost by a killed writer or by two writers, schema versions, foreign files."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from vibekit.bench import logbook
from vibekit.bench.exchange import export_log, import_log
from vibekit.bench.logbook import Entry, Teardown, add_entries, add_teardown, entries, open_log, teardowns, transaction
from vibekit.errors import InputError

WHEN = datetime(2026, 3, 7, 10, 15, tzinfo=UTC)


def entry(number: int = 0, tag: str = "T-1", kind: str = "grade", **changes: object) -> Entry:
    hashes = {"recording_sha256": f"{number:064x}", "inputs_sha256": f"{number:064x}"}
    base = Entry(WHEN + timedelta(hours=number), tag, kind, {"a_hv_mps2": 4.0 + number}, **hashes, file=f"{number}.wav")
    return replace(base, **changes)  # type: ignore[arg-type]


def test_a_recording_counts_once(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        assert add_entries(log, [entry(), entry(kind="speed"), entry()]) == ["added", "added", "known"]
        again = entry(inputs_sha256="f" * 64, quantities={"a_hv_mps2": 9.0})
        assert add_entries(log, [again]) == ["replaced"]
        assert [e.quantities["a_hv_mps2"] for e in entries(log, kind="grade")] == [9.0]
        both = entries(log, kind="grade", superseded=True)
        assert [e.superseded_at is None for e in both] == [False, True]  # what was said before stays known


def test_entries_come_back_as_they_were_in_order_of_time(tmp_path: Path) -> None:
    late = entry(5, document={"deep": [1, None, "ü"]}, hours_used=12.5, condition="loaded")
    zone = timezone(timedelta(hours=2))
    early = entry(1, recorded_at=datetime(2026, 3, 7, 11, 0, tzinfo=zone))  # 09:00 UTC
    with open_log(tmp_path / "log.sqlite") as log:
        add_entries(log, [late, early])
    with open_log(tmp_path / "log.sqlite", create=False) as log:
        found = entries(log)
    assert [e.recording_sha256 for e in found] == [early.recording_sha256, late.recording_sha256]
    assert found[0].recorded_at == early.recorded_at
    assert replace(found[1], logged_at=None) == late


def test_a_failed_transaction_leaves_nothing(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        with pytest.raises(AttributeError):
            add_entries(log, [entry(0), "not an entry"])  # type: ignore[list-item]
        assert entries(log) == []
        assert add_entries(log, [entry(0)]) == ["added"]


WRITER = """
import sys
from datetime import UTC, datetime
from vibekit.bench.logbook import Entry, add_entries, open_log
path, start, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
with open_log(path) as log:
    for n in range(start, start + count):
        h = f"{n:064x}"
        pair = [Entry(datetime.now(UTC), "T", kind, {"n": n}, h, h) for kind in ("grade", "speed")]
        add_entries(log, pair)
        print(n, flush=True)
"""


def writer(path: Path, start: int, count: int) -> subprocess.Popen[str]:
    arguments = [sys.executable, "-c", WRITER, str(path), str(start), str(count)]
    return subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_two_writers_lose_and_double_nothing(tmp_path: Path) -> None:
    """Both create the log, and their ranges overlap: 60 recordings in all, each once per kind."""
    path = tmp_path / "log.sqlite"
    both = [writer(path, 0, 40), writer(path, 20, 40)]
    for process in both:
        _, problem = process.communicate(timeout=60)
        assert process.returncode == 0, problem
    with open_log(path) as log:
        found = [(e.quantities["n"], e.kind) for e in entries(log, superseded=True)]
    assert sorted(found) == sorted((n, kind) for n in range(60) for kind in ("grade", "speed"))


def test_many_who_make_one_log_at_once_all_get_it(tmp_path: Path) -> None:
    """SQLite waits for no other that sets write-ahead mode; and half a log must not be taken for something else."""

    def count(path: Path, together: threading.Barrier) -> int:
        together.wait(timeout=60)
        with open_log(path) as log:
            return len(entries(log))

    with ThreadPoolExecutor(8) as pool:
        for n in range(25):
            path, together = tmp_path / f"log{n}.sqlite", threading.Barrier(8)
            assert list(pool.map(count, [path] * 8, [together] * 8)) == [0] * 8


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_a_killed_writer_leaves_a_sound_log_with_all_it_reported(tmp_path: Path) -> None:
    """SIGKILL at any moment: what was reported as written is there, no pair is half there, writing goes on."""
    path, reported = tmp_path / "log.sqlite", -1
    for round_ in range(6):
        process = writer(path, reported + 1, 100_000)
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(5)]
        time.sleep(0.003 * round_)
        process.send_signal(signal.SIGKILL)
        lines += process.communicate(timeout=30)[0].splitlines()
        reported = int([line for line in lines if line.strip()][-1])
        with open_log(path, create=False) as log:
            assert log.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            found = [(e.quantities["n"], e.kind) for e in entries(log)]
        numbers = {n for n, _ in found}
        assert numbers >= set(range(reported + 1))
        assert sorted(found) == sorted((n, kind) for n in numbers for kind in ("grade", "speed"))
        reported = max(numbers)


CRASH = """
import os, sys
import vibekit.bench.logbook as logbook
from tests.bench.test_logbook import entry
store, left = logbook._insert, [3]
def crash(*arguments):
    left[0] -= 1
    if left[0] == 0:
        os._exit(9)
    store(*arguments)
logbook._insert = crash
with logbook.open_log(sys.argv[1]) as log:
    logbook.add_entries(log, [entry(0)])
    logbook.add_entries(log, [entry(1), entry(1, kind="speed")])
"""


def test_a_crash_between_the_entries_of_a_recording_leaves_neither(tmp_path: Path) -> None:
    """The process ends between the two inserts of the second recording: the first is kept, the second absent."""
    ended = subprocess.run([sys.executable, "-c", CRASH, str(tmp_path / "log.sqlite")], timeout=60, check=False)
    assert ended.returncode == 9
    with open_log(tmp_path / "log.sqlite") as log:
        assert [e.file for e in entries(log)] == ["0.wav"]
        assert add_entries(log, [entry(1), entry(1, kind="speed")]) == ["added", "added"]


def test_write_ahead_and_version_are_set(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        values = [
            log.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "user_version", "application_id")
        ]
    assert values == ["wal", len(logbook.MIGRATIONS), logbook.APPLICATION_ID]


def test_an_old_log_is_migrated_with_its_entries(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as old:
        old.setattr(logbook, "MIGRATIONS", logbook.MIGRATIONS[:1])
        with open_log(tmp_path / "log.sqlite") as log:
            add_entries(log, [entry()])
            assert log.execute("PRAGMA user_version").fetchone()[0] == 1
    with open_log(tmp_path / "log.sqlite") as log:
        assert len(entries(log)) == 1
        add_teardown(log, Teardown(WHEN, "T-1", ("healthy",)))
        assert teardowns(log)[0].found == ("healthy",)


def test_foreign_and_broken_files_are_left_alone(tmp_path: Path) -> None:
    foreign = tmp_path / "foreign.sqlite"
    with sqlite3.connect(foreign) as connection:
        connection.execute("CREATE TABLE mine (a)")
    connection.close()
    broken = tmp_path / "broken.sqlite"
    broken.write_bytes(b"no database at all" * 100)
    newer = tmp_path / "newer.sqlite"
    with open_log(newer) as log:
        log.execute("PRAGMA user_version = 99")
    for path, says in ((foreign, "something else"), (broken, "not a log"), (newer, "newer")):
        before = path.read_bytes()
        with pytest.raises(InputError, match=says), open_log(path):
            pass
        assert path.read_bytes() == before
    with pytest.raises(InputError, match="no log there"), open_log(tmp_path / "none.sqlite", create=False):
        pass
    assert not (tmp_path / "none.sqlite").exists()


def test_a_busy_log_is_waited_for_then_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logbook, "BUSY_S", 0.1)
    named = pytest.raises(InputError, match="cannot be written")
    with (
        open_log(tmp_path / "log.sqlite") as first,
        transaction(first),
        named,
        open_log(tmp_path / "log.sqlite") as second,
    ):
        add_entries(second, [entry()])


@pytest.mark.parametrize("suffix", [".csv", ".parquet"])
def test_export_and_import_are_complete(tmp_path: Path, suffix: str) -> None:
    if suffix == ".parquet":
        pytest.importorskip("pyarrow")
    table = tmp_path / f"log{suffix}"
    with open_log(tmp_path / "a.sqlite") as log:
        add_entries(log, [entry(0, tag="=1+1"), entry(1, condition="loaded", hours_used=3.5, document={"a": [1]})])
        add_entries(log, [entry(0, tag="=1+1", inputs_sha256="e" * 64)])
        add_teardown(log, Teardown(WHEN, "T-1", ("bushing.worn", "gear.wear"), "=note, with comma"))
        assert export_log(log, table) == 4
        wanted = entries(log, superseded=True), teardowns(log)
    with open_log(tmp_path / "b.sqlite") as log:
        assert import_log(log, table)["added"] + import_log(log, table)["replaced"] == 4
        assert import_log(log, table) == {"known": 4}
        assert (entries(log, superseded=True), teardowns(log)) == wanted


def test_import_of_two_results_keeps_the_later(tmp_path: Path) -> None:
    with open_log(tmp_path / "a.sqlite") as log:
        add_entries(log, [entry(0, quantities={"a_hv_mps2": 1.0}, inputs_sha256="a" * 64, logged_at=WHEN)])
        export_log(log, tmp_path / "a.csv")
    with open_log(tmp_path / "b.sqlite") as log:
        later = WHEN + timedelta(days=1)
        add_entries(log, [entry(0, quantities={"a_hv_mps2": 2.0}, inputs_sha256="b" * 64, logged_at=later)])
        import_log(log, tmp_path / "a.csv")
        assert [e.quantities["a_hv_mps2"] for e in entries(log)] == [2.0]
        assert len(entries(log, superseded=True)) == 2


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("2026-03-07", "someday", "row 2"),
        ("0" * 64, "xyz", "hexadecimal"),
        ('{""a_hv_mps2"": 4.0}', "[1]", "JSON objects"),
        ("entry", "novel", "record must be"),
        ("record,", "recording,", "no column"),
    ],
)
def test_a_bad_row_is_named_and_nothing_added(tmp_path: Path, old: str, new: str, says: str) -> None:
    table = tmp_path / "log.csv"
    with open_log(tmp_path / "a.sqlite") as log:
        add_entries(log, [entry()])
        export_log(log, table)
    text = table.read_text(encoding="utf-8")
    assert old in text
    table.write_text(text.replace(old, new), encoding="utf-8")
    with open_log(tmp_path / "b.sqlite") as log:
        with pytest.raises(InputError, match=says):
            import_log(log, table)
        assert entries(log, superseded=True) == []


def test_lists_leave_documents_unread_and_what_is_looked_up_is_indexed(tmp_path: Path) -> None:
    """SQLite's own plan: a search by index, not a scan of a log that is mostly documents."""
    with open_log(tmp_path / "log.sqlite") as log:
        add_entries(log, [entry(0, document={"a": 1})])
        assert [e.document for e in entries(log)] == [{"a": 1}]
        assert [e.document for e in entries(log, documents=False)] == [{}]
        for condition in ("inputs_sha256 = '' AND kind = ''", "recording_sha256 = '' AND kind = ''", "tag = ''"):
            plan = log.execute(f"EXPLAIN QUERY PLAN SELECT document FROM entry WHERE {condition}").fetchone()["detail"]
            assert plan.startswith("SEARCH entry USING INDEX"), plan
