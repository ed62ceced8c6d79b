"""One task of a day: a magnitude with its doubt, how long it is held, and by which hand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from vibekit.errors import UsageError
from vibekit.handarm.uncertainty import UncertaintyPart
from vibekit.standards.exposure_values import POINTS_PER_SQUARE_HOUR, REFERENCE_DURATION_S

DAY_S = 86_400.0
LARGEST_MPS2 = 1e6  # far beyond what any handle does; what is larger is a slip of the pen

Hand = Literal["left", "right", "both"]
HANDS: tuple[Hand, ...] = ("left", "right")


@dataclass(frozen=True)
class ExposureTask:
    """One task: total value a_hv [m/s²] with its expanded uncertainty (None: unknown), held for `time_s` [s].

    `hand` None: not named, which counts as both. `budget`: the parts of the doubt, where they are known.
    `time_uncertainty_s`: expanded uncertainty (k = 2) of the time. `real_use`: by what factor the work may exceed the
    magnitude, (1, 1) for a measured one.
    """

    a_hv_mps2: float
    time_s: float
    expanded_uncertainty_mps2: float | None = None
    name: str = ""
    hand: Hand | None = None
    budget: tuple[UncertaintyPart, ...] = ()
    time_uncertainty_s: float | None = None
    real_use: tuple[float, float] = (1.0, 1.0)

    def __post_init__(self) -> None:
        if not 0 <= self.a_hv_mps2 <= LARGEST_MPS2:
            raise UsageError(
                f"magnitude {self.a_hv_mps2} must be a finite number of m/s², not negative, {LARGEST_MPS2:g} at most"
            )
        if not 0 <= (self.expanded_uncertainty_mps2 or 0.0) <= LARGEST_MPS2:
            raise UsageError(
                f"uncertainty {self.expanded_uncertainty_mps2} must be a finite number of m/s², not negative, "
                f"{LARGEST_MPS2:g} at most"
            )
        for seconds in (self.time_s, self.time_uncertainty_s or 0.0):
            if not (math.isfinite(seconds) and 0 <= seconds <= DAY_S):
                raise UsageError(f"time {seconds:g} s must lie between 0 and 24 h")

    @property
    def partial_a8_mps2(self) -> float:
        """The task's own share of the day, A_i(8) [m/s²]. ISO 5349-1:2001 eq. 3 with one operation."""
        return self.a_hv_mps2 * math.sqrt(self.time_s / REFERENCE_DURATION_S)

    @property
    def points(self) -> float:
        """Exposure points, 2·a²·T[h]."""
        return POINTS_PER_SQUARE_HOUR * self.a_hv_mps2**2 * self.time_s / 3600.0

    @property
    def tool(self) -> str:
        """What is held, without its time: the name up to the last @."""
        return self.name.rpartition("@")[0] or self.name

    @property
    def doubtful(self) -> bool:
        """Tell whether the magnitude came with its doubt."""
        return self.expanded_uncertainty_mps2 is not None

    @property
    def declared(self) -> bool:
        """Tell whether the magnitude is a maker's declared value, which real use may exceed."""
        return self.real_use != (1.0, 1.0)

    @property
    def has_doubt(self) -> bool:
        """Tell whether anything came with a doubt: the magnitude, its use or the time."""
        return self.doubtful or self.declared or self.time_uncertainty_s is not None

    def held_by(self, hand: Hand) -> bool:
        """Tell whether a hand holds the tool; where none is named, both do."""
        return self.hand in (None, "both", hand)

    def to_dict(self) -> dict[str, Any]:
        """Return the task as document data."""
        return {
            "name": self.name,
            "hand": self.hand,
            "a_hv_mps2": self.a_hv_mps2,
            "time_s": self.time_s,
            "time_expanded_uncertainty_s": self.time_uncertainty_s,
            "partial_a8_mps2": self.partial_a8_mps2,
            "points": self.points,
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            "real_use_factor": list(self.real_use) if self.declared else None,
        }
