"""The lines of a text file as columns of numbers: cleaned, then split by Arrow's CSV parser block by block."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from vibekit.errors import InputError
from vibekit.recording.readers_text_layout import COMMENTS, TextLayout
from vibekit.recording.text_time import TimeColumn

CHUNK_BYTES = 1 << 21


def text_batches(path: Path, layout: TextLayout, channels: tuple[int, ...], time: TimeColumn | None) -> Iterator[Any]:
    """Yield Arrow record batches of the wanted columns."""
    import pyarrow as pa
    from pyarrow import csv

    types = {f"c{column}": pa.float64() for column in channels}
    if time is not None:
        iso = pa.timestamp("ns", tz="UTC" if time.zone else None)
        kinds = {"iso": iso, "clock": pa.time64("ns"), "integer": pa.int64(), "float": pa.float64()}
        types[f"c{time.column}"] = kinds[time.kind]

    names = [f"c{i}" for i in range(len(layout.columns))]
    shape = csv.ParseOptions(delimiter=layout.delimiter)
    convert = csv.ConvertOptions(column_types=types, include_columns=list(types), decimal_point=layout.decimal)

    def parsed(chunk: bytes, threads: bool) -> Any:
        how = csv.ReadOptions(column_names=names, block_size=len(chunk) + 1, use_threads=threads)
        own = pa.BufferOutputStream()  # Arrow's memory: its threads must not be the last to let go of Python's
        own.write(chunk)
        return csv.read_csv(pa.BufferReader(own.getvalue()), how, shape, convert)

    row = 0
    for chunk in data_chunks(path, layout):  # a chunk at a time: no thread of Arrow's outlives the call
        try:
            table = parsed(chunk, threads=True)
        except pa.ArrowInvalid:
            with _row_named(path, layout, row):  # only a single thread knows the number of the row
                table = parsed(chunk, threads=False)
        yield from table.to_batches()
        row += table.num_rows


@contextmanager
def _row_named(path: Path, layout: TextLayout, row: int) -> Iterator[None]:
    import pyarrow as pa

    try:
        yield
    except pa.ArrowInvalid as error:
        raise InputError(f"{path}: {_reason(str(error), layout, row)}") from None


def _reason(error: str, layout: TextLayout, before: int) -> str:
    """Return Arrow's complaint as one line that names the line of the file."""
    row = re.search(r"Row #(\d+)", error)
    where = f"line {layout.skip_lines + before + int(row[1])}: " if row else ""
    value = re.search(r"invalid value '(.*)'", error, re.DOTALL)
    if value:
        return f"{where}{value[1][:40]!r} is not a number or time as in the lines before"
    counts = re.search(r"Expected (\d+) columns, got (\d+)", error)
    if counts:
        return f"{where}has {counts[2]} columns, the table has {counts[1]}: cut off or damaged"
    return f"{where}cannot be parsed as a table: {error.splitlines()[0][:120]}"


def data_chunks(path: Path, layout: TextLayout) -> Iterator[bytes]:
    """Yield the data lines of a text file as UTF-8, whole lines in chunks: no header, comments or runs of blanks.

    Raises:
        InputError: it is not text in the encoding of its start.
    """
    comment = re.compile(rb"(?m)^[ \t]*(?:" + b"|".join(re.escape(c.encode()) for c in COMMENTS) + rb").*\n?")
    left, skip = b"", layout.skip_lines
    for chunk in _decoded(path, layout):
        chunk = left + chunk
        end = chunk.rfind(b"\n") + 1
        chunk, left = chunk[:end], chunk[end:]
        while skip and chunk:
            chunk = chunk[chunk.find(b"\n") + 1 :]
            skip -= 1
        if cleaned := _clean(chunk, comment, layout):
            yield cleaned
    if skip == 0 and (cleaned := _clean(left, comment, layout)):
        yield cleaned


def _decoded(path: Path, layout: TextLayout) -> Iterator[bytes]:
    decoder = codecs.getincrementaldecoder("utf-16")() if layout.encoding == "utf-16" else None
    old_mac = None
    with path.open("rb") as file:
        while chunk := file.read(CHUNK_BYTES):
            try:
                data = decoder.decode(chunk).encode() if decoder else chunk
            except UnicodeError:
                raise InputError(f"{path}: is not UTF-16 text throughout") from None
            old_mac = b"\n" not in data if old_mac is None else old_mac
            yield data.replace(b"\r", b"\n") if old_mac else data


def _clean(text: bytes, comment: re.Pattern[bytes], layout: TextLayout) -> bytes:
    """Return lines without comments and runs of blanks; nothing where only line ends are left."""
    if any(mark.encode() in text for mark in COMMENTS):
        text = comment.sub(b"", text)
    if layout.comma_stamps:  # which Arrow reads with a point only
        text = re.sub(rb"(:\d\d),(?=\d)", rb"\1.", text)
    if layout.delimiter == " ":
        text = re.sub(rb"(?m)^ +| +$", b"", re.sub(rb"[ \t]+", b" ", text.replace(b"\r\n", b"\n")))
    return text if text.strip(b"\r\n") else b""
