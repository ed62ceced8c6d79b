"""What a grade document says beside its magnitude: the causes of its doubt, and in which hand it was recorded."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, get_args

from vibekit.handarm.exposure_task import HANDS, Hand
from vibekit.handarm.uncertainty import Cause, UncertaintyPart

_LARGEST_PCT = 1e6  # far beyond what is called a measurement


def budget_in(summary: Mapping[str, Any]) -> tuple[UncertaintyPart, ...]:
    """Return the budget of a summary; none where a part does not say its cause: then the whole counts as shared.

    Raises:
        ValueError, TypeError, KeyError, AttributeError: a part that is none, or whose figures are no such numbers.
    """
    rows = summary.get("uncertainty_budget") or ()
    return tuple(map(_part, rows)) if all("cause" in row for row in rows) else ()


def _part(row: Mapping[str, Any]) -> UncertaintyPart:
    size, degrees, key = row["standard_pct"], row.get("degrees_of_freedom"), row.get("key")
    degrees = math.inf if degrees is None else degrees
    sound = all(isinstance(value, int | float) and not isinstance(value, bool) for value in (size, degrees))
    if not (sound and 0 <= size <= _LARGEST_PCT and degrees >= 1) or row["cause"] not in get_args(Cause):
        raise ValueError
    named = (str(row["name"]), size / 100.0, str(row.get("origin", "")))
    return UncertaintyPart(*named, row["cause"], None if key is None else str(key), float(degrees))


def hand_in(recordings: Sequence[Mapping[str, Any]]) -> tuple[Hand | None, bool]:
    """Return the hand that all recordings of a document name, else None, and whether they name different ones."""
    named = [row.get("hand") for row in recordings]
    found = [hand for hand in (*HANDS, "both", None) if hand in named]
    return (found[0] if len(found) == 1 else None), len(found) > 1
