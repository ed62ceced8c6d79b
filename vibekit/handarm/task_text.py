"""A task as people write it: `3.5@3h`, `6±1.5@30m`, `left:grade.json@1h20m±10m`; +- or +/- where ± cannot be typed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import cast

from vibekit.errors import UsageError
from vibekit.handarm.exposure_task import Hand
from vibekit.units import parse_duration

_PLUS_MINUS = re.compile(r"\s*(?:±|\+/-|\+-)\s*")
_HAND = re.compile(r"\s*(left|right|both)\s*:\s*")
_HAND_AFTER = re.compile(r"\s+(left|right|both)\s*$")
_STARTS_A_NUMBER = re.compile(r"[+-]?(\d|\.\d|nan$|inf(inity)?$)", re.IGNORECASE)


@dataclass(frozen=True)
class TaskText:
    """A task taken apart: what is held (a number or a file), for how long [s] (None: not said), by which hand.

    `name` is the task as written, without the hand.
    """

    name: str
    what: str
    time_s: float | None
    time_uncertainty_s: float | None
    hand: Hand | None

    @property
    def is_number(self) -> bool:
        """Tell whether what is held is written as a magnitude rather than as the name of a file."""
        return bool(_STARTS_A_NUMBER.match(self.what))


def parse_task(text: str) -> TaskText:
    """Return a task taken apart: HAND:WHAT@TIME±DOUBT, of which hand and doubt may be missing.

    The hand may also stand at the end: ``3.5@3h left``. Without an @ the whole is what is held.

    Raises:
        UsageError: the time or its doubt cannot be read, or nothing stands before the @.
    """
    before = _HAND.match(text)
    what, at, time = (text[before.end() :] if before else text).rpartition("@")
    after = _HAND_AFTER.search(time) if at else None
    if before and after:
        raise UsageError(f"task {text!r} names a hand twice: write left:3.5@3h")
    hand = cast("Hand | None", before[1] if before else after[1] if after else None)
    if not at:
        return TaskText(time, time, None, None, hand)
    if not what:
        raise UsageError(f"task {text!r} has no magnitude: write MAGNITUDE@TIME, such as 3.5@3h")
    try:
        time = time[: after.start()] if after else time
        seconds, doubt = parse_time(time)
    except UsageError as error:
        raise UsageError(f"task {text!r}: {error}") from None
    return TaskText(f"{what.strip()}@{time}", what.strip(), seconds, doubt, hand)


def parse_time(text: str) -> tuple[float, float | None]:
    """Return a time and its expanded uncertainty (None: not stated) from ``4h``, ``4h±30m`` or ``4h±20%`` [s].

    Raises:
        UsageError: not such times.
    """
    value, *doubt = _PLUS_MINUS.split(text)
    seconds = parse_duration(value)
    if not doubt:
        return seconds, None
    if len(doubt) > 1:
        raise UsageError(f"time {text!r} has more than one doubt: write 4h±30m")
    share = _percent(doubt[0])
    return seconds, parse_duration(doubt[0]) if share is None else share * seconds


def parse_magnitude(text: str) -> tuple[float, float | None]:
    """Return a magnitude and its expanded uncertainty (None: not stated) from ``6``, ``6±1.5`` or ``6±20%`` [m/s²].

    Raises:
        UsageError: not such numbers.
    """
    value, *doubt = _PLUS_MINUS.split(text)
    try:
        if len(doubt) > 1:
            raise ValueError
        magnitude = float(value)
        if not doubt:
            return magnitude, None
        share = _percent(doubt[0])
        return magnitude, float(doubt[0]) if share is None else share * magnitude
    except ValueError:
        raise UsageError(f"{text!r} is not a magnitude in m/s², such as 3.5 or 3.5±0.8") from None


def _percent(text: str) -> float | None:
    """Return a share written in per cent, or None for anything else."""
    number = re.fullmatch(r"(\d+(?:\.\d+)?)\s*%", text.strip())
    return float(number[1]) / 100.0 if number else None
