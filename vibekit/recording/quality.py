"""Can this recording be trusted, and for what: each check with its value, limit, verdict and what to do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from vibekit.errors import Notice, document
from vibekit.recording import checks_setup as setup, checks_shape as shape, checks_signal as signal
from vibekit.recording.background import floor_notice
from vibekit.recording.check_result import Check, Context, running_level
from vibekit.recording.conditions import is_off
from vibekit.recording.limits import BLIND_BAND_HZ, GRADE_BAND_HZ, MIN_USABLE_S, band_covered, lines_beyond
from vibekit.recording.measures import Measures, measure
from vibekit.recording.recording import SignalSource
from vibekit.recording.toolsheet import ToolSheet

GEAR_HZ = 1000.0  # without a tool sheet: mesh lines of handheld rotary tools lie from here up (no source)
BEARING_HZ = 2000.0  # bearing evidence sits on resonances from about 2 kHz up (Randall & Antoni 2011, from memory)

_CHECKS: tuple[Callable[[Measures, Context], Check | None], ...] = (
    setup.length,
    signal.clipping,
    shape.soft_clipping,
    shape.slew,
    setup.band,
    setup.rate_for_tool,
    signal.aliasing,
    setup.timing,
    setup.dc_offset,
    signal.dc_shift,
    signal.dropouts,
    signal.hum,
    shape.chatter,
    setup.noise_floor,
    setup.resolution,
    setup.axes,
    setup.sensor_mass,
)


@dataclass(frozen=True)
class CheckReport:
    """What a recording can be used for. `checks` has one entry per check that applies to it.

    `level_mps2` is the median r.m.s. of all axes together, unweighted, while the tool runs.
    """

    file: str
    duration_s: float
    sample_rate_hz: float
    axes: tuple[str, ...]
    band_covered_hz: tuple[float, float]
    clipped_pct: float
    checks: tuple[Check, ...]
    usable_for: dict[str, bool]
    condition: str | None
    level_mps2: float | None
    log: tuple[str, ...]
    notices: tuple[Notice, ...]

    def entry(self) -> dict[str, Any]:
        """Return the recording's entry of the `check` document."""
        return {
            "file": self.file,
            "duration_s": self.duration_s,
            "sample_rate_hz": self.sample_rate_hz,
            "axes": list(self.axes),
            "band_covered_hz": list(self.band_covered_hz),
            "clipped_pct": self.clipped_pct,
            "checks": [check.to_dict() for check in self.checks],
            "usable_for": dict(self.usable_for),
            "condition": self.condition,
            "level_mps2": self.level_mps2,
            "log": list(self.log),
        }

    def to_dict(self) -> dict[str, Any]:
        """Return the `check` document of this one recording."""
        return document("check", {"recordings": [self.entry()]}, self.notices)


def check(
    source: SignalSource, tool: ToolSheet | None = None, progress: Callable[[float], None] | None = None
) -> CheckReport:
    """Return what a recording or stream can be trusted for, in one pass; `tool` wins over its sheet.

    `progress` is told the share done (0..1) where the length is known.

    Raises:
        InputError: the file is corrupt or holds a sample that is not finite.
    """
    sheet = tool if tool is not None else source.origin.tool
    measures = measure(source, progress)
    origin = source.origin
    band = band_covered(source.sample_rate, origin.sensor.band_hz, origin.timing)
    context = Context(origin, source.axes, sheet, band)
    found = tuple(result for test in _CHECKS if (result := test(measures, context)) is not None)
    status = {result.name: result.status for result in found}
    return CheckReport(
        origin.file,
        measures.duration_s,
        source.sample_rate,
        source.axes,
        band,
        signal.clipped_pct(measures, context),
        found,
        _usable_for(status, band, sheet),
        origin.facts.condition,
        running_level(measures),
        origin.log,
        (*origin.notices, *_refusals(measures, sheet, band, origin.file), *_cautions(found, origin.file)),
    )


def background_notices(reports: Sequence[CheckReport]) -> list[Notice]:
    """Return a caution for each recording within 3 times the level of those with condition "off" beside it."""
    floors = [r.level_mps2 for r in reports if is_off(r.condition) and r.level_mps2 is not None]
    found = [
        floor_notice(r.file, r.level_mps2, max(floors))
        for r in reports
        if floors and not is_off(r.condition) and r.level_mps2 is not None
    ]
    return [notice for notice in found if notice is not None]


def _usable_for(
    status: dict[str, Literal["pass", "doubtful", "fail"]], band: tuple[float, float], tool: ToolSheet | None
) -> dict[str, bool]:
    """Return for what the checks leave the recording good."""
    sound = not any(status.get(name) == "fail" for name in ("length", "dropouts"))
    rated = tool.rated_hz if tool else {}
    carried = (bool(rated) and not lines_beyond(tool, band)) or band[1] >= BLIND_BAND_HZ
    low_enough = band[0] <= GRADE_BAND_HZ[0]
    level = all(status.get(name) != "fail" for name in ("clipping", "dc_shift", "rate_for_tool"))
    meshes = (
        [hz for m in tool.meshes if m.driver_teeth and (hz := m.driver_teeth * rated.get(m.driver, 0.0))]
        if tool
        else []
    )
    speed = any(hz <= band[1] for hz in rated.values()) if rated else True
    return {
        "grade": sound and level and carried and low_enough,
        "speed": sound and speed,
        "gear_mesh": sound and speed and band[1] >= (max(meshes, default=0.0) or GEAR_HZ),
        "bearings": sound and speed and status.get("clipping") != "fail" and band[1] >= BEARING_HZ,
    }


def _refusals(m: Measures, tool: ToolSheet | None, band: tuple[float, float], file: str) -> list[Notice]:
    found = []
    if m.duration_s < MIN_USABLE_S:
        found.append(
            Notice(
                "too_short",
                "refusal",
                f"{file}: {m.duration_s:.3g} s of signal, at least {MIN_USABLE_S:g} s are needed",
                m.duration_s,
                MIN_USABLE_S,
                "record at least 20 s, three times",
            )
        )
    beyond = lines_beyond(tool, band)
    if beyond:
        lines = ", ".join(f"{name} {hz:.0f} Hz" for name, hz in beyond)
        found.append(
            Notice(
                "band_misses_lines",
                "refusal",
                f"{file}: covers {band[0]:.3g} to {band[1]:.4g} Hz and cannot carry the tool's lines ({lines})",
                band[1],
                max(hz for _, hz in beyond),
                "use a sensor and recorder that carry 6.3 to 1250 Hz (at least 3200 samples per second)",
            )
        )
    return found


def _cautions(found: tuple[Check, ...], file: str) -> list[Notice]:
    return [
        Notice(f"check_{c.name}", "caution", f"{file}: {c.message}", c.value, c.limit, c.remedy)
        for c in found
        if c.status != "pass"
    ]
