"""What a column of a text file is, from its header: role, unit, time base; in the spellings of loggers and phones."""

from __future__ import annotations

import re
from dataclasses import dataclass

_BRACKETED = re.compile(r"^(.*?)[\s_.\-]*[\[({<]\s*(.*?)\s*[\])}>]\s*$")
_TRAILING = re.compile(r"^(.*?)(?:[\s_.,/\-]+|(?<=[a-z])(?=[A-Z]))(\S+)$")
_ACCELERATION = re.compile(
    r"^(?:linear|user|raw|vib|vibration|sensor|channel|chan|ch)?[\s_.\-]*"
    r"(?:a|ac|acc|accel|acceleration|accelerometer|accelerationx?|beschl\.?|beschleunigung)?[\s_.\-]*([xyz])[\s_.\-]*(?:axis|achse|dir|direction|acc|accel|acceleration)?$"
)
_TACH = re.compile(r"^(?:tach|tacho|tachometer|tacho[\s_]?signal|key[\s_]?phasor|pulse|pulses|trigger)$")
_SOUND = re.compile(r"^(?:sound|mic|microphone|audio|sound[\s_]?pressure)$")
_TIME = re.compile(
    r"^(?:t|time|times|zeit|datum|uhrzeit|zeitstempel|date|datetime|epoch|utc|elapsed|stamp|(?:[a-z]+[\s_]?)?time[\s_]?stamps?|[a-z]+[\s_]time"
    r"|time[\s_][a-z]+|unixtime|systime|(?:milli|micro|nano)?sec(?:ond)?s?(?:[\s_]elapsed)?)$"
)
_TIME_UNITS = {
    "s": 1.0,
    "sec": 1.0,
    "secs": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "msec": 1e-3,
    "millis": 1e-3,
    "millisecond": 1e-3,
    "milliseconds": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "usec": 1e-6,
    "micros": 1e-6,
    "microsecond": 1e-6,
    "microseconds": 1e-6,
    "ns": 1e-9,
    "nsec": 1e-9,
    "nanos": 1e-9,
    "nanosecond": 1e-9,
    "nanoseconds": 1e-9,
    "min": 60.0,
    "mins": 60.0,
    "minute": 60.0,
    "minutes": 60.0,
    "h": 3600.0,
    "hr": 3600.0,
    "hrs": 3600.0,
    "hour": 3600.0,
    "hours": 3600.0,
    "d": 86_400.0,
    "day": 86_400.0,
    "days": 86_400.0,
}
_ACCELERATION_UNITS = {
    "g": "g",
    "gn": "g",
    "g0": "g",
    "mg": "mg",
    "m/s2": "m/s2",
    "m/sec2": "m/s2",
    "m/s/s": "m/s2",
    "ms-2": "m/s2",
    "mps2": "m/s2",
    "ms2": "m/s2",
    "mm/s2": "mm/s2",
    "mmps2": "mm/s2",
}

# What a channel may be in besides: a full scale says what 1 of these is ...
_SCALABLE = frozenset(
    [
        "v",
        "mv",
        "µv",
        "uv",
        "volt",
        "volts",
        "millivolt",
        "millivolts",
        "count",
        "counts",
        "cts",
        "lsb",
        "digit",
        "digits",
        "adc",
        "ma",
        "ampere",
        "amperes",
    ]
)
# ... and these are other quantities, or units of acceleration that are not read.
_OTHER_UNITS = frozenset(
    (
        *("mm/s", "cm/s", "m/s", "in/s", "ips", "km/h", "m", "cm", "mm", "µm", "um", "in", "mil", "mils"),
        *("deg", "°", "rad", "deg/s", "°/s", "dps", "rad/s", "deg/s2", "rad/s2", "hz", "khz", "rpm", "1/min"),
        *("pa", "kpa", "mpa", "bar", "n", "kn", "nm", "w", "kw", "db", "%", "°c", "degc", "k"),
        *("cm/s2", "ft/s2", "in/s2", "gal", "m/s3", "g/s", "µg", "ug"),
    )
)
_NO_UNIT = frozenset(("", "-", "none", "unknown", "null", "1"))

_CALENDARS = frozenset(
    ["utc", "gmt", "local", "unix", "epoch", "posix", "iso", "iso8601", "hh:mm:ss"]
)  # of a time, in place of a unit

_LONGEST_NAME = 200


@dataclass(frozen=True)
class ColumnName:
    """A header field: `role` is x, y, z, tach, sound, time or None; `unit` one of acceleration, or another as written.

    `time_unit_s`: seconds in the unit of a time column; `remark`: what stands in brackets and is no known unit.
    """

    text: str
    role: str | None
    time_unit_s: float | None = None
    unit: str | None = None
    remark: str | None = None


def column_name(text: str) -> ColumnName:
    """Return what a header field says; what it does not say is None."""
    text = text.strip().strip('"').strip()
    if len(text) > _LONGEST_NAME:  # no name: the patterns below take time that grows with its square
        return ColumnName(text, None)
    base, unit = _split(text)
    role = _role(base)
    if role is None and unit is not None and _role(text) is not None:
        base, unit, role = text, None, _role(text)
    if role == "time":
        known = time_unit(unit or "")
        said = None if known or unit is None or unit.lower() in _CALENDARS else unit
        return ColumnName(text, role, time_unit_s=known or time_unit(re.split(r"[\s_]", base)[0]), remark=said)
    known_unit = stated_unit(unit or "")
    return ColumnName(text, role, unit=known_unit, remark=unit if unit and known_unit is None else None)


def acceleration_unit(text: str) -> str | None:
    """Return the unit's plain spelling ("m/s2", "g", "mg", "mm/s2"), or None if it is not one of acceleration."""
    return _ACCELERATION_UNITS.get(_plain(text))


def stated_unit(text: str) -> str | None:
    """Return a unit in plain spelling where it is one of acceleration, another as written, None where it is none."""
    plain = _plain(text)
    return acceleration_unit(text) or (text.strip() if plain in _SCALABLE or plain in _OTHER_UNITS else None)


def says_no_unit(text: str) -> bool:
    """Tell whether the entry for a unit leaves it open."""
    return text.strip().lower() in _NO_UNIT


def is_scalable(unit: str) -> bool:
    """Tell whether a full scale can say what 1 of a unit is: volts and counts, but no velocities."""
    return _plain(unit) in _SCALABLE


def _plain(text: str) -> str:
    plain = text.strip().lower().replace("²", "2").replace("⁻", "-").replace("μ", "µ")
    return re.sub(r"[\s^*·.⋅_]", "", plain).replace("per", "/")


def time_unit(text: str) -> float | None:
    """Return the seconds in a time unit, or None."""
    return _TIME_UNITS.get(text.strip().lower().replace("μ", "µ"))


def is_unit(text: str) -> bool:
    """Tell whether a header field is a unit alone, as in a second header line."""
    text = text.strip().strip('"').strip("[]() ")
    return stated_unit(text) is not None or time_unit(text) is not None


def _split(text: str) -> tuple[str, str | None]:
    match = _BRACKETED.match(text)
    if match:
        return match[1].strip(), match[2]
    match = _TRAILING.match(text)
    if match and _role(match[1].strip()) == "time" and time_unit(match[2]):
        return match[1].strip(), match[2]
    if match and acceleration_unit(match[2]):
        return match[1].strip(), match[2]
    for unit in ("m/s²", "m/s^2", "m/s2"):  # a unit with blanks inside or after a blank
        if text.lower().endswith(unit):
            return text[: -len(unit)].strip(" _,/-"), unit
    return text, None


def _role(base: str) -> str | None:
    plain = base.strip().lower()
    match = _ACCELERATION.match(plain)
    if match:
        return match[1]
    for role, pattern in (("tach", _TACH), ("sound", _SOUND), ("time", _TIME)):
        if pattern.match(plain):
            return role
    return None
