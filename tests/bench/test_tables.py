"""Tables: numbers stay numbers, text stays text in a spreadsheet, both ways; written whole or not at all."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given, strategies as st

from vibekit.bench.tables import _text, read_table, safe_text, write_table
from vibekit.errors import InputError

HOSTILE = [
    "=1+1",
    "+1",
    "-1",
    "@SUM(A1)",
    "  =1+1",
    "\t=1",
    "\r=1",
    "'quoted",
    '=HYPERLINK("http://x")',
    "a,b",
    'say "x"',
    "é",
]


def test_no_text_cell_starts_a_formula(tmp_path: Path) -> None:
    """The characters a spreadsheet takes as a formula's start: = + - @ tab, carriage return (common practice)."""
    write_table(tmp_path / "t.csv", [{"tag": text, "value": -1.5} for text in HOSTILE], ["tag", "value"])
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    assert all(not row[0].lstrip().startswith(("=", "+", "-", "@")) and row[0][0] not in "\t\r" for row in rows)
    assert {row[1] for row in rows} == {"-1.5"}
    assert [row["tag"] for row in read_table(tmp_path / "t.csv")] == HOSTILE


@given(st.text(min_size=1))
def test_safe_text_comes_back(text: str) -> None:
    assert _text(safe_text(text)) == text


def test_numbers_keep_every_digit_and_gaps_stay_gaps(tmp_path: Path) -> None:
    value = 0.1 + 0.2
    write_table(tmp_path / "t.csv", [{"a": value, "b": None, "c": True, "d": ["x"]}], ["a", "b", "c", "d"])
    row = read_table(tmp_path / "t.csv")[0]
    assert float(row["a"]) == value
    assert (row["b"], row["c"], row["d"]) == (None, "true", '["x"]')


def test_parquet_both_ways(tmp_path: Path) -> None:
    pytest.importorskip("pyarrow")
    rows = [{"tag": "=1+1", "value": 1.25, "none": None}, {"tag": "b", "value": 2.5, "none": "x"}]
    write_table(tmp_path / "t.parquet", rows, ["tag", "value", "none"])
    assert read_table(tmp_path / "t.parquet") == rows


def test_failed_write_leaves_the_old_table(tmp_path: Path) -> None:
    class Broken:
        def __str__(self) -> str:
            raise RuntimeError

    write_table(tmp_path / "t.csv", [{"a": 1}], ["a"])
    before = (tmp_path / "t.csv").read_bytes()
    with pytest.raises(RuntimeError):
        write_table(tmp_path / "t.csv", [{"a": 2}, {"a": Broken()}], ["a"])
    assert (tmp_path / "t.csv").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]
    with pytest.raises(InputError):
        write_table(tmp_path / "no" / "t.csv", [], ["a"])


@pytest.mark.parametrize("content", [b"a,b\n1\n", b"a,b\n1,2,3\n", b"\xff\xfe\x00", None])
def test_bad_tables_are_input_errors(tmp_path: Path, content: bytes | None) -> None:
    if content is not None:
        (tmp_path / "t.csv").write_bytes(content)
    with pytest.raises(InputError):
        read_table(tmp_path / "t.csv")
