"""Can this recording be trusted, and for what: each check with its value, limit, verdict and what to do."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from vibekit.errors import Notice, document
from vibekit.recording import (
    checks_gaps as gaps,
    checks_setup as setup,
    checks_shape as shape,
    checks_signal as signal,
)
from vibekit.recording.background import floor_notice
from vibekit.recording.check_result import Check, Context, direction, known_ceiling, running_level
from vibekit.recording.conditions import is_off
from vibekit.recording.gaps import known_of
from vibekit.recording.limits import MIN_USABLE_S, band_covered, band_notice
from vibekit.recording.measures import Measures, QualityPass
from vibekit.recording.recording import BLOCK_SAMPLES, Block, Origin, Recording, SignalSource
from vibekit.recording.toolsheet import ToolSheet

Use = Literal["grade", "speed", "gear_mesh", "bearings"]

GEAR_HZ = 1000.0  # without a tool sheet: mesh lines of handheld rotary tools lie from here up (no source)
BEARING_HZ = 2000.0  # bearing evidence sits on resonances from about 2 kHz up (Randall & Antoni 2011, from memory)

_CHECKS: tuple[Callable[[Measures, Context], Check | None], ...] = (
    setup.length,
    gaps.alive,
    signal.clipping,
    shape.soft_clipping,
    shape.slew,
    setup.band,
    setup.rate_for_tool,
    signal.aliasing,
    setup.timing,
    setup.dc_offset,
    signal.dc_shift,
    gaps.dropouts,
    signal.hum,
    shape.shocks,
    setup.noise_floor,
    setup.resolution,
    setup.axes,
    setup.sensor_mass,
)

# the checks that, failed, take a use away; what the band takes away is told apart
_NEEDS: dict[Use, tuple[str, ...]] = {
    "grade": ("length", "alive", "dropouts", "clipping", "soft_clipping", "dc_shift"),
    "speed": ("length", "alive", "dropouts"),
    "gear_mesh": ("length", "alive", "dropouts"),
    "bearings": ("length", "alive", "dropouts", "clipping"),
}
# said otherwise of a magnitude: by its time with the trigger on, its band, its missing axes, its floor, its timestamps
_SAID_ELSEWHERE = {"length", "band", "rate_for_tool", "noise_floor", "timing"}
_IN_LINES = dict.fromkeys(
    ("clipping", "soft_clipping", "slew"), "that makes multiples and sums of lines which the tool does not have"
)
_OF_SIGNAL = {"alive", "dropouts", "clipping", "soft_clipping", "slew", "aliasing", "hum"}  # what changes lines


@dataclass(frozen=True)
class CheckReport:
    """What a recording can be used for. `checks` has one entry per check that applies to it.

    `level_mps2` is the median r.m.s. of all axes together, unweighted, while the tool runs. `remarks`: what is to be
    said of a magnitude that is no doubt about it.
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
    remarks: tuple[Notice, ...] = ()

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

    def while_on(self, slow_share: float) -> CheckReport:
        """Return the report for a magnitude over part of the time, of whose weighted power a share is slow."""
        checks = tuple(signal.dc_shift_while_on(check, slow_share) for check in self.checks)
        lost = any(check.status == "fail" and check.name in _NEEDS["grade"] for check in checks)
        return replace(
            self, checks=checks, usable_for=self.usable_for | {"grade": self.usable_for["grade"] and not lost}
        )

    def verdict(self) -> dict[str, Any]:
        """Return the verdict on a magnitude, as it stands in the recording's row of the `grade` document."""
        doubts = [check for check in self.checks if check.status != "pass"]
        word = "refused" if not self.usable_for["grade"] else "doubtful" if doubts else "sound"
        return {"verdict": word, "not_passed": [check.to_dict() for check in doubts]}

    def doubts(self) -> tuple[Check, ...]:
        """Return the checks that doubt a magnitude and say by how much."""
        return tuple(c for c in self.checks if c.status != "pass" and c.true_above_pct is not None)

    def against(self, use: Use) -> tuple[Notice, ...]:
        """Return what speaks against a use: a refusal for each failed check that takes it away, cautions for the rest.

        Of a magnitude without its length, and of what else is said with it; of lines and speed only what changes these.
        """
        told = {check.name for check in self.checks} - _SAID_ELSEWHERE if use == "grade" else _OF_SIGNAL
        if len(self.axes) < 3:
            told = told - {"axes"}
        found = [self._notice(c, use) for c in self.checks if c.status != "pass" and c.name in told]
        return tuple(sorted(found, key=lambda notice: notice.severity != "refusal"))

    def _notice(self, check: Check, use: Use) -> Notice:
        refused = check.status == "fail" and check.name in _NEEDS[use]
        where = direction(check.true_above_pct) if use == "grade" else _IN_LINES.get(check.name, "")
        message = f"{self.file}: " * bool(self.file) + check.message + (f"; {where}" if where else "")
        severity: Literal["refusal", "caution"] = "refusal" if refused else "caution"
        return Notice(f"check_{check.name}", severity, message, check.value, check.limit, check.remedy)

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
    looked = Looked(source)
    for block in looked.blocks():
        if progress and source.n_samples:
            progress((block.start + block.acceleration.shape[1]) / source.n_samples)
    return looked.report(tool)


class Looked:
    """A source that is looked at while it is read: what passes through is measured, `report` says what it is good for.

    So that every analysis that reads a recording once has the verdict on it from the same pass.
    """

    def __init__(self, source: SignalSource) -> None:
        self._source = source
        self._pass = self._new()

    def _new(self) -> QualityPass:
        source = self._source
        return QualityPass(len(source.axes), source.sample_rate, source.n_samples, known_ceiling(source.origin))

    @property
    def sample_rate(self) -> float:
        """Samples per second [Hz]."""
        return self._source.sample_rate

    @property
    def axes(self) -> tuple[str, ...]:
        """Axes in row order."""
        return self._source.axes

    @property
    def origin(self) -> Origin:
        """Provenance of the source."""
        return self._source.origin

    @property
    def weighted(self) -> bool:
        """Whether the source is weighted."""
        return self._source.weighted

    @property
    def n_samples(self) -> int | None:
        """Samples per axis, None where unknown."""
        return self._source.n_samples

    def blocks(self, size: int = BLOCK_SAMPLES) -> Iterator[Block]:
        """Yield the source's blocks, measuring on the way; each call begins anew."""
        self._pass = self._new()
        for block in self._source.blocks(size):
            self._pass.add(known_of(block))  # what stands in gaps is no signal
            yield block

    def report(self, tool: ToolSheet | None = None) -> CheckReport:
        """Return the report on what has been read; `tool` wins over the source's sheet."""
        return _report(self._pass.measures(), self._source, tool if tool is not None else self._source.origin.tool)


def verdict_on(recording: Recording, use: Use, tool: ToolSheet | None = None) -> tuple[Notice, ...]:
    """Return what speaks against a use of a recording in memory: refusals first, then cautions."""
    return check(recording, tool).against(use) if recording.axes else ()


def _report(measures: Measures, source: SignalSource, sheet: ToolSheet | None) -> CheckReport:
    origin = source.origin
    band = band_covered(source.sample_rate, origin.sensor.band_hz, origin.timing)
    context = Context(origin, source.axes, sheet, band)
    found = tuple(result for test in _CHECKS if (result := test(measures, context)) is not None)
    status = {result.name: result.status for result in found}
    partly = _looked_at(measures, origin.file)
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
        (*origin.notices, *_refusals(measures, sheet, band, origin.file), *_cautions(found, origin.file), *partly),
        (*shape.beyond_wh(measures, origin.file), *partly),
    )


def _looked_at(m: Measures, file: str) -> tuple[Notice, ...]:
    """Say what was not looked at everywhere, where that is so."""
    if m.close.size >= m.frame_square.shape[1] - 1:
        return ()
    message = (
        f"{file}: peaks, levels and stuck samples were looked at throughout; the signal's shape and spectrum in "
        f"{m.closely_s:.0f} of {m.duration_s:.0f} s, spread evenly, and in the loudest moments"
    )
    remedy = "check a part of which you are not sure with --from and --to"
    return (Notice("looked_at_part", "info", message, m.closely_s, m.duration_s, remedy),)


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
    sound: dict[str, bool] = {use: all(status.get(n) != "fail" for n in needed) for use, needed in _NEEDS.items()}
    rated = tool.rated_hz if tool else {}
    carried = band_notice(tool, band)
    meshes = (
        [hz for m in tool.meshes if m.driver_teeth and (hz := m.driver_teeth * rated.get(m.driver, 0.0))]
        if tool
        else []
    )
    speed = any(hz <= band[1] for hz in rated.values()) if rated else True
    return {
        "grade": sound["grade"] and (carried is None or carried.severity != "refusal"),
        "speed": sound["speed"] and speed,
        "gear_mesh": sound["gear_mesh"] and speed and band[1] >= (max(meshes, default=0.0) or GEAR_HZ),
        "bearings": sound["bearings"] and speed and band[1] >= BEARING_HZ,
    }


def _refusals(m: Measures, tool: ToolSheet | None, band: tuple[float, float], file: str) -> list[Notice]:
    """Return what makes the command `check` end as a refusal: nothing can be said, or not of this tool."""
    found = []
    if m.duration_s < MIN_USABLE_S:
        message = f"{file}: {m.duration_s:.3g} s of signal, at least {MIN_USABLE_S:g} s are needed"
        remedy = "record at least 20 s, three times"
        found.append(Notice("too_short", "refusal", message, m.duration_s, MIN_USABLE_S, remedy))
    carried = band_notice(tool, band, f"{file}: ")
    if carried is not None and carried.code == "band_misses_lines":
        found.append(carried)
    return found


def _cautions(found: tuple[Check, ...], file: str) -> list[Notice]:
    return [
        Notice(f"check_{c.name}", "caution", f"{file}: {c.message}", c.value, c.limit, c.remedy)
        for c in found
        if c.status != "pass"
    ]
