"""Delimited text: phone logs and logger exports, columns named by their header, times measured from their stamps."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError
from vibekit.recording.readers_text_layout import DELIMITERS, TextLayout, find_layout
from vibekit.recording.readers_text_parse import text_batches
from vibekit.recording.sidecar import RecordingFacts, axis_names
from vibekit.recording.source import RawSource, rebatch
from vibekit.recording.text_time import TimeColumn, field_value, find_time, table_log, table_notices
from vibekit.recording.timing import Clock, FloatArray, drop_repeated, measure_clock, resample
from vibekit.units import STANDARD_GRAVITY, unit_factor

SUFFIXES = frozenset({".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".log"})
_DECIMAL = {".": "point", ",": "comma"}
Batches = Callable[[tuple[int, ...], TimeColumn | None], Iterator[Any]]


def open_text(path: Path, facts: RecordingFacts) -> RawSource:
    """Return a delimited text file as a source; the time column is measured in one pass over it.

    Raises:
        InputError: not a table, a field that is no number, NaN or infinite samples, columns that cannot be named,
            timestamps that run backwards or stand still.
    """
    layout = find_layout(path)
    log = f"read text, {DELIMITERS[layout.delimiter]}, decimal {_DECIMAL[layout.decimal]}, {layout.encoding}"
    header = "with header" if layout.has_header else "without header"
    return open_table(path, facts, layout, partial(text_batches, path, layout), f"{log}, {header}")


def open_table(path: Path, facts: RecordingFacts, layout: TextLayout, batches: Batches, log: str) -> RawSource:
    """Return a table of named columns as a source; `batches` parses them. Raises as `open_text`."""
    time = find_time(path, layout, facts)
    channels = _channels(path, layout, facts, time)
    gains, unit = _units(path, layout, facts, channels)
    table = _Table(path, layout, batches, tuple(channels), gains, time)
    clock = None if time is None else measure_clock(table.stamps(), time.resolution_s, str(path))
    named = axis_names(facts)
    roles = tuple(r for r, _ in named) if named else tuple(layout.columns[c].role or "-" for c in channels)
    used = frozenset(channels)
    ignored = [n.text for c, n in enumerate(layout.columns) if c not in used and (time is None or c != time.column)]

    def blocks(size: int, first: int, last: int | None) -> Iterator[Any]:
        return rebatch(table.frames(clock), size, first, last)

    return RawSource(
        n_channels=len(channels),
        blocks=blocks,
        sample_rate=None if clock is None else clock.timing.mean_rate_hz,
        n_frames=None if clock is None else _n_frames(clock),
        names=roles if named or (layout.has_header and facts.axes is None) else None,
        unit=unit,
        unit_hint=_gravity_hint(table),
        timing=None if clock is None else clock.timing,
        log=table_log(log, layout, time, clock, ignored),
        notices=table_notices(layout, time, clock),
    )


class _Table:
    """The parsed columns: `channels` scaled by `gains`, and stamps [s] from the first one."""

    def __init__(
        self,
        path: Path,
        layout: TextLayout,
        batches: Batches,
        channels: tuple[int, ...],
        gains: tuple[float, ...],
        time: TimeColumn | None,
    ) -> None:
        self.path, self.layout, self.batches = path, layout, batches
        self.channels, self.time = channels, time
        self.gains = None if all(gain == 1.0 for gain in gains) else np.array(gains)

    def stamps(self) -> Iterator[FloatArray]:
        """Yield the time column [s]."""
        return (stamps for stamps, _ in self.chunks((), self.time))

    def chunks(self, channels: tuple[int, ...], time: TimeColumn | None) -> Iterator[tuple[FloatArray, FloatArray]]:
        """Yield (stamps [s], values (n, channels)), as parsed."""
        origin, row = None, 0
        for batch in self.batches(channels, time):
            values = np.empty((batch.num_rows, len(channels)))
            for i, column in enumerate(channels):
                values[:, i] = _array(batch.column(f"c{column}"))
            self._require_finite(values, row, channels)
            stamps = np.empty(0)
            if time is not None:
                raw = batch.column(f"c{time.column}")
                if raw.null_count:
                    raise InputError(f"{self.path}: a timestamp is missing after sample {row}")
                raw = raw.cast("int64") if time.kind == "iso" else raw
                ticks = _array(raw)
                origin = ticks[0] if origin is None else origin
                stamps = (ticks - origin) * time.unit_s
            yield stamps, values
            row += batch.num_rows

    def _require_finite(self, values: FloatArray, row: int, channels: tuple[int, ...]) -> None:
        finite = np.isfinite(values)
        if not finite.all():
            index, column = np.argwhere(~finite)[0]
            name = self.layout.columns[channels[column]].text or f"column {channels[column] + 1}"
            raise InputError(
                f"{self.path}: sample {row + index} of {name} is not finite (NaN, infinite or empty), "
                f"line {self.layout.skip_lines + row + index + 1}"
            )

    def frames(self, clock: Clock | None) -> Iterator[FloatArray]:
        """Yield the values on an even clock."""
        if clock is None:
            frames: Iterator[FloatArray] = (values for _, values in self.chunks(self.channels, None))
        elif clock.timing.resampled:
            rate = clock.timing.mean_rate_hz
            frames = resample(self._stretch(clock, self.time), clock.start_s, rate, clock.n_frames)
        elif clock.drop_repeated:
            frames = drop_repeated(self._stretch(clock, self.time))
        else:
            frames = (values for _, values in self._stretch(clock, None))
        return frames if self.gains is None else (frame * self.gains for frame in frames)

    def _stretch(self, clock: Clock, time: TimeColumn | None) -> Iterator[tuple[FloatArray, FloatArray]]:
        """Yield stamps and values of the longest stretch without a gap."""
        row = 0
        for stamps, values in self.chunks(self.channels, time):
            part = slice(max(clock.first - row, 0), max(clock.last - row, 0))
            row += len(values)
            if len(values[part]):
                yield stamps[part], values[part]


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
        names = ", ".join(repr(layout.columns[c].text) for c in others)
        raise InputError(f"{path}: columns {names}: none is named x, y or z: name them with --axes or axes")
    return named


def _named(path: Path, layout: TextLayout, name: str) -> int:
    """Return the column of that header, written in full or without its unit."""
    for column, known in enumerate(layout.columns):
        if name and (name == known.text or known.text.startswith((f"{name} [", f"{name} ("))):
            return column
    texts = ", ".join(repr(known.text) for known in layout.columns if known.text)
    raise InputError(f"{path}: has no column {name!r}: it has {texts or 'no header'}")


def _units(
    path: Path, layout: TextLayout, facts: RecordingFacts, channels: list[int]
) -> tuple[tuple[float, ...], str | None]:
    """Return a gain per channel and the unit they then share, as the header says."""
    units = [layout.columns[c].unit for c in channels]
    stated = {unit for unit in units if unit}
    if len(stated) <= 1:
        return (1.0,) * len(channels), next(iter(stated), None)
    if facts.unit is not None:
        raise InputError(
            f"{path}: the header names units {', '.join(sorted(stated))} and unit {facts.unit} is given: leave that out"
        )
    for c, unit in zip(channels, units, strict=True):
        if unit is None and layout.columns[c].role in ("x", "y", "z"):
            raise InputError(
                f"{path}: column {layout.columns[c].text!r} does not say its unit, others say different ones"
            )
    return tuple(unit_factor(unit) if unit else 1.0 for unit in units), "m/s2"


def _n_frames(clock: Clock) -> int:
    if clock.timing.resampled or clock.drop_repeated:
        return clock.n_frames
    return clock.last - clock.first


def _gravity_hint(table: _Table) -> str:
    """Return what the mean of the first lines suggests about the unit; a proposal, never a choice."""
    rows = [[field_value(row[c]) for c in table.channels if c < len(row)] for row in table.layout.rows]
    full = np.array([row for row in rows if len(row) == 3 and np.isfinite(row).all()])
    with np.errstate(over="ignore"):
        mean = float(np.linalg.norm(full.mean(axis=0))) if full.size else 0.0
    for unit, gravity in (("m/s2", STANDARD_GRAVITY), ("g", 1.0), ("mg", 1000.0)):
        if abs(mean - gravity) < 0.05 * gravity:
            return f" (the mean of {mean:.4g} is what gravity gives in {unit})"
    return ""
