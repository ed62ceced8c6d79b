"""How far a fault has gone: in physical units where there is one, else against the scatter of ordinary tools."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from vibekit.machine.evidence import residual_unbalance_g_mm
from vibekit.machine.signal_views import Line

Grade = Literal["slight", "marked", "severe"]

# Which feature measures each fault, and how many decibels over the middle of ordinary tools make it marked and severe.
# Twofold and fourfold for unbalance (the step between balance grades is 2.5-fold), more for what grows in many lines;
# common practice, no source.
_SCALE = {
    "imbalance.accessory": ("one_share", 6.0, 12.0),
    "imbalance.armature": ("grade", 8.0, 16.0),
    "spindle.bent": ("two_one", 12.0, 20.0),
    "gear.wear": ("mesh_two", 6.0, 12.0),
    "gear.eccentric": ("side_driven", 6.0, 12.0),
    "gear.tooth": ("side_driven_far", 10.0, 20.0),
    "bushing.worn": ("harmonics_one", 12.0, 24.0),
    "mount.loose": ("noise_one", 10.0, 20.0),
    "bearing.outer_race": ("env_over", 12.0, 20.0),
    "bearing.inner_race": ("env_over", 12.0, 20.0),
    "bearing.rolling_element": ("env_over", 12.0, 20.0),
    "bearing.cage": ("env_over", 12.0, 20.0),
    "electrical.commutation": ("ripple_side", 12.0, 20.0),
    "electrical.mains": ("mains_share", 12.0, 20.0),
}
_UNBALANCE = ("imbalance.accessory", "imbalance.armature")


@dataclass(frozen=True)
class Severity:
    """`over_ordinary_db` over the middle of ordinary tools in the fault's own feature; for unbalance also in g·mm.

    `unbalance_g_mm` is what would shake a free rigid body of the tool's mass as read: hand, housing and lever are left
    out. `grade_mm_s` is the balance grade it would be (ISO 21940-11), where the rotor's mass is known.
    """

    grade: Grade
    feature: str
    over_ordinary_db: float
    unbalance_g_mm: float | None = None
    grade_mm_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the size as document data."""
        return {
            "over_ordinary_db": self.over_ordinary_db,
            "feature": self.feature,
            "residual_unbalance_g_mm": self.unbalance_g_mm,
            "balance_grade_mm_s": self.grade_mm_s,
            "assumes": "a free rigid body of the tool's mass" if self.unbalance_g_mm is not None else None,
        }


def severity_of(
    fault: str,
    values: Mapping[str, float],
    readings: Mapping[str, Line],
    middle: Mapping[str, float],
    tool_kg: float | None,
    rotor_kg: float | None,
) -> Severity | None:
    """Return how far a fault has gone; None where its feature could not be read. `middle`: of ordinary tools."""
    if fault not in _SCALE:
        return None
    feature, marked, severe = _SCALE[fault]
    if feature not in values or feature not in middle:
        return None
    over = values[feature] - middle[feature]
    grade: Grade = "severe" if over >= severe else "marked" if over >= marked else "slight"
    line = readings.get("one_share")
    if fault not in _UNBALANCE or line is None or not tool_kg:
        return Severity(grade, feature, over)
    unbalance = residual_unbalance_g_mm(line, tool_kg)
    speed = 2.0 * math.pi * line.frequency_hz
    return Severity(grade, feature, over, unbalance, unbalance * 1e-3 / rotor_kg * speed if rotor_kg else None)
