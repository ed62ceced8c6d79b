"""A log or an exported table from elsewhere, or from a damaged disk, is read in full or refused; nothing is added."""

from __future__ import annotations

import csv
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given, settings, strategies as st

from tests.robustness.contract import command
from tests.robustness.profile import SLOW_ROUNDS
from vibekit.bench.logbook import open_log

SHA = "0" * 64
BAD = [
    ("quantities", "{"),
    ("quantities", "[1]"),
    ("quantities", '{"a_hv_mps2": "3"}'),
    ("quantities", '{"a_hv_mps2": NaN}'),
    ("quantities", '{"a_hv_mps2": {"x": 1}}'),
    ("quantities", "[" * 100_000),
    ("document", "nothing"),
    ("recorded_at", "yesterday"),
    ("logged_at", ""),
    ("hours_used", "many"),
]


def _log(path: Path, **changed: str) -> Path:
    """Write a log of one entry past the logbook, as a damaged disk or another program might leave it."""
    row = {
        "recorded_at": "2026-03-07T10:00:00.000000+00:00",
        "recorded_from": "stated",
        "logged_at": "2026-03-07T11:00:00.000000+00:00",
        "tag": "T-1",
        "kind": "grade",
        "file": "r.wav",
        "recording_sha256": SHA,
        "inputs_sha256": SHA,
        "quantities": '{"a_hv_mps2": 3.0}',
        "document": "{}",
        **changed,
    }
    with open_log(path) as log:
        marks = ", ".join("?" * len(row))
        log.execute(f"INSERT INTO entry ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))
    return path


def test_the_log_that_is_damaged_below_is_read(tmp_path: Path) -> None:
    assert command("log", "list", "--log", _log(tmp_path / "l.sqlite"), "--json").document["entries"][0]["tag"] == "T-1"


@pytest.mark.parametrize(("column", "value"), BAD, ids=lambda v: str(v)[:16])
def test_an_entry_that_nobody_wrote_is_named(column: str, value: str, tmp_path: Path) -> None:
    log = _log(tmp_path / "l.sqlite", **{column: value})
    readers = [["log", "list"], ["log", "show", "T-1"], ["trend", "T-1"], ["log", "export", str(tmp_path / "t.csv")]]
    for words in readers[2:] if column == "document" else readers:  # lists do not read documents
        outcome = command(*words, "--log", log)
        if (column, value) == ("logged_at", ""):  # not known when: nothing is wrong with the result
            assert outcome.code in (0, 3)
            continue
        assert outcome.code == 3, outcome
        assert "entry 1" in outcome.err


@settings(SLOW_ROUNDS)
@example(b"\x80", 0.09375, False)  # the table's definition is no text any more
@given(st.binary(min_size=1, max_size=40), st.floats(0, 1), st.booleans())
def test_a_damaged_log_file_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, noise: bytes, place: float, cut: bool
) -> None:
    log = _log(tmp_path_factory.mktemp("log") / "l.sqlite")
    content = log.read_bytes()
    at = int(place * len(content))
    log.write_bytes(content[:at] if cut else content[:at] + noise + content[at + len(noise) :])
    for words in (["log", "list"], ["trend", "T-1"], ["log", "export", str(log.with_suffix(".csv"))]):
        command(*words, "--log", log)


@pytest.mark.parametrize(
    "text", ["=1+1", "+1", "-1", "@a", "\t=1", " =1", "'=1", "\r=1", "a\nb", '"', ",;", "\x1b[31m"]
)
def test_text_in_a_table_is_no_formula_and_comes_back(text: str, tmp_path: Path) -> None:
    log, table, again = _log(tmp_path / "l.sqlite", tag=text, condition=text), tmp_path / "t.csv", tmp_path / "n.sqlite"
    assert command("log", "export", table, "--log", log).code == 0
    with table.open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not any(cell.lstrip().startswith(("=", "+", "-", "@")) for cell in cells)
    assert command("log", "import", table, "--log", again).code == 0
    with closing(sqlite3.connect(again)) as connection:
        assert connection.execute("SELECT tag, condition FROM entry").fetchone() == (text, text)


@pytest.mark.parametrize(("column", "value"), BAD[:7], ids=lambda v: str(v)[:16])
def test_a_table_with_a_bad_row_adds_nothing(column: str, value: str, tmp_path: Path) -> None:
    table, log = tmp_path / "t.csv", tmp_path / "n.sqlite"
    command("log", "export", table, "--log", _log(tmp_path / "l.sqlite"))
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rows[0][column] = value
    with table.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    outcome = command("log", "import", table, "--log", log)
    assert outcome.code == 3
    assert "row 2" in outcome.err
    with closing(sqlite3.connect(log)) as connection:
        assert connection.execute("SELECT count(*) FROM entry").fetchone() == (0,)
