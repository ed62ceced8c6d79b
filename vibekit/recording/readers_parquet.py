"""Parquet: a table of named columns as in a delimited text file, read batch by batch."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from vibekit.errors import InputError
from vibekit.recording.readers_text import TablePart, open_table
from vibekit.recording.readers_text_layout import TextLayout, require_same_columns
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.source import RawSource, damage_named, require_plausible_size
from vibekit.recording.text_names import column_name
from vibekit.recording.text_time import TimeColumn

SUFFIXES = frozenset({".parquet", ".pq"})

_HEAD_ROWS = 200


def open_parquet(path: Path, facts: RecordingFacts, following: tuple[Path, ...] = ()) -> RawSource:
    """Return a Parquet file as a source; its column names say what a text header says.

    The files in `following` go on where it ends.

    Raises:
        InputError: corrupt, or as for a text file.
    """
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise InputError(f"{path}: needs the package pyarrow: pip install 'vibekit-toolroom[parquet]'") from None
    layout = _layout(path)
    for part in following:
        require_same_columns(part, [column.text for column in _layout(part).columns], layout)
    parts = [TablePart(part, 0, partial(_batches, part)) for part in (path, *following)]
    return open_table(facts, layout, parts, "read Parquet")


def _layout(path: Path) -> TextLayout:
    from pyarrow import parquet

    with damage_named(path, "Parquet"):
        file = parquet.ParquetFile(path)
        require_plausible_size(path, 8 * file.metadata.num_rows * file.metadata.num_columns)
        head = next(file.iter_batches(batch_size=_HEAD_ROWS), None)
    if head is None:
        raise InputError(f"{path}: holds no samples")
    names = tuple(column_name(name) for name in file.schema_arrow.names)
    with damage_named(path, "Parquet"):
        rows = tuple(zip(*(_texts(head.column(i)) for i in range(head.num_columns)), strict=True))
    return TextLayout("", "", ".", 0, names, True, rows)


def _batches(path: Path, channels: tuple[int, ...], time: TimeColumn | None) -> Iterator[Any]:
    """Yield Arrow record batches of the wanted columns."""
    import pyarrow as pa
    from pyarrow import parquet

    columns = [*channels, *([time.column] if time else [])]
    with damage_named(path, "Parquet"):
        file = parquet.ParquetFile(path)
        names = file.schema_arrow.names
        for batch in file.iter_batches(columns=[names[c] for c in columns]):
            found = {}
            for column in columns:
                array = batch.column(names[column])
                if time is not None and column == time.column and time.kind == "iso":
                    found[f"c{column}"] = array.cast(pa.timestamp("ns", tz=array.type.tz))
                else:
                    numbers = pa.types.is_integer(array.type) and time is not None and column == time.column
                    found[f"c{column}"] = array if numbers else array.cast(pa.float64())
            yield pa.RecordBatch.from_pydict(found)


def _texts(column: Any) -> list[str]:
    """Return values as a text file would hold them; Python's times end at microseconds."""
    import pyarrow as pa

    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp("us", tz=column.type.tz), safe=False)
    return ["" if value is None else str(value) for value in column.to_pylist()]
