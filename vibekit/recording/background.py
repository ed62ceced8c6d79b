"""Background: a recording with the tool off gives the floor; nothing is subtracted, closeness is said."""

from __future__ import annotations

from vibekit.errors import Notice

LEAST_RATIO = 3.0  # at 3 times the floor, a floor that adds in power is 5 % of the value


def floor_notice(name: str, level_mps2: float, floor_mps2: float) -> Notice | None:
    """Return a caution where a level lies within 3 times the background floor (same quantity, same band), else None.

    Independent powers add: with a floor of a third, sqrt(1 - 1/9) = 0.94 of the value is the tool's.
    """
    if level_mps2 >= LEAST_RATIO * floor_mps2:  # so is every level above a floor of zero
        return None
    return Notice(
        "near_background",
        "caution",
        f"{name}: {level_mps2:.3g} m/s² is only {level_mps2 / floor_mps2:.2g} times the background of {floor_mps2:.3g} "
        "m/s²; nothing was subtracted",
        level_mps2 / floor_mps2,
        LEAST_RATIO,
        "stop what else shakes, or use a more sensitive sensor",
    )
