"""The magnitude that a grade document states, for use elsewhere: only what was gradeable, with its cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from vibekit.errors import InputError, Notice, RecordingLimitError
from vibekit.handarm.exposure_task import HANDS, LARGEST_MPS2, Hand
from vibekit.handarm.uncertainty import Cause, UncertaintyPart
from vibekit.recording.documents import notices_of, number_in, read_document
from vibekit.units import is_finite

_LARGEST_PCT = 1e6  # of a part of the budget; what is larger is damage


@dataclass(frozen=True)
class Graded:
    """Magnitude and expanded uncertainty [m/s²] of a grade document's summary, with its budget and what it cautions of.

    `hand` is the one that all recordings name; `several_hands`: they name different ones.
    """

    a_hv_mps2: float
    expanded_uncertainty_mps2: float | None
    budget: tuple[UncertaintyPart, ...]
    hand: Hand | None
    several_hands: bool
    cautions: tuple[Notice, ...]


def read_graded(path: Path) -> Graded:
    """Return what a grade document states.

    Raises:
        InputError: not such a document, or a value that is no magnitude.
        RecordingLimitError: none of its recordings was gradeable.
    """
    where = str(path)
    data = read_document(path, "grade")
    rows = data.get("recordings")
    if not isinstance(rows, list) or not rows or not all(isinstance(row, dict) for row in rows):
        raise InputError(f"{where}: names no recordings: it is not as vibekit grade --json writes it")
    magnitude, doubt = (
        number_in(data, ("summary", key), LARGEST_MPS2, where) for key in ("a_hv_mps2", "expanded_uncertainty_mps2")
    )
    notices = notices_of(data, where)
    if magnitude is None or not any(row.get("gradeable") is True for row in rows):
        refusals = [n.message for n in notices if n.severity == "refusal"]
        why = f": {refusals[0][:120]}" if refusals else ""
        raise RecordingLimitError(f"{where}: holds no magnitude: its recordings could not be graded{why}")
    budget = _budget(data["summary"].get("uncertainty_budget") or [], where) if doubt else ()
    kept = (n for n in notices if n.severity != "info")  # a recording refused beside others that were not is a caution
    cautions = tuple(Notice(n.code, "caution", n.message, remedy=n.remedy) for n in kept)
    return Graded(magnitude, doubt, budget, *_hand([row.get("hand") for row in rows]), cautions)


def _budget(rows: Iterable[Any], where: str) -> tuple[UncertaintyPart, ...]:
    """Return the budget of a document; none where a part does not say its cause: then the whole counts as shared.

    Raises:
        InputError: a part whose cause, size or degrees of freedom cannot be right.
    """
    parts = []
    for row in rows:
        if not isinstance(row, dict) or not _is_part(row):
            raise InputError(f"{where}: summary.uncertainty_budget holds a damaged part: {str(row)[:60]}")
        if "cause" not in row:
            return ()
        degrees, key = row.get("degrees_of_freedom"), row.get("key")
        names = str(row["name"]), row["standard_pct"] / 100.0, str(row.get("origin", ""))
        degrees = math.inf if degrees is None else float(degrees)
        parts.append(UncertaintyPart(*names, row["cause"], None if key is None else str(key), degrees))
    return tuple(parts)


def _is_part(row: dict[str, Any]) -> bool:
    size, degrees, cause = row.get("standard_pct"), row.get("degrees_of_freedom"), row.get("cause")
    known = "name" in row and ("cause" not in row or cause in get_args(Cause))
    return known and _is_from(size, 0.0, _LARGEST_PCT) and (degrees is None or _is_from(degrees, 1.0, math.inf))


def _is_from(value: Any, low: float, high: float) -> bool:
    return is_finite(value) and low <= float(value) <= high


def _hand(named: list[Any]) -> tuple[Hand | None, bool]:
    """Return the hand that all recordings of a document name, else None, and whether they name different ones."""
    found = [hand for hand in (*HANDS, "both", None) if hand in named]
    return (found[0] if len(found) == 1 else None), len(found) > 1
