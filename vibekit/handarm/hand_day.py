"""What one hand gets in a day: A(8) of ISO 5349-1, points, verdict, and the time left to a value, with their doubt."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from vibekit.handarm import exposure_doubt as doubt
from vibekit.handarm.exposure_task import ExposureTask
from vibekit.handarm.verdict import Ends, Verdict, reached, severity, state, verdict
from vibekit.standards.exposure_values import (
    EU,
    REFERENCE_DURATION_S,
    WHITE_FINGER_EXPONENT,
    WHITE_FINGER_FACTOR,
    WHITE_FINGER_YEARS,
    ExposureValues,
)

STILL_MPS2 = 1e-9  # below any sensor: a tool that does not shake
_GRAIN = 1e-6  # relative: how finely the ends are drawn; one this close to a value has reached it


@dataclass(frozen=True)
class HandDay:
    """The tasks that one hand, or a person whose hands do the same, is at, against the daily values of a regime."""

    tasks: tuple[ExposureTask, ...]
    values: ExposureValues = EU

    @cached_property
    def a8_mps2(self) -> float:
        """A(8) = sqrt(Σ a_hvi²·T_i / T0) [m/s²]. ISO 5349-1:2001 eq. 3."""
        energy = math.fsum(task.a_hv_mps2**2 * task.time_s for task in self.tasks)
        return math.sqrt(energy / REFERENCE_DURATION_S)

    @property
    def points(self) -> float:
        """Sum of the tasks' points."""
        return math.fsum(task.points for task in self.tasks)

    @property
    def time_s(self) -> float:
        """Time at all tasks [s]."""
        return math.fsum(task.time_s for task in self.tasks)

    @property
    def doubt_known(self) -> bool:
        """Tell whether anything that was held came with a doubt."""
        return any(task.has_doubt for task in self.tasks if task.time_s > 0)

    @property
    def without_doubt(self) -> tuple[ExposureTask, ...]:
        """The tasks whose magnitude came as a bare number: the day's doubt is at least that of the others."""
        return tuple(task for task in self.tasks if not task.doubtful and task.time_s > 0)

    @cached_property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty (k = 2, or more for few degrees of freedom) of A(8); None where no doubt is known.

        Half the way between the ends where that is more and degrees of freedom are few: the effective ones are too kind
        to a part from two or three runs (JCGM 101:2008 clause 8). To the upper end with declared values: real use may
        exceed them.
        """
        if self.a8_ends_mps2 is None:
            return None
        linear, (low, high) = doubt.expanded_uncertainty(self.tasks), self.a8_ends_mps2
        if self.declared:
            return max(linear, high - self.a8_mps2)
        return max(linear, (high - low) / 2.0) if doubt.few_degrees(self.tasks) else linear

    @property
    def declared(self) -> bool:
        """Tell whether any of it is a maker's declared value."""
        return any(task.declared for task in self.tasks if task.time_s > 0)

    @cached_property
    def a8_ends_mps2(self) -> Ends | None:
        """The ends of A(8) for its doubt (k = 2: 2.3 and 97.7 %); None where no doubt is known."""
        return doubt.Draws(self.tasks).a8_ends() if self.doubt_known else None

    @property
    def shown_ends_mps2(self) -> Ends:
        """The ends that a verdict goes by: those of the doubt, or the value itself where none is known."""
        if self.a8_ends_mps2 is None:
            return self.a8_mps2, self.a8_mps2
        low, high = self.a8_ends_mps2
        return low * (1 + _GRAIN), high * (1 + _GRAIN)

    @property
    def verdict(self) -> Verdict:
        """Where A(8) lies, as far as its doubt lets it be told; a value exactly reached counts as reached."""
        return verdict(self.shown_ends_mps2, self.values)

    @property
    def harm(self) -> tuple[int, float]:
        """By what hands are compared: the verdict first, then A(8)."""
        return severity(self.verdict), self.a8_mps2

    def shown_below(self, value_mps2: float) -> bool:
        """Tell whether A(8) is shown to be below a daily value, and the time is within the regime's cap."""
        return state(self.shown_ends_mps2, value_mps2) == "below" and not self.over_cap

    @property
    def over_cap(self) -> bool:
        """Tell whether more time is taken than the regime allows whatever the tool."""
        return self.values.longest_s is not None and self.time_s > self.values.longest_s * (1 + _GRAIN)

    def time_left_s(self, value_mps2: float, task: ExposureTask) -> float | None:
        """Return how much longer `task`'s tool may run until A(8) reaches a value [s].

        0 once reached; None for a tool that does not shake, where the regime has no cap.
        """
        if reached(self.a8_mps2, value_mps2):
            return 0.0
        cap = self.values.longest_s
        within = math.inf if cap is None else max(0.0, cap - self.time_s)
        if task.a_hv_mps2 >= STILL_MPS2:
            spare = (value_mps2**2 - self.a8_mps2**2) * REFERENCE_DURATION_S
            within = min(within, spare / task.a_hv_mps2**2)
        return within if math.isfinite(within) else None

    def cut_s(self, value_mps2: float, task: ExposureTask) -> float | None:
        """Return by how much `task` must be shortened for A(8) to come down to a value [s]; None: not by it alone."""
        excess = (self.a8_mps2**2 - value_mps2**2) * REFERENCE_DURATION_S
        if excess <= 0:
            return 0.0
        energy = task.a_hv_mps2**2 * task.time_s
        return excess / task.a_hv_mps2**2 if task in self.tasks and energy >= excess else None

    @property
    def white_finger_years(self) -> float | None:
        """Years at this A(8), day by day, until 10 % of a group shows white finger; None outside 1 to 10 years.

        Source: ISO 5349-1:2001 Annex C eq. C.1; for groups, not for one person.
        """
        if self.a8_mps2 == 0:
            return None
        years = WHITE_FINGER_FACTOR * self.a8_mps2**WHITE_FINGER_EXPONENT
        return years if WHITE_FINGER_YEARS[0] <= years <= WHITE_FINGER_YEARS[1] else None

    def to_dict(self) -> dict[str, Any]:
        """Return the sums as document data."""
        low, high = self.a8_ends_mps2 or (None, None)
        return {
            "a8_mps2": self.a8_mps2,
            "a8_low_mps2": low,
            "a8_high_mps2": high,
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            "points": self.points,
            "verdict": self.verdict,
        }
