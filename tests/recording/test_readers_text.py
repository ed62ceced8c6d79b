"""How a table is laid out and what its time column says, by the rules of the formats, not by our own output."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vibekit.errors import InputError
from vibekit.recording.parts import following_parts, join_sources, joined_log, require_file
from vibekit.recording.readers import open_recording
from vibekit.recording.readers_text import open_text
from vibekit.recording.readers_text_layout import (
    HEAD_BYTES,
    TextLayout,
    find_layout,
    is_clock,
    is_iso,
    is_number,
    iso_zone,
    stamp_decimals,
)
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.source import RawSource
from vibekit.recording.text_time import TimeColumn, _decimals, field_value, find_time

NONE = RecordingFacts()
XYZ = "x [m/s2],y [m/s2],z [m/s2]"


def layout(folder: Path, content: str | bytes) -> TextLayout:
    (folder / "a.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    return find_layout(folder / "a.csv")


def source(folder: Path, content: str | bytes, facts: RecordingFacts = NONE) -> RawSource:
    layout(folder, content)
    return open_text(folder / "a.csv", facts)


def lines(header: str, n: int = 20, row: str = "{},{},-1.5,9.8", step: float = 0.01, first: float = 0.0) -> str:
    body = [row.format(f"{first + i * step:.3f}", i % 3) for i in range(n)]
    return "\n".join([*([header] if header else []), *body]) + "\n"


def test_fields_by_the_rules_of_iso_8601() -> None:
    for text in ("1", "-1.5", "+.5", ",5", "1,", "1e-3", "2,5E+10", "nan", "-Inf", "infinity"):
        assert is_number(text), text
    for text in ("", "1.2.3", "1e", "--1", "0x10", "one", "1 2", "e5"):
        assert not is_number(text), text
    assert is_iso("2026-03-07T10:15") and is_iso("2026-03-07 10:15:00,25+01:00") and not is_iso("2026-03-07")
    assert is_clock("10:15:00.5") and not is_clock("10:15") and not is_clock("2026-03-07T10:15:00")
    stamps = {"2026-03-07T10:15:00.125Z": 3, "2026-03-07T10:15:00": 0, "10:15:00,25": 2, "10:15:00": 0, "7": 0}
    assert [stamp_decimals(text) for text in stamps] == list(stamps.values())
    assert [iso_zone(f"2026-03-07T10:15:00{zone}") for zone in ("Z", "+01", "-0100", "+01:00", "")] == [True] * 4 + [
        False
    ]
    assert not iso_zone("10:15:00")


def test_decimals_and_values_of_numbers() -> None:
    """0.0125e2 is 1.25: two decimals; finer than 1e-15 no double tells."""
    for text, decimals in {"1": 0, "1.50": 2, "1,5": 1, "0.0125e2": 2, "1.5E-3": 4, "1e5": 0, "1e-30": 15}.items():
        assert _decimals(text) == decimals, text
    assert field_value("2,5e1") == 25.0 and np.isnan(field_value("two")) and np.isnan(field_value(""))


@pytest.mark.parametrize("mark", [",", ";", "\t", " "])
def test_delimiters(tmp_path: Path, mark: str) -> None:
    found = layout(tmp_path, "\n".join([mark.join(["t", "x", "y"])] + [mark.join(["0.5", "1.25", "-3"])] * 9))
    assert (found.delimiter, found.decimal, found.encoding) == (mark, ".", "utf-8")
    assert (found.skip_lines, found.has_header, len(found.rows)) == (1, True, 9)
    assert [c.role for c in found.columns] == ["time", "x", "y"]
    assert found.rows[0] == ("0.5", "1.25", "-3") and found.fields(1) == ["1.25"] * 9
    assert not found.comma_stamps


def test_decimal_commas(tmp_path: Path) -> None:
    found = layout(tmp_path, "t;x\n" + "0,5;1\n" * 9)
    assert (found.delimiter, found.decimal) == (";", ",")
    single = layout(tmp_path, "x\n" + "0,5\n" * 9)
    assert (len(single.columns), single.decimal) == (1, ",")
    stamps = layout(tmp_path, "time;x\n" + "10:15:00,25;1\n" * 9)
    assert stamps.comma_stamps


def test_headers_and_what_stands_before_them(tmp_path: Path) -> None:
    body = "1,2,3\n" * 9
    found = layout(tmp_path, f"# logger 3\n\nrun 7\nx,y,z\nm/s2,[g],\n{body}")
    assert [c.text for c in found.columns] == ["x [m/s2]", "y [g]", "z"]
    assert (found.skip_lines, found.has_header) == (5, True)
    comment = layout(tmp_path, f"% started late\n%// x,y,z\n{body}")
    assert [c.text for c in comment.columns] == ["x", "y", "z"] and comment.skip_lines == 2
    bare = layout(tmp_path, body)
    assert (bare.has_header, bare.skip_lines) == (False, 0) and [c.text for c in bare.columns] == [""] * 3
    with pytest.raises(InputError, match=r"a\.csv: line 1: 'abc' is not a number"):
        layout(tmp_path, f"1,abc,z\n{body}")
    quoted = layout(tmp_path, f'"a, b",y,z\n{body}')
    assert [c.text for c in quoted.columns] == ["a, b", "y", "z"]


def test_encodings(tmp_path: Path) -> None:
    text = "x [m/s²],y\n" + "1,2\n" * 9
    for encoding, name in (("utf-8", "utf-8"), ("utf-8-sig", "utf-8"), ("utf-16", "utf-16"), ("latin-1", "latin-1")):
        found = layout(tmp_path, text.encode(encoding))
        assert (found.encoding, found.columns[0].text, found.columns[0].unit) == (name, "x [m/s²]", "m/s2")
    for refused in (b"1,2\x00\n" * 9, b"\x00"):
        with pytest.raises(InputError, match=r"a\.csv: is not text"):
            layout(tmp_path, refused)


@pytest.mark.parametrize("beside", [-2, -1, 0, 1])
def test_the_head_may_end_within_a_letter_or_a_line(tmp_path: Path, beside: int) -> None:
    """The letter ² is two bytes in UTF-8; it stands across the end of the head, in a comment that is long enough."""
    start = "x,y\n" + "1,2\n" * 9 + "# "
    found = layout(tmp_path, (start + "a" * (HEAD_BYTES - len(start) + beside) + "²\n" + "3,4\n" * 9).encode())
    assert (found.encoding, len(found.rows)) == ("utf-8", 9)


@pytest.mark.parametrize("last", ["4,5", "4,5,6,7", "a,b,c"])
def test_lines_of_another_width_are_not_the_first_data(tmp_path: Path, last: str) -> None:
    found = layout(tmp_path, f"{last}\nx,y,z\n" + "1,2,3\n" * 9)
    assert found.skip_lines == 2 and [c.text for c in found.columns] == ["x", "y", "z"]


@pytest.mark.parametrize(
    ("first", "step", "unit_s", "unit"),
    [
        (1_772_878_500, 1, 1.0, "s"),  # 2026-03-07T10:15:00Z in each unit since 1970
        (1_772_878_500_000, 10, 1e-3, "ms"),
        (1_772_878_500_000_000, 10_000, 1e-6, "µs"),
        (1_772_878_500_000_000_000, 10_000_000, 1e-9, "ns"),
        (900_000_000, 1, 1.0, "s"),  # July 1998, the earliest that is taken so
        (4_200_000_000, 1, 1.0, "s"),  # February 2103, the latest
        (0, 0.01, 1.0, "s"),
        (5, 0.499, 1.0, "s"),
    ],
)
def test_time_without_a_unit_where_only_one_is_possible(
    tmp_path: Path, first: float, step: float, unit_s: float, unit: str
) -> None:
    found = layout(tmp_path, "time,x,y,z\n" + "".join(f"{first + i * step},1,2,3\n" for i in range(5)))
    time = find_time(tmp_path / "a.csv", found, NONE)
    assert time is not None
    assert (time.column, time.unit_s, time.assumed) == (0, unit_s, unit)
    assert time.kind == ("integer" if isinstance(step, int) else "float")
    if isinstance(step, int):
        assert time.resolution_s == unit_s


@pytest.mark.parametrize(("first", "step"), [(0, 1), (0, 0.5), (899_999_999, 1), (4_200_000_001, 1), (5, -0.01)])
def test_time_without_a_unit_where_several_are_possible(tmp_path: Path, first: float, step: float) -> None:
    for name, words in (("time", "time"), ("", "without name")):
        text = f"{name},x,y,z\n" + "".join(
            f"{first + i * step:.6g},1,2,3\n" if step < 1 else f"{first + i},1,2,3\n" for i in range(5)
        )
        if name:
            with pytest.raises(
                InputError, match=rf"time column '{words}' does not say its unit and steps by {step:g}:"
            ):
                find_time(tmp_path / "a.csv", layout(tmp_path, text), NONE)
    with pytest.raises(InputError, match=r"column 'time' holds 'noon': write numbers, or ISO 8601"):
        find_time(tmp_path / "a.csv", layout(tmp_path, "time,x,y,z\n" + "noon,1,2,3\n" * 9), NONE)


@pytest.mark.parametrize(
    ("stamp", "expected"),
    [
        ("2026-03-07T10:15:{:06.3f}Z", TimeColumn(1, 1e-9, 1e-3, "iso", True)),
        ("2026-03-07 10:15:{:05.2f}", TimeColumn(1, 1e-9, 1e-2, "iso", False)),
        ("10:15:{:06.3f}", TimeColumn(1, 1e-9, 1e-3, "clock", False)),
    ],
)
@pytest.mark.parametrize("header", ["x,time,y", ""])
def test_dates_and_times_of_day_in_any_column(tmp_path: Path, stamp: str, expected: TimeColumn, header: str) -> None:
    text = "".join(f"1,{stamp.format(i / 100)},2\n" for i in range(12))
    found = find_time(tmp_path / "a.csv", layout(tmp_path, f"{header}\n{text}" if header else text), NONE)
    assert found is not None and found.resolution_s == pytest.approx(expected.resolution_s)
    assert replace(found, resolution_s=expected.resolution_s) == expected


def test_a_first_column_that_rises_is_time_only_without_header(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    rising = lines("", 8)
    assert find_time(path, layout(tmp_path, rising), NONE) == TimeColumn(0, 1.0, 1e-3, "float", False, "s")
    assert find_time(path, layout(tmp_path, lines("", 7)), NONE) is None
    assert find_time(path, layout(tmp_path, rising + "0.070,1,2,3\n"), NONE) is None
    assert find_time(path, layout(tmp_path, lines("up,x,y,z", 8)), NONE) is None
    four, three = RecordingFacts(axes=("x", "y", "z", "tach")), RecordingFacts(axes=("x", "y", "z"))
    assert find_time(path, layout(tmp_path, rising), four) is None
    assert find_time(path, layout(tmp_path, rising), three) is not None
    assert find_time(path, layout(tmp_path, "".join(f"0.0{i}\n" for i in range(1, 9))), NONE) is None


def test_what_a_table_says_of_itself(tmp_path: Path) -> None:
    found = source(tmp_path, lines(f"time [s],{XYZ}"))
    assert (found.n_channels, found.n_frames, found.names, found.unit) == (3, 20, ("x", "y", "z"), "m/s2")
    assert found.sample_rate == pytest.approx(100.0) and found.notices == ()
    assert found.log == (
        "read text, comma, decimal point, utf-8, with header",
        "time column time [s], unit 1 s: 100 Hz, jitter 0 ms r.m.s., largest step 10 ms, 0 gaps, 0 duplicate stamps",
    )
    values = np.concatenate(list(found.blocks(7, 3, 15)))
    np.testing.assert_array_equal(values, [[i % 3, -1.5, 9.8] for i in range(3, 15)])
    bare = source(tmp_path, lines(""))
    assert bare.names is None and bare.log[0] == "read text, comma, decimal point, utf-8, without header"
    assert [(n.code, n.severity) for n in bare.notices] == [
        ("time_unit_assumed", "info"),
        ("time_column_assumed", "info"),
    ]
    assert "read as s" in bare.notices[0].message and "column 1 rises" in bare.notices[1].message
    still = source(tmp_path, "x [g],y [g],z [g],heat\n" + "0,0,1,20\n" * 9)
    assert (still.sample_rate, still.n_frames, still.timing, still.unit) == (None, None, None, "g")
    assert still.log[1:] == ("columns not used: heat",)


def test_columns_by_name_and_their_units(tmp_path: Path) -> None:
    text = "a [g],b (mg),c [m/s2],d\n" + "1,2,3,4\n" * 9
    path = tmp_path / "a.csv"
    picked = source(tmp_path, text, RecordingFacts(axes=("z=c", "x=a [g]", "y=b")))
    assert picked.names == ("z", "x", "y")
    np.testing.assert_allclose(np.concatenate(list(picked.blocks(99, 0, 1))), [[3.0, 9.80665, 2 * 9.80665e-3]])
    for name, words in (
        ("e", r"has no column 'e': it has 'a \[g\]', 'b \(mg\)', 'c \[m/s2\]', 'd'"),
        ("a [", "no col"),
    ):
        with pytest.raises(InputError, match=words):
            open_text(path, RecordingFacts(axes=(f"x={name}",)))
    with pytest.raises(InputError, match="has no column 'a': it has no header"):
        source(tmp_path, "1,2\n" * 9, RecordingFacts(axes=("x=a",)))
    with pytest.raises(InputError, match=r"columns 'a', 'b': none is named x, y or z"):
        source(tmp_path, "a,b\n" + "1,2\n" * 9)
    mixed = "x [g],y [mg],z [m/s2]\n" + "1,1000,9.80665\n" * 9  # standard gravity, three ways
    found = source(tmp_path, mixed)
    assert found.unit == "m/s2"
    np.testing.assert_allclose(np.concatenate(list(found.blocks(99, 0, None))), 9.80665)
    with pytest.raises(InputError, match=r"the header names units g, m/s2, mg and unit g is given: leave that out"):
        source(tmp_path, mixed, RecordingFacts(unit="g"))
    with pytest.raises(InputError, match=r"column 'z' does not say its unit, others say different ones"):
        source(tmp_path, mixed.replace("z [m/s2]", "z"))


def test_uneven_and_repeated_stamps_are_said(tmp_path: Path) -> None:
    late = [f"{i * 0.01 + (0.004 if i % 2 else 0.0):.3f},1,2,3" for i in range(201)]
    found = source(tmp_path, "\n".join([f"time [s],{XYZ}", *late]))
    assert found.timing is not None and found.timing.resampled
    (notice,) = found.notices
    assert (notice.code, notice.severity) == ("resampled", "caution")
    # linear interpolation takes 1 - sinc²: sinc(0.2)² = 0.875 and sinc(0.4)² = 0.573
    assert "takes 12 % of the amplitude at 20 Hz and 43 % at 40 Hz" in notice.message
    assert notice.value == found.timing.jitter_s and "Hz by linear interpolation" in found.log[-1]
    np.testing.assert_allclose(
        np.concatenate(list(found.blocks(50, 0, None))), [[1.0, 2.0, 3.0]] * int(found.n_frames or 0)
    )


def test_a_gap_is_said_and_nothing_is_dropped(tmp_path: Path) -> None:
    """200 rows, 2 s of nothing, 100 rows."""
    stamped = [i * 0.01 + (2.0 if i >= 200 else 0.0) for i in range(300)]
    text = "\n".join([f"time [s],{XYZ}", *(f"{t:.2f},{i},2,3" for i, t in enumerate(stamped))])
    found = source(tmp_path, text)
    values = np.concatenate(list(found.blocks(64, 0, None)))
    assert found.n_frames == 500
    assert values[:200, 0].tolist() == list(range(200)) and values[400:, 0].tolist() == list(range(200, 300))
    stream = open_recording(tmp_path / "a.csv")
    (notice,) = (n for n in stream.origin.notices if n.code == "gaps")
    assert (notice.severity, notice.value, notice.limit) == ("caution", pytest.approx(2.0), 0)
    assert notice.message.startswith("2 s of 5 s are unknown: samples are missing in 1 gap, from 2.000 s on;")
    assert "up to 2 s longer" in notice.message
    blocks = list(stream.blocks(64))
    known = np.concatenate([np.ones(b.acceleration.shape[1], bool) if b.known is None else b.known for b in blocks])
    assert np.flatnonzero(~known).tolist() == list(range(200, 400))
    later = open_recording(tmp_path / "a.csv", start_s=3.0)
    assert later.origin.timing is not None and later.origin.timing.gaps == ((0.0, pytest.approx(1.0)),)
    assert not {n.code for n in open_recording(tmp_path / "a.csv", start_s=4.0).origin.notices} & {"gaps"}


def raw(values: Any, **facts: Any) -> RawSource:
    frames = np.asarray(values, dtype=float).reshape(-1, 1)

    def blocks(size: int, first: int, last: int | None) -> Any:
        end = len(frames) if last is None else min(last, len(frames))
        return (frames[i : min(i + size, end)] for i in range(first, end, size))

    return RawSource(**{"n_channels": 1, "blocks": blocks, "sample_rate": 100.0, "n_frames": len(frames), **facts})


@pytest.mark.parametrize(("first", "last"), [(0, None), (2, 9), (3, 4), (3, None), (7, 8), (9, None), (0, 3)])
@pytest.mark.parametrize("size", [1, 4, 100])
def test_joined_blocks_are_slices(first: int, last: int | None, size: int) -> None:
    paths = [Path(f"p{i}.wav") for i in range(4)]
    joined = join_sources(paths, [raw([0, 1, 2]), raw([3, 4, 5, 6]), raw([]), raw([7, 8, 9], log=("second",))])
    assert joined.n_frames == 10
    blocks = list(joined.blocks(size, first, last))
    assert np.concatenate(blocks)[:, 0].tolist() == list(range(10))[first:last]
    assert joined.log == ("joined 4 files as one recording: p0.wav, p1.wav, p2.wav, p3.wav",)


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"sample_rate": 50.0}, "sample rate 50.0 differs from 100.0"),
        ({"n_channels": 2}, "number of channels 2 differs from 1"),
        ({"names": ("x",)}, r"channels \('x',\) differs from None"),
        ({"unit": "g"}, "unit g differs from None"),
        ({"unit_per_count": 0.5}, "value of a count 0.5 differs from 1.0"),
    ],
)
def test_what_cannot_be_joined(other: dict[str, Any], words: str) -> None:
    paths = [Path("one.wav"), Path("two.wav")]
    with pytest.raises(InputError, match=rf"^two\.wav: {words} in one\.wav: not one recording$"):
        join_sources(paths, [raw([1, 2]), raw([3], **other)])
    alone = raw([1, 2])
    assert join_sources(paths[:1], [alone]) is alone


def test_joined_files_are_named_up_to_six() -> None:
    names = [Path(f"{letter}.wav") for letter in "abcdefgh"]
    assert joined_log(names[:1]) == ()
    assert joined_log(names[:2]) == ("joined 2 files as one recording: a.wav, b.wav",)
    assert joined_log(names[:6]) == ("joined 6 files as one recording: a.wav, b.wav, c.wav, d.wav, e.wav, f.wav",)
    assert joined_log(names) == ("joined 8 files as one recording: a.wav, b.wav, c.wav, d.wav, ..., h.wav",)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    empty = tmp_path / "e.csv"
    empty.write_bytes(b"")
    for path, words in (
        (empty, r"e\.csv: the file is empty!"),
        (tmp_path, r": not a file!"),
        (tmp_path / "no.csv", r"no\.csv: no such file!"),
        (tmp_path / "a\0b", r"no such file!"),
        (tmp_path / "a\udcff", r"its name is not UTF-8 text: rename it first!"),
    ):
        with pytest.raises(InputError, match=words):
            require_file(path, "!")
    empty.write_bytes(b"1")
    require_file(empty)
    assert following_parts(empty, NONE) == ()
    (tmp_path / "f.csv").write_bytes(b"2")
    assert following_parts(empty, RecordingFacts(continued_in=("f.csv",))) == (tmp_path / "f.csv",)
    with pytest.raises(InputError, match=r"e\.csv: stands twice in continued_in of .*e\.toml"):
        following_parts(empty, RecordingFacts(continued_in=("f.csv", "e.csv")))
