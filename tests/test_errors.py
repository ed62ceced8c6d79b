"""Messages of one line: long lists are cut and counted, wrong options say where help is."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.inprocess import run
from vibekit.errors import known_names, listed


def test_lists_in_a_message() -> None:
    assert listed(["a", "b"]) == "a, b" and listed([]) == ""
    long = listed(f"column number {i}" for i in range(80))
    assert long.startswith("column number 0, column number 1") and long.endswith("... (80 in all)")
    assert len(long) <= 120
    assert listed(["x" * 500, "y"]) == "x" * 40 + ", y"


def test_names_that_are_near() -> None:
    known = [f"fault of kind {i}" for i in range(20)] + ["gear.wear"]
    assert known_names("gear.ware", known) == "did you mean gear.wear?"
    assert known_names("a", ["b", "c"]) == "known are b, c"
    assert "(21 in all)" in known_names("qqqq", known)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("grade",), "Missing argument 'REC...'"),
        (("grade", "--nothing"), "No such option: --nothing"),
        (("report", "x.csv"), "Missing option '--out'"),
        (("spectrum", "x.wav", "--kind", "foo"), "'foo' is not one of 'amplitude'"),
        (("nothing",), "No such command 'nothing'"),
        (("spectrum", "x.wav", "--kind", "f" * 900), "Invalid value for '--kind'"),
        (("teardown", "T", "--found", "gear.ware", "--log", "none.sqlite"), "did you mean gear.wear"),
    ],
)
def test_a_wrong_word_is_one_line(words: tuple[str, ...], says: str) -> None:
    code, out, err = run(*words)
    assert (code, out) == (2, "") and err.count("\n") == 1 and len(err) <= 220, err
    assert says in err
    assert not Path("none.sqlite").exists()
