"""The magnitude that a grade document states, for use elsewhere: only what was gradeable, with its cautions."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from vibekit.errors import InputError, Notice
from vibekit.handarm.exposure import LARGEST_MPS2
from vibekit.recording.documents import notices_of, number_in, read_document


@dataclass(frozen=True)
class Graded:
    """Magnitude and expanded uncertainty [m/s²] of a grade document's summary, and what it cautions of."""

    a_hv_mps2: float
    expanded_uncertainty_mps2: float | None
    cautions: tuple[Notice, ...]


def read_graded(path: Path) -> Graded:
    """Return what a grade document states.

    Raises:
        InputError: not such a document, none of its recordings gradeable, or a value that is no magnitude.
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
        raise InputError(f"{where}: holds no magnitude: its recordings could not be graded{why}")
    kept = (n for n in notices if n.severity != "info")  # a recording refused beside others that were not is a caution
    cautions = tuple(Notice(n.code, "caution", n.message, remedy=n.remedy) for n in kept)
    return Graded(magnitude, doubt, cautions)
