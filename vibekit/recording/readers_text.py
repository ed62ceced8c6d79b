"""Delimited text: phone logs, logger exports, split into columns by Arrow's CSV parser, block by block."""

from __future__ import annotations

import io
import itertools
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError, Notice
from vibekit.recording.sidecar import RecordingFacts, axis_names
from vibekit.recording.source import RawSource, rebatch
from vibekit.recording.text_layout import COMMENTS, DELIMITERS, TextLayout, find_layout, is_iso, is_number, iso_zone
from vibekit.recording.timing import Clock, FloatArray, drop_repeated, linear_loss, measure_clock, resample
from vibekit.units import STANDARD_GRAVITY, unit_factor

SUFFIXES = frozenset({".csv", ".txt", ".tsv", ".tab", ".dat", ".asc", ".log"})

_CHUNK_BYTES = 1 << 21
_DECIMAL = {".": "point", ",": "comma"}
_EPOCHS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"))
_ASSUMED_SECONDS = 0.5  # a step below this many seconds, with a decimal mark, is taken as seconds


@dataclass(frozen=True)
class TimeColumn:
    """The time column: its index, seconds per unit, how finely it is written [s], and whether it is ISO 8601."""

    column: int
    unit_s: float
    resolution_s: float
    kind: str  # "iso", "integer" or "float"
    zone: bool = False
    assumed: str | None = None


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
    return open_table(path, facts, layout, partial(_batches, path, layout), f"{log}, {header}")


def open_table(path: Path, facts: RecordingFacts, layout: TextLayout, batches: Batches, log: str) -> RawSource:
    """Return a table of named columns as a source; `batches` parses them. Raises as `open_text`."""
    time = _time_column(path, layout, facts)
    channels = _channels(path, layout, facts, time)
    gains, unit = _units(path, layout, facts, channels)
    table = _Table(path, layout, batches, tuple(channels), gains, time)
    clock = None if time is None else measure_clock(table.stamps(), time.resolution_s, str(path))
    named = axis_names(facts)
    roles = tuple(r for r, _ in named) if named else tuple(layout.columns[c].role or "-" for c in channels)
    ignored = [n.text for c, n in enumerate(layout.columns) if c not in channels and (time is None or c != time.column)]

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
        log=_log(log, layout, time, clock, ignored),
        notices=_notices(layout, time, clock),
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


def _batches(path: Path, layout: TextLayout, channels: tuple[int, ...], time: TimeColumn | None) -> Iterator[Any]:
    """Yield Arrow record batches of the wanted columns."""
    import pyarrow as pa
    from pyarrow import csv

    types = {f"c{column}": pa.float64() for column in channels}
    if time is not None:
        iso = pa.timestamp("ns", tz="UTC" if time.zone else None)
        types[f"c{time.column}"] = {"iso": iso, "integer": pa.int64(), "float": pa.float64()}[time.kind]

    def parsed(threads: bool) -> Iterator[Any]:
        with _TextStream(path, layout) as stream:
            names = [f"c{i}" for i in range(len(layout.columns))]
            yield from csv.open_csv(
                stream,
                csv.ReadOptions(column_names=names, block_size=_CHUNK_BYTES, use_threads=threads),
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
        raise


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


class _TextStream(io.RawIOBase):
    """The data lines of a text file as UTF-8 bytes: header skipped, comment lines and runs of blanks taken out."""

    def __init__(self, path: Path, layout: TextLayout) -> None:
        self._layout = layout
        self._file = path.open("rb")
        self._lines = self._data()
        self._rest = b""

    def readable(self) -> bool:
        return True

    def close(self) -> None:
        self._file.close()
        super().close()

    def read(self, size: int = -1) -> bytes:
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
        while chunk := self._file.read(_CHUNK_BYTES):
            data = decoder.decode(chunk).encode() if decoder else chunk
            old_mac = b"\n" not in data if old_mac is None else old_mac
            yield data.replace(b"\r", b"\n") if old_mac else data

    def _clean(self, text: bytes, comment: re.Pattern[bytes]) -> bytes:
        if any(mark.encode() in text for mark in COMMENTS):
            text = comment.sub(b"", text)
        if self._layout.delimiter == " ":
            text = re.sub(rb"(?m)^ +| +$", b"", re.sub(rb"[ \t]+", b" ", text.replace(b"\r\n", b"\n")))
        return text


def _time_column(path: Path, layout: TextLayout, facts: RecordingFacts) -> TimeColumn | None:
    named = [c for c, name in enumerate(layout.columns) if name.role == "time"]
    if named:
        return _time_kind(path, layout, named[0])
    if layout.has_header:
        return None
    iso = next((c for c in range(len(layout.columns)) if all(map(is_iso, layout.fields(c)))), None)
    if iso is not None:
        return _time_kind(path, layout, iso)
    if facts.axes is not None and len(facts.axes) == len(layout.columns):
        return None
    stamps = [_value(field) for field in layout.fields(0)]
    rising = len(stamps) >= 8 and all(b > a for a, b in itertools.pairwise(stamps))
    return _time_kind(path, layout, 0) if rising and len(layout.columns) > 1 else None


def _time_kind(path: Path, layout: TextLayout, column: int) -> TimeColumn:
    fields = [f for f in layout.fields(column) if f]
    name = layout.columns[column]
    if fields and all(map(is_iso, fields)):
        return TimeColumn(
            column, 1e-9, 10.0 ** -max(_decimals(f.rstrip("Z")) for f in fields), "iso", iso_zone(fields[0])
        )
    numbers = [f for f in fields if is_number(f)]
    if not numbers:
        raise InputError(
            f"{path}: time column {name.text!r} holds {fields[0] if fields else 'nothing'!r}: "
            "write numbers or ISO 8601 such as 2026-03-07T10:15:00.000"
        )
    kind = "integer" if all(re.fullmatch(r"[+-]?\d+", f) for f in numbers) else "float"
    unit_s, assumed = name.time_unit_s, None
    if unit_s is None:
        unit_s, assumed = _assumed_unit(path, name.text, numbers)
    return TimeColumn(column, unit_s, unit_s * 10.0 ** -max(map(_decimals, numbers)), kind, assumed=assumed)


def _assumed_unit(path: Path, name: str, numbers: list[str]) -> tuple[float, str]:
    """Return the time base of a column without a unit where its values leave one only: epochs, or plain seconds."""
    first, last = _value(numbers[0]), _value(numbers[-1])
    step = (last - first) / max(len(numbers) - 1, 1)
    for unit_s, unit in _EPOCHS:
        if 9e8 <= first * unit_s <= 4.2e9 and first > 9e8:  # 1998 to 2103, seconds since 1970
            return unit_s, unit
    if 0 < step < _ASSUMED_SECONDS:
        return 1.0, "s"
    raise InputError(
        f"{path}: time column {name or 'without name'!r} does not say its unit and steps by {step:g}: "
        "write the header as time [s], time [ms], time [us] or time [ns]"
    )


def _value(field: str) -> float:
    try:
        return float(field.replace(",", "."))
    except ValueError:
        return float("nan")


def _decimals(field: str) -> int:
    mantissa, _, exponent = field.lower().replace(",", ".").partition("e")
    return min(max(len(mantissa.partition(".")[2]) - int(exponent or 0), 0), 15)


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
    rows = [[_value(row[c]) for c in table.channels if c < len(row)] for row in table.layout.rows]
    full = np.array([row for row in rows if len(row) == 3 and np.isfinite(row).all()])
    mean = float(np.linalg.norm(full.mean(axis=0))) if full.size else 0.0
    for unit, gravity in (("m/s2", STANDARD_GRAVITY), ("g", 1.0), ("mg", 1000.0)):
        if abs(mean - gravity) < 0.05 * gravity:
            return f" (the mean of {mean:.4g} is what gravity gives in {unit})"
    return ""


def _log(
    first: str, layout: TextLayout, time: TimeColumn | None, clock: Clock | None, ignored: list[str]
) -> tuple[str, ...]:
    lines = [first]
    if ignored and any(ignored):
        lines.append(f"columns not used: {', '.join(name for name in ignored if name)}")
    if time is not None and clock is not None:
        t = clock.timing
        lines.append(
            f"time column {layout.columns[time.column].text or time.column + 1}, unit {time.unit_s:g} s: "
            f"{t.mean_rate_hz:.6g} Hz, jitter {1e3 * t.jitter_s:.3g} ms r.m.s., "
            f"largest step {1e3 * t.largest_step_s:.4g} ms, {t.gaps} gaps, {t.duplicates} duplicate stamps"
        )
        if t.resampled:
            lines.append(f"resampled to {t.mean_rate_hz:.6g} Hz by linear interpolation")
    return tuple(lines)


def _notices(layout: TextLayout, time: TimeColumn | None, clock: Clock | None) -> tuple[Notice, ...]:
    notices = []
    if time is not None and time.assumed:
        notices.append(
            Notice(
                "time_unit_assumed",
                "info",
                f"the time column does not say its unit: read as {time.assumed}",
                remedy="write the header as time [s], [ms], [us] or [ns]",
            )
        )
    if time is not None and not layout.has_header:
        notices.append(
            Notice(
                "time_column_assumed",
                "info",
                f"the file has no header: column {time.column + 1} rises throughout and is read as time",
                remedy="give the file a header line such as time [s],x [m/s2],y [m/s2],z [m/s2]",
            )
        )
    return (*notices, *(() if clock is None else _clock_notices(clock)))


def _clock_notices(clock: Clock) -> Iterator[Notice]:
    t = clock.timing
    if t.gaps:
        yield Notice(
            "gaps",
            "caution",
            f"the timestamps have {t.gaps} gaps (largest step {t.largest_step_s:.3g} s): the longest stretch without, "
            f"{clock.start_s:.3f} to {clock.end_s:.3f} s, is used",
            value=t.gaps,
            limit=0,
            remedy="record without interruption, or split the file at the gaps",
        )
    if t.resampled:
        loss = linear_loss(0.2 * t.mean_rate_hz, 1.0 / t.mean_rate_hz)
        yield Notice(
            "resampled",
            "caution",
            f"uneven timestamps (jitter {100 * t.jitter_s / t.median_step_s:.0f} % of the step): resampled to "
            f"{t.mean_rate_hz:.5g} Hz by linear interpolation, which takes {100 * loss:.0f} % of the amplitude at "
            f"{0.2 * t.mean_rate_hz:.3g} Hz and {100 * linear_loss(0.4, 1.0):.0f} % at {0.4 * t.mean_rate_hz:.3g} Hz",
            value=t.jitter_s,
            remedy="use a sensor that samples evenly",
        )
    if clock.drop_repeated:
        yield Notice(
            "repeated_stamps",
            "info",
            f"{t.duplicates} rows repeat the stamp before them and are left out",
            t.duplicates,
        )
