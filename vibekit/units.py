"""Units: acceleration, time and speed as people write them, SI inside."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from vibekit.errors import UsageError

STANDARD_GRAVITY = 9.80665  # m/s², exact by definition (3rd CGPM, 1901)
_DAY_S = 86_400.0
_SMALLEST_MPS2, _LARGEST_MPS2 = 1e-6, 1e9  # wider than any sensor; their squares are still numbers

_ACCELERATION = re.compile(r"\s*([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([^\s\d].*?)\s*$")
_DURATION = re.compile(r"(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m(?:in)?)?(?:(\d+(?:\.\d+)?)s)?$")
_UNIT_MPS2 = {
    "g": STANDARD_GRAVITY,
    "gn": STANDARD_GRAVITY,
    "mg": STANDARD_GRAVITY / 1000.0,
    "m/s2": 1.0,
    "m/s²": 1.0,
    "m/s^2": 1.0,
    "m/s**2": 1.0,
    "m s-2": 1.0,
    "m·s-2": 1.0,
    "mps2": 1.0,
    "ms-2": 1.0,
    "mm/s2": 1e-3,
}


def require_positive(value: float, name: str) -> float:
    """Return a number that is finite and greater than zero.

    Raises:
        UsageError: it is not, or no number at all.
    """
    if not is_finite(value) or value <= 0:
        raise UsageError(f"{name} {str(value)[:40]} must be a number greater than zero")
    return float(value)


def is_finite(value: object) -> bool:
    """Tell whether a value is a real number that is neither NaN nor infinite."""
    return not isinstance(value, bool) and hasattr(value, "__float__") and math.isfinite(value)


def unit_factor(unit: str) -> float:
    """Return how many m/s² one `unit` is.

    Raises:
        UsageError: the unit is not one of acceleration.
    """
    factor = _UNIT_MPS2.get(unit.strip().lower()) if isinstance(unit, str) else None
    if factor is None:
        raise UsageError(f'unit {str(unit)[:40]!r} is not an acceleration unit: write "m/s2" or "g"')
    return factor


def parse_acceleration(text: str) -> float:
    """Return an acceleration such as ``"50 g"`` or ``"490 m/s2"`` [m/s²].

    Raises:
        UsageError: no number, no unit, or not positive and finite, from 1e-6 to 1e9 m/s².
    """
    match = _ACCELERATION.match(text) if isinstance(text, str) else None
    try:
        value = float(match[1].replace(",", ".")) if match else math.nan
    except ValueError:
        value = math.nan
    if not match or not math.isfinite(value) or value <= 0:
        raise UsageError(
            f'acceleration {str(text)[:40]!r} cannot be read: write a positive number and a unit, such as "50 g"'
        )
    mps2 = value * unit_factor(match[2])
    if not _SMALLEST_MPS2 <= mps2 <= _LARGEST_MPS2:
        raise UsageError(
            f"acceleration {text[:40]!r} is no sensor's: {_SMALLEST_MPS2:g} to {_LARGEST_MPS2:g} m/s² are taken"
        )
    return mps2


def parse_duration(text: str) -> float:
    """Return a duration such as ``"3h"``, ``"1h20m"``, ``"30m"`` or ``"90s"`` [s].

    Raises:
        UsageError: the text is not a duration with units.
    """
    match = _DURATION.match(text.strip().lower().replace(" ", ""))
    if not match or not any(match.groups()):
        raise UsageError(f"time {text[:40]!r} cannot be read: write hours, minutes, seconds such as 3h, 1h20m or 90s")
    hours, minutes, seconds = (float(part or 0.0) for part in match.groups())
    return 3600.0 * hours + 60.0 * minutes + seconds


def format_duration(seconds: float) -> str:
    """Return a duration in words a person plans with: ``"1 h 20 min"``, ``"12 min"``, ``"45 s"``.

    Rounded down, because a rounded-up allowed time would be a permission nobody computed.
    """
    whole = math.floor(seconds + 1e-6)
    if whole < 120:
        return f"{whole} s"
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def format_allowed(time: Mapping[str, float | None]) -> str:
    """Return an allowed trigger time (`value_s`, `low_s`, `high_s`) with its doubt, never bare."""
    value, low, high = (time[key] for key in ("value_s", "low_s", "high_s"))
    if value is None:
        return "no vibration, no limit from this scheme"
    if value >= _DAY_S:
        return "more than a day" if (low or 0) >= _DAY_S else f"more than a day (at least {_within_a_day(low)})"
    return f"{_within_a_day(value)} (between {_within_a_day(low)} and {_within_a_day(high)})"


def _within_a_day(seconds: float | None) -> str:
    return "a day" if seconds is None or seconds >= _DAY_S else format_duration(seconds)


def number(value: float | None, digits: int = 3, unit: str = "") -> str:
    """Return a number to significant digits with its unit, or a dash where it could not be determined."""
    if value is None or not math.isfinite(value):
        return "-"
    if value == 0:
        return f"0{' ' + unit if unit else ''}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{decimals}f}{' ' + unit if unit else ''}"


def hz_to_rpm(hz: float) -> float:
    """Return revolutions per minute of a speed in revolutions per second."""
    return hz * 60.0
