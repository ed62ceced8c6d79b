"""The lines of a text file as columns of numbers: cleaned, then split by Arrow's CSV parser block by block."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
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
        types[f"c{time.column}"] = {"iso": iso, "integer": pa.int64(), "float": pa.float64()}[time.kind]

    def parsed(threads: bool) -> Iterator[Any]:
        with TextStream(path, layout) as stream:
            names = [f"c{i}" for i in range(len(layout.columns))]
            yield from csv.open_csv(
                stream,
                csv.ReadOptions(column_names=names, block_size=CHUNK_BYTES, use_threads=threads),
                csv.ParseOptions(delimiter=layout.delimiter),
                csv.ConvertOptions(column_types=types, include_columns=list(types), decimal_point=layout.decimal),
            )

    try:
        yield from parsed(threads=True)
    except pa.ArrowInvalid:
        try:  # only a single thread knows the number of the row
            for _ in parsed(threads=False):
                pass
        except pa.ArrowInvalid as error:
            raise InputError(f"{path}: {_reason(str(error), layout)}") from None
        raise InputError(f"{path}: changed while it was read") from None


def _reason(error: str, layout: TextLayout) -> str:
    """Return Arrow's complaint as one line that names the line of the file."""
    row = re.search(r"Row #(\d+)", error)
    where = f"line {layout.skip_lines + int(row[1])}: " if row else ""
    value = re.search(r"invalid value '(.*)'", error, re.DOTALL)
    if value:
        return f"{where}{value[1][:40]!r} is not a number or time as in the lines before"
    counts = re.search(r"Expected (\d+) columns, got (\d+)", error)
    if counts:
        return f"{where}has {counts[2]} columns, the table has {counts[1]}: cut off or damaged"
    return f"{where}cannot be parsed as a table: {error.splitlines()[0][:120]}"


class TextStream(io.RawIOBase):
    """The data lines of a text file as UTF-8 bytes: header skipped, comment lines and runs of blanks taken out."""

    def __init__(self, path: Path, layout: TextLayout) -> None:
        self._layout = layout
        self._file = path.open("rb")
        self._lines = self._data()
        self._rest = b""

    def readable(self) -> bool:
        """Tell that it can be read."""
        return True

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()

    def read(self, size: int = -1) -> bytes:
        """Return up to `size` bytes; all that is left where it is negative."""
        while size < 0 or len(self._rest) < size:
            more = next(self._lines, None)
            if more is None:
                break
            self._rest += more
        cut = len(self._rest) if size < 0 else size
        out, self._rest = self._rest[:cut], self._rest[cut:]
        return out

    def _data(self) -> Iterator[bytes]:
        """Yield whole lines in chunks, cleaned."""
        comment = re.compile(rb"(?m)^[ \t]*(?:" + b"|".join(re.escape(c.encode()) for c in COMMENTS) + rb").*\n?")
        left, skip = b"", self._layout.skip_lines
        for chunk in self._decoded():
            chunk = left + chunk
            end = chunk.rfind(b"\n") + 1
            chunk, left = chunk[:end], chunk[end:]
            while skip and chunk:
                chunk = chunk[chunk.find(b"\n") + 1 :]
                skip -= 1
            yield self._clean(chunk, comment)
        if skip == 0 and left:
            yield self._clean(left, comment)

    def _decoded(self) -> Iterator[bytes]:
        import codecs

        decoder = codecs.getincrementaldecoder("utf-16")() if self._layout.encoding == "utf-16" else None
        old_mac = None
        while chunk := self._file.read(CHUNK_BYTES):
            data = decoder.decode(chunk).encode() if decoder else chunk
            old_mac = b"\n" not in data if old_mac is None else old_mac
            yield data.replace(b"\r", b"\n") if old_mac else data

    def _clean(self, text: bytes, comment: re.Pattern[bytes]) -> bytes:
        if any(mark.encode() in text for mark in COMMENTS):
            text = comment.sub(b"", text)
        if self._layout.delimiter == " ":
            text = re.sub(rb"(?m)^ +| +$", b"", re.sub(rb"[ \t]+", b" ", text.replace(b"\r\n", b"\n")))
        return text
