"""What the quantities of a log entry may be; a log or a table may come from elsewhere."""

from __future__ import annotations

import math
from typing import Any

_NUMBERS = frozenset(
    ("a_hv_mps2", "expanded_uncertainty_mps2", "spindle_rpm", "trigger_on_s", "running_max_mps2", "hours_used")
)


def require_quantities(quantities: Any) -> None:
    """Raise ValueError unless it is an object of numbers, text or nothing by name; measured values are never text."""
    if not isinstance(quantities, dict):
        raise ValueError("quantities must be JSON objects")
    for name, value in quantities.items():
        number = isinstance(value, int | float) and abs(value) < math.inf
        if not (value is None or number or (isinstance(value, str) and name not in _NUMBERS)):
            raise ValueError(f"quantity {name} is {str(value)[:40]!r}, not a number")
