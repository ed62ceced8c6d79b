"""The time column of a table: its unit, its kind, how finely it is written; what it measured, in words."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from vibekit.errors import InputError, Notice
from vibekit.recording.readers_text_layout import (
    TextLayout,
    is_clock,
    is_iso,
    is_number,
    iso_zone,
    stamp_decimals,
)
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.timing import Clock, linear_loss

_EPOCHS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"), (1e-9, "ns"))
_ASSUMED_SECONDS = 0.5  # a step below this many seconds, with a decimal mark, is taken as seconds


@dataclass(frozen=True)
class TimeColumn:
    """The time column: its index, seconds per unit, how finely it is written [s], and how."""

    column: int
    unit_s: float
    resolution_s: float
    kind: str  # "iso" (date and time), "clock" (time of day), "integer" or "float"
    zone: bool = False
    assumed: str | None = None


def find_time(path: Path, layout: TextLayout, facts: RecordingFacts) -> TimeColumn | None:
    """Return the time column: named so, else dates or times of day, else a first column that rises, without header.

    Raises:
        InputError: it is no time, or does not say its unit where the values leave it open.
    """
    named = [c for c, name in enumerate(layout.columns) if name.role == "time"]
    if named:
        return _time_kind(path, layout, named[0])
    if layout.has_header:
        return None
    stamped = next((c for c in range(len(layout.columns)) if _kind(layout.fields(c))), None)
    if stamped is not None:
        return _time_kind(path, layout, stamped)
    if facts.axes is not None and len(facts.axes) == len(layout.columns):
        return None
    stamps = [field_value(field) for field in layout.fields(0)]
    rising = len(stamps) >= 8 and all(b > a for a, b in itertools.pairwise(stamps))
    return _time_kind(path, layout, 0) if rising and len(layout.columns) > 1 else None


def _time_kind(path: Path, layout: TextLayout, column: int) -> TimeColumn:
    fields = [f for f in layout.fields(column) if f]
    name = layout.columns[column]
    if kind := _kind(fields):
        return TimeColumn(column, 1e-9, 10.0 ** -max(map(stamp_decimals, fields)), kind, iso_zone(fields[0]))
    numbers = [f for f in fields if is_number(f)]
    if not numbers:
        raise InputError(
            f"{path}: time column {name.text!r} holds {fields[0] if fields else 'nothing'!r}: "
            "write numbers, or ISO 8601 such as 2026-03-07T10:15:00.000 or 10:15:00.000"
        )
    kind = "integer" if all(re.fullmatch(r"[+-]?\d+", f) for f in numbers) else "float"
    unit_s, assumed = name.time_unit_s, None
    if name.remark is not None:
        raise InputError(
            f"{path}: time column {name.text!r}: {name.remark!r} is no unit of time that is read: "
            "write [s], [ms], [us], [ns], [min] or [h]"
        )
    if unit_s is None:
        unit_s, assumed = _assumed_unit(path, name.text, numbers)
    return TimeColumn(column, unit_s, unit_s * 10.0 ** -max(map(_decimals, numbers)), kind, assumed=assumed)


def _kind(fields: list[str]) -> str | None:
    """Return "iso" or "clock" where all fields are dates and times, or times of day."""
    if fields and all(map(is_iso, fields)):
        return "iso"
    return "clock" if fields and all(map(is_clock, fields)) else None


def _assumed_unit(path: Path, name: str, numbers: list[str]) -> tuple[float, str]:
    """Return the time base of a column without a unit where its values leave one only: epochs, or plain seconds."""
    first, last = field_value(numbers[0]), field_value(numbers[-1])
    step = (last - first) / max(len(numbers) - 1, 1)
    for unit_s, unit in _EPOCHS:
        if 9e8 <= first * unit_s <= 4.2e9:  # 1998 to 2103, seconds since 1970
            return unit_s, unit
    if 0 < step < _ASSUMED_SECONDS:
        return 1.0, "s"
    raise InputError(
        f"{path}: time column {name or 'without name'!r} does not say its unit and steps by {step:g}: "
        "write the header as time [s], time [ms], time [us] or time [ns]"
    )


def field_value(field: str) -> float:
    """Return the number in a field, NaN where there is none."""
    try:
        return float(field.replace(",", "."))
    except ValueError:
        return float("nan")


def _decimals(field: str) -> int:
    mantissa, _, exponent = field.lower().replace(",", ".").partition("e")
    return min(max(len(mantissa.partition(".")[2]) - int(exponent or 0), 0), 15)


def table_log(
    first: str, layout: TextLayout, time: TimeColumn | None, clock: Clock | None, ignored: list[str]
) -> tuple[str, ...]:
    """Return the log lines of a table: what was found, which columns are left out, what the clock measured."""
    lines = [first]
    if ignored and any(ignored):
        lines.append(f"columns not used: {', '.join(name for name in ignored if name)}")
    if time is not None and clock is not None:
        written = {"iso": "dates and times", "clock": "times of day"}.get(time.kind, f"unit {time.unit_s:g} s")
        lines.append(clock_line(f"time column {layout.columns[time.column].text or time.column + 1}, {written}", clock))
        if clock.timing.resampled:
            lines.append(f"resampled to {clock.timing.mean_rate_hz:.6g} Hz by linear interpolation")
    return tuple(lines)


def clock_line(where: str, clock: Clock) -> str:
    """Return what the timestamps found `where` say, as a line of the log."""
    t = clock.timing
    bridged = f"{t.bridged_samples} samples bridged, " if t.bridged_samples else ""
    return (
        f"{where}: {t.mean_rate_hz:.6g} Hz, jitter {round(1e3 * t.jitter_s, 6):.3g} ms r.m.s., largest step "
        f"{1e3 * t.largest_step_s:.4g} ms, {len(t.gaps)} gaps, {bridged}{t.duplicates} duplicate stamps"
    )


def table_notices(layout: TextLayout, time: TimeColumn | None, clock: Clock | None) -> tuple[Notice, ...]:
    """Return the notices of a table: what was assumed of its time, and what the clock means for the samples."""
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
    return (*notices, *(() if clock is None else clock_notices(clock)))


def clock_notices(clock: Clock) -> Iterator[Notice]:
    """Yield what a clock means for the samples, but for what is missing."""
    t = clock.timing
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
