"""Reading the published check values in tests/references."""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "references"


def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of one reference table."""
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
