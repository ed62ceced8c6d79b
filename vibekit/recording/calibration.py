"""Calibration: what one sample unit is in m/s². Required, applied once on reading, kept as provenance."""

from __future__ import annotations

from dataclasses import dataclass

from vibekit.units import parse_acceleration, require_positive, unit_factor


@dataclass(frozen=True)
class Calibration:
    """`mps2_per_unit` turns samples into m/s²; `origin` says where it came from.

    Raises:
        UsageError: a factor is not finite and greater than zero.
    """

    mps2_per_unit: float
    origin: str
    full_scale_mps2: float | None = None

    def __post_init__(self) -> None:
        require_positive(self.mps2_per_unit, "mps2_per_unit")
        if self.full_scale_mps2 is not None:
            require_positive(self.full_scale_mps2, "full_scale_mps2")

    @classmethod
    def full_scale(cls, text: str) -> Calibration:
        """Return the calibration of samples in ±1.0 full scale, such as ``"50 g"`` or ``"490 m/s2"``.

        Raises:
            UsageError: the text is not an acceleration.
        """
        value = parse_acceleration(text)
        return cls(value, f"full scale {text}", value)

    @classmethod
    def unit(cls, text: str) -> Calibration:
        """Return the calibration of samples that are already in a unit: ``"m/s2"`` or ``"g"``.

        Raises:
            UsageError: the unit is not one of acceleration.
        """
        return cls(unit_factor(text), f"unit {text}")
