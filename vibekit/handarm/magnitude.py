"""The grade of one recording: hand-arm vibration magnitude with uncertainty, what it is over, and its document."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.onepass import LevelTrack
from vibekit.handarm.summary import grade_document
from vibekit.recording.quality import CheckReport
from vibekit.recording.recording import FloatArray
from vibekit.recording.states import TimeStructure
from vibekit.recording.toolsheet import ToolSheet

BoolArray = NDArray[np.bool_]
ByAxis = dict[str, float | None]


@dataclass(frozen=True)
class ThirdOctaves:
    """Unweighted one-third-octave r.m.s. values over the trigger-on time; `values` [m/s²], shape (n_axes, n_bands)."""

    centre_hz: tuple[float, ...]
    values: FloatArray


@dataclass(frozen=True)
class StateValue:
    """What the tool did for `time_s`, and its weighted total then [m/s²]; None where nothing is known of it."""

    state: str
    time_s: float
    a_hv_mps2: float | None


@dataclass(frozen=True)
class VibrationMagnitude:
    """The grade of one recording. Values [m/s²]; None where the recording cannot support them (see `notices`)."""

    file: str
    sheet: ToolSheet | None
    condition: str | None
    position: str | None
    hand: str | None
    operator: str | None
    run: int | None
    duration_s: float
    trigger_on_s: float
    sample_rate: float
    axes: tuple[str, ...]
    band_covered_hz: tuple[float, float]
    checked: CheckReport
    gradeable: bool
    a_hw_mps2: ByAxis
    a_hv_mps2: float | None
    a_band_limited_mps2: ByAxis
    peak_mps2: ByAxis
    running_max_mps2: float | None
    third_octave: ThirdOctaves
    budget: tuple[unc.UncertaintyPart, ...]
    track: LevelTrack
    times: TimeStructure
    states: tuple[StateValue, ...]
    unknown_s: float
    on: BoolArray
    notices: tuple[Notice, ...]
    missing_axes_factor: float | None = None
    test_code: str | bool | None = None

    @property
    def tool(self) -> str | None:
        """Tag of the tool, where a sheet names it."""
        return self.sheet.tag if self.sheet else None

    @property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty of a_hv, with the repeatability of a single run."""
        return None if self.a_hv_mps2 is None else unc.expanded(self.a_hv_mps2, unc.with_repeatability(self.budget))

    @property
    def crest_factor(self) -> ByAxis:
        """Peak over r.m.s., both band-limited, per axis."""
        return {
            axis: peak / rms if peak is not None and (rms := self.a_band_limited_mps2[axis]) else None
            for axis, peak in self.peak_mps2.items()
        }

    @property
    def energy_outside(self) -> float:
        """Weighted energy with the trigger off over that with it on [-]: coast-down, handling, other tools nearby."""
        inside = self._energy("on", "idling", "unclear")
        return self._energy("coast-down", "off") / inside if inside > 0 else 0.0

    def _energy(self, *names: str) -> float:
        """Return the weighted energy in some states [m²/s³]."""
        return sum((s.a_hv_mps2 or 0.0) ** 2 * s.time_s for s in self.states if s.state in names)

    def to_dict(self) -> dict[str, Any]:
        """Return the whole `grade` document of this recording alone."""
        return grade_document([self])

    def row(self) -> dict[str, Any]:
        """Return the recording's row of the `grade` document."""
        return {
            "file": self.file,
            "tool": self.tool,
            "condition": self.condition,
            "position": self.position,
            "hand": self.hand,
            "operator": self.operator,
            "run": self.run,
            "duration_s": self.duration_s,
            "trigger_on_s": self.trigger_on_s,
            "trigger_on_high_s": self.trigger_on_s + self.unknown_s,
            "states": [dict(vars(state)) | ({} if self.gradeable else {"a_hv_mps2": None}) for state in self.states],
            "energy_outside_pct": 100.0 * self.energy_outside / (1.0 + self.energy_outside),
            "sample_rate_hz": self.sample_rate,
            "band_covered_hz": list(self.band_covered_hz),
            "gradeable": self.gradeable,
            "checks": self.checked.verdict(),
            "weighting": "Wh",
            "a_hw_mps2": self.a_hw_mps2,
            "a_hv_mps2": self.a_hv_mps2,
            "a_band_limited_mps2": self.a_band_limited_mps2,
            "peak_mps2": self.peak_mps2,
            "crest_factor": self.crest_factor,
            "running_max_mps2": self.running_max_mps2,
            "third_octave": self._third_octave_dict(),
            "missing_axes_factor": self.missing_axes_factor,
            "test_code": self.test_code,
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            **unc.coverage_dict(unc.with_repeatability(self.budget)),
            "uncertainty_budget": [part.to_dict() for part in unc.with_repeatability(self.budget)],
            "notices": [notice.to_dict() for notice in self.notices],
        }

    def _third_octave_dict(self) -> dict[str, Any]:
        bands: dict[str, Any] = {"centre_hz": list(self.third_octave.centre_hz)}
        for axis in ("x", "y", "z"):
            known = axis in self.axes
            bands[f"{axis}_mps2"] = self.third_octave.values[self.axes.index(axis)].tolist() if known else None
        return bands
