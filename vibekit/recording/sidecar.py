"""The sidecar: facts about a recording that the file itself cannot say."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from vibekit.errors import InputError, UsageError
from vibekit.recording.atomic import atomic
from vibekit.recording.tables import from_table, load_toml
from vibekit.units import parse_acceleration, unit_factor


@dataclass(frozen=True)
class UncertaintyFacts:
    """The [recording.uncertainty] or [tool.uncertainty] table: parts of the budget that are known.

    Expanded relative uncertainties (k = 2) of a_hv [%], each in place of its default; that of the calibration is
    `calibration_uncertainty_pct`. What a recording states comes before what its tool's sheet states.
    """

    mounting_pct: float | None = field(default=None, metadata={"allow_zero": True})
    alignment_pct: float | None = field(default=None, metadata={"allow_zero": True})
    position_pct: float | None = field(default=None, metadata={"allow_zero": True})
    operator_pct: float | None = field(default=None, metadata={"allow_zero": True})
    repeatability_pct: float | None = field(default=None, metadata={"allow_zero": True})
    band_pct: float | None = field(default=None, metadata={"allow_zero": True})
    weighting_pct: float | None = field(default=None, metadata={"allow_zero": True})


NOTHING_STATED = UncertaintyFacts()
AXES_FACTOR = (1.0, 1.7)  # total value over the dominant axis: 1.7 is √3, all alike; ISO 5349-1:2001 4.5 (from memory)


@dataclass(frozen=True)
class RecordingFacts:
    """The [recording] table; everything may be missing.

    `continued_in` names the files, in the sidecar's folder, that go on where the recording ends. `shared` names what
    comes from the bench sheet, keys of this table and of [recording.uncertainty]. `missing_axes_factor` makes the total
    value of the largest axis measured; `test_code` names the test code that the run was made under, or is true.
    """

    full_scale: str | None = None
    unit: str | None = None
    sample_rate_hz: float | None = None
    axes: tuple[str, ...] | None = None
    continued_in: tuple[str, ...] | None = None
    tach_pulses_per_rev: float = 1.0
    tach_shaft: str | None = None
    includes_gravity: bool | None = None
    tool: str | None = None
    condition: str | None = None
    position: str | None = None
    hand: str | None = field(default=None, metadata={"one_of": ("left", "right", "both")})
    operator: str | None = None
    run: int | None = field(default=None, metadata={"allow_zero": True})
    shaft_power_w: float | None = field(default=None, metadata={"allow_zero": True})
    spindle_rpm: float | None = field(default=None, metadata={"allow_zero": True})
    started: datetime | None = None
    calibration_uncertainty_pct: float | None = field(default=None, metadata={"allow_zero": True})
    missing_axes_factor: float | None = None
    test_code: str | bool | None = None
    uncertainty: UncertaintyFacts = NOTHING_STATED
    shared: frozenset[str] = field(default=frozenset(), metadata={"from_sheet": False})


@dataclass(frozen=True)
class SensorFacts:
    """The [sensor] table: range, flat band of sensor and mounting [Hz], mass, mounting, serial number."""

    range: str | None = None
    band_hz: tuple[float, ...] | None = field(default=None, metadata={"allow_zero": True})
    mass_g: float | None = None
    mounting: str | None = None
    serial: str | None = None


def axis_names(facts: RecordingFacts) -> tuple[tuple[str, str], ...] | None:
    """Return role and channel name of each axis where they are written as ``x=NAME``, else None.

    Raises:
        UsageError: some axes are written with a name and some without.
    """
    if facts.axes is None or not any("=" in axis for axis in facts.axes):
        return None
    pairs = tuple((role.strip(), name.strip()) for role, _, name in (axis.partition("=") for axis in facts.axes))
    if not all(name for _, name in pairs):
        raise UsageError(f"axes {','.join(facts.axes)}: write every axis as x=NAME, or none")
    return pairs


def sidecar_path(recording: Path) -> Path:
    """Return where the sidecar of a recording stands: the same name with the suffix `.toml`.

    Raises:
        InputError: the path has no file name.
    """
    if not recording.name:
        raise InputError(f"{str(recording)!r}: not a file")
    return recording.with_suffix(".toml")


def load_sidecar(
    recording: Path, defaults: Mapping[str, Mapping[str, Any]] | None = None
) -> tuple[RecordingFacts, SensorFacts]:
    """Return the facts in the sidecar beside a recording; `defaults` (tables as in a sidecar) where it says nothing.

    Raises:
        InputError: not TOML, unknown table or key, wrong type.
    """
    path, tables = sidecar_path(recording), dict(defaults or {})
    beside = load_toml(path) if path != recording and path.exists() else {}
    merged = {name: _over(tables.get(name), beside.get(name)) for name in {*tables, *beside}}
    facts, sensor = parse_sidecar(merged, str(path))
    return replace(facts, shared=_not_own(tables.get("recording", {}), beside.get("recording", {}))), sensor


def _over(default: Any, own: Any) -> Any:
    """Return a table with its own keys over the default ones, and so tables in it; the rest is left to validation."""
    if not isinstance(default, Mapping) or not (own is None or isinstance(own, Mapping)):
        return own
    own = own or {}
    return {key: _over(default.get(key), own[key]) if key in own else default[key] for key in {**default, **own}}


def _not_own(shared: Mapping[str, Any], own: Mapping[str, Any]) -> frozenset[str]:
    """Return the keys of a shared table, and of tables in it, that the own one does not state."""
    inner = [_not_own(value, own.get(key, {})) for key, value in shared.items() if isinstance(value, Mapping)]
    return frozenset(shared.keys() - own.keys()).union(*inner)


def parse_sidecar(data: dict[str, Any], where: str) -> tuple[RecordingFacts, SensorFacts]:
    """Return recording and sensor facts from TOML data; `where` names its origin. Raises as `load_sidecar`."""
    unknown = set(data) - {"recording", "sensor"}
    if unknown:
        raise InputError(f"{where}: unknown table {sorted(unknown)[0]!r}; known are recording, sensor")
    sensor = from_table(SensorFacts, data.get("sensor", {}), f"{where}: [sensor]")
    if sensor.band_hz is not None and (len(sensor.band_hz) != 2 or sensor.band_hz[0] >= sensor.band_hz[1]):
        raise InputError(f"{where}: [sensor]: band_hz must be two rising frequencies such as [2, 3000]")
    facts = from_table(RecordingFacts, data.get("recording", {}), f"{where}: [recording]")
    require_axes_factor(facts.missing_axes_factor, f"{where}: [recording]")
    _require_said(facts, sensor, where)
    return facts, sensor


def require_axes_factor(factor: float | None, where: str) -> None:
    """Refuse a factor for missing axes outside what ISO 5349-1 allows. Raises InputError."""
    low, high = AXES_FACTOR
    if factor is not None and not low <= factor <= high:
        raise InputError(f"{where}: missing_axes_factor {factor:g} must be {low:.1f} to {high:.1f} (ISO 5349-1)")


def _require_said(facts: RecordingFacts, sensor: SensorFacts, where: str) -> None:
    """Refuse a key that is there and says nothing, and scales and units that cannot be read, used or not."""
    if facts.axes == ():
        raise InputError(f"{where}: [recording]: axes is empty: name each channel, such as x, y, z, or leave it out")
    read = (
        ("[recording]: full_scale", facts.full_scale, parse_acceleration),
        ("[recording]: unit", facts.unit, unit_factor),
        ("[sensor]: range", sensor.range, parse_acceleration),
    )
    for key, text, reader in read:
        try:
            if text is not None:
                reader(text)
        except UsageError as error:
            raise InputError(f"{where}: {key}: {error}") from None


def enter_in_sidecar(recording: Path, facts: dict[str, str | float]) -> Path:
    """Write facts into the [recording] table of a recording's sidecar, keeping what else stands there; return its path.

    Raises:
        InputError: the sidecar that is there cannot be used, or the folder cannot be written.
    """
    path = sidecar_path(recording)
    if path == recording:
        raise InputError(f"{recording}: name the recording, not its sidecar")
    load_sidecar(recording)
    lines = path.read_text(encoding="utf-8-sig").splitlines() if path.exists() else []
    if not any(line.strip() == "[recording]" for line in lines):
        lines = ["[recording]", *lines] if not lines else ["[recording]", "", *lines]
    start = next(i for i, line in enumerate(lines) if line.strip() == "[recording]") + 1
    end = next((i for i in range(start, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
    for key, value in facts.items():
        written = f"{key} = {json.dumps(value, ensure_ascii=False)}"
        at = next((i for i in range(start, end) if lines[i].partition("=")[0].strip() == key), None)
        if at is None:
            lines.insert(start, written)
            end += 1
        else:
            lines[at] = written
    text = "\n".join(lines) + "\n"
    _require_changed(path, text, facts)
    with atomic(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return path


def _require_changed(path: Path, text: str, facts: dict[str, str | float]) -> None:
    """Make sure that the text, changed line by line, says what it said before but for the facts entered."""
    wanted = load_toml(path) if path.exists() else {}
    wanted = {**wanted, "recording": {**wanted.get("recording", {}), **facts}}
    try:
        new = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        new = {}
    if new != wanted:
        said = ", ".join(f"{key} = {json.dumps(value)}" for key, value in facts.items())
        raise InputError(f"{path}: is written in a way that cannot be changed safely: enter {said} by hand")
    parse_sidecar(new, str(path))
