"""Before the test: what a sensor of that range and rate can see of a tool of that speed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from vibekit.errors import InputError, Notice, document
from vibekit.recording.limits import GRADE_BAND_HZ, INSTRUMENT_BAND, band_covered, folded_hz, lines_beyond, shaft_lines
from vibekit.recording.toolsheet import ToolSheet


@dataclass(frozen=True)
class PlannedLine:
    """A line of the tool: carried or not, where it folds to without a low-pass, and the level at which it clips."""

    name: str
    frequency_hz: float
    carried: bool
    folds_to_hz: float | None
    wh: float
    max_rms_mps2: float | None
    max_weighted_mps2: float | None


@dataclass(frozen=True)
class SensorPlan:
    """What a described sensor can see of a tool."""

    tool: str
    range_mps2: float | None
    sample_rate_hz: float
    band_covered_hz: tuple[float, float]
    least_sample_rate_hz: float
    lines: tuple[PlannedLine, ...]
    notices: tuple[Notice, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the `check` document of a plan: no recordings, the plan beside them."""
        plan = {key: value for key, value in vars(self).items() if key not in ("notices", "lines")}
        return document(
            "check", {"recordings": [], "plan": {**plan, "lines": [dict(vars(n)) for n in self.lines]}}, self.notices
        )


def plan_sensor(
    tool: ToolSheet,
    sample_rate: float,
    range_mps2: float | None,
    sensor_band_hz: tuple[float, float] | None,
    weighting: Callable[[float], float],
) -> SensorPlan:
    """Return what a sensor can see of a tool; `weighting` is |Wh| at a frequency.

    A sine of peak `range_mps2` is the largest that does not clip: range / sqrt(2) r.m.s., weighted by Wh at its line.
    A line above half the rate folds to its distance from the nearest multiple of the rate.

    Raises:
        InputError: the sheet gives no speed.
    """
    if not tool.rated_hz:
        raise InputError(f"tool {tool.tag}: the sheet gives no rated_rpm: without a speed nothing can be planned")
    band = band_covered(sample_rate, sensor_band_hz, None)
    rms = None if range_mps2 is None else range_mps2 / math.sqrt(2.0)
    lines = []
    for name, hz in sorted(shaft_lines(tool), key=lambda line: line[1]):
        factor = weighting(hz)
        folds = folded_hz(hz, sample_rate) if hz > sample_rate / 2.0 else None
        weighted = None if rms is None else rms * factor
        lines.append(PlannedLine(name, hz, band[0] <= hz <= band[1], folds, factor, rms, weighted))
    least = GRADE_BAND_HZ[1] / INSTRUMENT_BAND
    notices = tuple(_notices(tool, band, lines, least, sample_rate))
    return SensorPlan(tool.tag, range_mps2, sample_rate, band, least, tuple(lines), notices)


def _notices(
    tool: ToolSheet, band: tuple[float, float], lines: list[PlannedLine], least: float, rate: float
) -> list[Notice]:
    found = []
    for name, hz in lines_beyond(tool, band):
        folds = f", and folds to {folded_hz(hz, rate):.0f} Hz without a low-pass" if hz > rate / 2.0 else ""
        found.append(
            Notice(
                "band_misses_lines",
                "refusal",
                f"{name} {hz:.0f} Hz lies outside of {band[0]:.3g} to {band[1]:.4g} Hz that this sensor carries{folds}",
                band[0] if hz < band[0] else band[1],
                hz,
                f"sample at {least:.0f} Hz or more" if hz > band[1] else "choose a sensor that reaches lower",
            )
        )
    first = lines[0]
    declared = tool.declared_vibration_mps2
    if declared and first.max_weighted_mps2 is not None and first.max_weighted_mps2 < 1.5 * declared:
        found.append(
            Notice(
                "range_too_small",
                "caution",
                f"at {first.frequency_hz:.0f} Hz this sensor clips from {first.max_weighted_mps2:.3g} m/s² weighted; "
                f"the tool is declared at {declared:g} m/s²",
                first.max_weighted_mps2,
                1.5 * declared,
                "choose a wider range",
            )
        )
    if band[0] > GRADE_BAND_HZ[0]:
        message = f"what lies below {band[0]:.4g} Hz cannot be seen; Wh reaches down to 6.3 Hz"
        remedy = "choose a sensor that reaches lower"
        found.append(Notice("band_incomplete", "caution", message, band[0], GRADE_BAND_HZ[0], remedy))
    if band[1] < GRADE_BAND_HZ[1]:
        found.append(
            Notice(
                "band_incomplete",
                "caution",
                f"what lies above {band[1]:.4g} Hz cannot be seen; Wh reaches to 1250 Hz",
                band[1],
                GRADE_BAND_HZ[1],
                f"sample at {least:.0f} Hz or more",
            )
        )
    return found
