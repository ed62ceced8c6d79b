"""How far a fault has gone: in physical units where there is one, else against the scatter of ordinary tools."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from vibekit.machine.faults.evidence import residual_unbalance_g_mm
from vibekit.machine.lines.views import Line

Grade = Literal["slight", "marked", "severe"]

# Which feature measures each fault. How far it lies from the middle of ordinary tools in the same condition, in their
# spreads, makes it slight, marked or severe; common practice, no source.
_MEASURE = {
    "imbalance.accessory": "grade",
    "imbalance.armature": "grade",
    "spindle.bent": "two_one",
    "gear.wear": "mesh_two",
    "gear.eccentric": "side_most",
    "gear.tooth": "tooth_kurtosis",
    "bushing.worn": "harmonics_one",
    "mount.loose": "half_over",
    "bearing.outer_race": "pulse_comb",
    "bearing.inner_race": "pulse_comb",
    "bearing.rolling_element": "pulse_comb",
    "bearing.cage": "pulse_comb",
    "electrical.commutation": "ripple_side",
    "electrical.mains": "mains_share",
    "resonance": "swept_gain",
}
_MARKED, _SEVERE = 2.5, 5.0
_OF_LEVELS = 0.5  # unbalance is told by a plain level: its spread is taken twice as wide, for other sensors and grips
_UNBALANCE = ("imbalance.accessory", "imbalance.armature")


@dataclass(frozen=True)
class Severity:
    """`spreads` from the middle of ordinary tools in the fault's own feature; for unbalance also in g·mm.

    `unbalance_g_mm` is what would shake a free rigid body of the tool's mass as read: hand, housing and lever are left
    out. `grade_mm_s` is the balance grade it would be (ISO 21940-11), where the rotor's mass is known.
    """

    grade: Grade
    feature: str
    spreads: float
    unbalance_g_mm: float | None = None
    grade_mm_s: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the size as document data."""
        return {
            "feature": self.feature,
            "spreads_from_ordinary": self.spreads,
            "residual_unbalance_g_mm": self.unbalance_g_mm,
            "balance_grade_mm_s": self.grade_mm_s,
            "assumes": "a free rigid body of the tool's mass" if self.unbalance_g_mm is not None else None,
        }


def severity_of(
    fault: str,
    standardised: Mapping[str, float],
    readings: Mapping[str, Line],
    tool_kg: float | None,
    rotor_kg: float | None,
) -> Severity | None:
    """Return how far a fault has gone; None where its feature could not be read."""
    feature = _MEASURE.get(fault)
    if feature is None or feature not in standardised:
        return None
    spreads = standardised[feature]
    wide = _OF_LEVELS if fault in _UNBALANCE else 1.0
    grade: Grade = "severe" if spreads >= wide * _SEVERE else "marked" if spreads >= wide * _MARKED else "slight"
    line = readings.get("one_share")
    if fault not in _UNBALANCE or line is None or not tool_kg:
        return Severity(grade, feature, spreads)
    unbalance = residual_unbalance_g_mm(line, tool_kg)
    speed = 2.0 * math.pi * line.frequency_hz
    return Severity(grade, feature, spreads, unbalance, unbalance * 1e-3 / rotor_kg * speed if rotor_kg else None)
