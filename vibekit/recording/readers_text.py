"""Delimited text: phone logs and logger exports, columns named by their header, times measured from their stamps."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError, Notice, listed
from vibekit.recording.gaps import even_frames
from vibekit.recording.gravity import unit_from_gravity
from vibekit.recording.parts import joined_log
from vibekit.recording.readers_text_layout import DELIMITERS, TextLayout, find_layout
from vibekit.recording.readers_text_parse import text_batches
from vibekit.recording.sidecar import RecordingFacts, axis_names
from vibekit.recording.source import RawSource, rebatch
from vibekit.recording.text_names import acceleration_unit
from vibekit.recording.text_time import TimeColumn, field_value, find_time, table_log, table_notices
from vibekit.recording.timing import Clock, FloatArray, measure_clock
from vibekit.units import unit_factor

SUFFIXES = frozenset({".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".log"})
_DECIMAL = {".": "point", ",": "comma"}
Batches = Callable[[tuple[int, ...], TimeColumn | None], Iterator[Any]]


@dataclass(frozen=True)
class TablePart:
    """A file of a table: its parser, and how many lines stand before its first row."""

    path: Path
    skip_lines: int
    batches: Batches


def open_text(path: Path, facts: RecordingFacts, following: tuple[Path, ...] = ()) -> RawSource:
    """Return a delimited text file as a source; the time column is measured in one pass over it.

    The files in `following` go on where it ends: without a header, or with the same again.

    Raises:
        InputError: not a table, a field that is no number, NaN or infinite samples, columns that cannot be named,
            timestamps that run backwards or stand still, a following file of other columns or earlier stamps.
    """
    layout = find_layout(path)
    layouts = [layout, *(find_layout(part, layout) for part in following)]
    parts = [
        TablePart(part, own.skip_lines, partial(text_batches, part, own))
        for part, own in zip((path, *following), layouts, strict=True)
    ]
    log = f"read text, {DELIMITERS[layout.delimiter]}, decimal {_DECIMAL[layout.decimal]}, {layout.encoding}"
    header = "with header" if layout.has_header else "without header"
    return open_table(facts, layout, parts, f"{log}, {header}")


def open_table(facts: RecordingFacts, layout: TextLayout, parts: Sequence[TablePart], log: str) -> RawSource:
    """Return a table of named columns, in one file or several, as a source. Raises as `open_text`."""
    path = parts[0].path
    time = find_time(path, layout, facts)
    channels = _channels(path, layout, facts, time)
    named = axis_names(facts)
    roles = tuple(r for r, _ in named) if named else _roles(layout, facts, channels)
    gains, unit = _units(path, layout, facts, channels, roles)
    table = _Table(layout, parts, tuple(channels), gains, time)
    whole = f"{path}{' and what it goes on in' if len(parts) > 1 else ''}"
    clock = None if time is None else measure_clock(table.stamps(), time.resolution_s, whole)
    used = frozenset(channels)
    ignored = [n.text for c, n in enumerate(layout.columns) if c not in used and (time is None or c != time.column)]

    def blocks(size: int, first: int, last: int | None) -> Iterator[Any]:
        return rebatch(table.frames(clock), size, first, last)

    return RawSource(
        n_channels=len(channels),
        blocks=blocks,
        sample_rate=None if clock is None else clock.timing.mean_rate_hz,
        n_frames=None if clock is None else clock.n_frames,
        names=roles if named or (layout.has_header and facts.axes is None) else None,
        unit=unit,
        unit_hint=_gravity_hint(table),
        timing=None if clock is None else clock.timing,
        log=(*joined_log([part.path for part in parts]), *table_log(log, layout, time, clock, ignored)),
        notices=(*table_notices(layout, time, clock), *_header_remarks(layout, channels, roles)),
    )


class _Table:
    """The parsed columns: `channels` scaled by `gains`, and stamps [s] from the first one."""

    def __init__(
        self,
        layout: TextLayout,
        parts: Sequence[TablePart],
        channels: tuple[int, ...],
        gains: tuple[float, ...],
        time: TimeColumn | None,
    ) -> None:
        self.layout, self.parts = layout, parts
        self.channels, self.time = channels, time
        self.gains = None if all(gain == 1.0 for gain in gains) else np.array(gains)

    def stamps(self) -> Iterator[FloatArray]:
        """Yield the time column [s]."""
        return (stamps for stamps, _ in self.chunks((), self.time))

    def chunks(self, channels: tuple[int, ...], time: TimeColumn | None) -> Iterator[tuple[FloatArray, FloatArray]]:
        """Yield (stamps [s], values (n, channels)), as parsed, file after file; stamps from the first one on."""
        origin, last, before = None, -np.inf, 0
        for part in self.parts:
            row = 0
            for batch in part.batches(channels, time):
                values = np.empty((batch.num_rows, len(channels)))
                for i, column in enumerate(channels):
                    values[:, i] = _array(batch.column(f"c{column}"))
                self._require_finite(part, values, before, row, channels)
                stamps = np.empty(0)
                if time is not None and batch.num_rows:
                    ticks = _ticks(part, batch.column(f"c{time.column}"), time, before + row)
                    origin = ticks[0] if origin is None else origin
                    stamps = (ticks - origin) * time.unit_s
                    if row == 0:
                        _require_follows(part, float(stamps[0]), last)
                    last = float(stamps[-1])
                yield stamps, values
                row += batch.num_rows
            before += row

    def _require_finite(
        self, part: TablePart, values: FloatArray, before: int, row: int, channels: tuple[int, ...]
    ) -> None:
        finite = np.isfinite(values)
        if not finite.all():
            index, column = np.argwhere(~finite)[0]
            name = self.layout.columns[channels[column]].text or f"column {channels[column] + 1}"
            raise InputError(
                f"{part.path}: sample {before + row + index} of {name} is not finite (NaN, infinite or empty), "
                f"line {part.skip_lines + row + index + 1}"
            )

    def frames(self, clock: Clock | None) -> Iterator[FloatArray]:
        """Yield the values on an even clock."""
        if clock is None:
            frames: Iterator[FloatArray] = (values for _, values in self.chunks(self.channels, None))
        else:
            stamped = clock.timing.resampled or clock.drop_repeated
            frames = even_frames(clock, self.chunks(self.channels, self.time if stamped else None))
        return frames if self.gains is None else (frame * self.gains for frame in frames)


def _ticks(part: TablePart, column: Any, time: TimeColumn, row: int) -> Any:
    """Return the time column as numbers in its own unit."""
    if column.null_count:
        raise InputError(f"{part.path}: a timestamp is missing after sample {row}")
    return _array(column.cast("int64") if time.kind in ("iso", "clock") else column)


def _require_follows(part: TablePart, starts_s: float, last_s: float) -> None:
    if starts_s < last_s:
        raise InputError(
            f"{part.path}: starts {last_s - starts_s:.6g} s before the end of the file before it: parts of one "
            "recording follow each other in time, and all stamps count from one start"
        )


def _array(column: Any) -> Any:
    """Return an Arrow column as a NumPy array, missing values as NaN; unlike Arrow's own way this loads no pandas."""
    return np.from_dlpack(column.fill_null(float("nan")) if column.null_count else column)


def _channels(path: Path, layout: TextLayout, facts: RecordingFacts, time: TimeColumn | None) -> list[int]:
    """Return the columns that are channels: those that the header names, or all but time where axes are given."""
    others = [c for c in range(len(layout.columns)) if (time is None or c != time.column)]
    others = [c for c in others if layout.columns[c].text or any(layout.fields(c))]
    if (wanted := axis_names(facts)) is not None:
        return [_named(path, layout, name) for _, name in wanted]
    if facts.axes is not None or not layout.has_header:
        return [c for c in others if layout.columns[c].role != "time"]
    named = [c for c in others if layout.columns[c].role in ("x", "y", "z", "tach", "sound")]
    if not any(layout.columns[c].role in ("x", "y", "z") for c in named):
        names = listed(repr(layout.columns[c].text) for c in others)
        raise InputError(f"{path}: columns {names}: none is named x, y or z: name them with --axes or axes")
    return named


def _roles(layout: TextLayout, facts: RecordingFacts, channels: list[int]) -> tuple[str, ...]:
    """Return what each channel is: as the axes given say, else the header; without either x, y, z or nothing."""
    if facts.axes is not None and len(facts.axes) == len(channels):
        return facts.axes
    if not layout.has_header and len(channels) == 3:
        return ("x", "y", "z")
    return tuple(layout.columns[c].role or "-" for c in channels)


def _named(path: Path, layout: TextLayout, name: str) -> int:
    """Return the column of that header, written in full or without its unit."""
    for column, known in enumerate(layout.columns):
        if name and (name == known.text or known.text.startswith((f"{name} [", f"{name} ("))):
            return column
    texts = listed(repr(known.text) for known in layout.columns if known.text)
    raise InputError(f"{path}: has no column {name[:40]!r}: it has {texts or 'no header'}")


def _units(
    path: Path, layout: TextLayout, facts: RecordingFacts, channels: list[int], roles: tuple[str, ...]
) -> tuple[tuple[float, ...], str | None]:
    """Return a gain per channel and the unit that its axes then share, as the header says.

    Raises:
        InputError: the header names units that cannot be brought to one, or a tachometer in a unit of acceleration.
    """
    names = [layout.columns[c] for c in channels]
    axes = [name for name, role in zip(names, roles, strict=True) if role in ("x", "y", "z")]
    for name in names:
        if name.role == "tach" and facts.axes is None and acceleration_unit(name.unit or ""):
            raise InputError(
                f"{path}: column {name.text!r} is named a tachometer and is in {name.unit}: say with --axes what it is"
            )
    stated = {name.unit for name in axes if name.unit}
    if len(stated) <= 1:
        return (1.0,) * len(channels), next(iter(stated), None)
    said = ", ".join(sorted(stated))
    if any(acceleration_unit(unit) is None for unit in stated):
        raise InputError(f"{path}: the header names units {said} for x, y and z: they must be of one kind")
    if facts.unit is not None and "unit" not in facts.shared:
        raise InputError(f"{path}: the header names units {said} and unit {facts.unit} is given: leave that out")
    for name in axes:
        if name.unit is None:
            raise InputError(f"{path}: column {name.text!r} does not say its unit, others say different ones")
    gains = [unit_factor(name.unit) if name in axes and name.unit else 1.0 for name in names]
    return tuple(gains), "m/s2"


def _header_remarks(layout: TextLayout, channels: list[int], roles: tuple[str, ...]) -> Iterator[Notice]:
    """Yield what the header says of the axes that is not followed: other names, brackets that are no unit."""
    for column, role in zip(channels, roles, strict=True):
        name = layout.columns[column]
        if role not in ("x", "y", "z"):
            continue
        if name.remark is not None:
            message = f"column {name.text!r}: {name.remark!r} is no unit that is read, and taken as a remark"
            yield Notice("header_remark", "info", message, remedy="write the unit as [m/s2] or [g]")
        if name.role is not None and name.role != role:
            message = f"column {name.text!r} is taken as {role}, as the axes given say"
            yield Notice("axes_renamed", "info", message)


def _gravity_hint(table: _Table) -> str:
    """Return what the mean of the first lines suggests about the unit."""
    rows = [[field_value(row[c]) for c in table.channels if c < len(row)] for row in table.layout.rows]
    full = np.array([row for row in rows if len(row) == 3 and np.isfinite(row).all()])
    return unit_from_gravity(full.mean(axis=0)) if full.size else ""
