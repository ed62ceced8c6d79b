"""The bench sheet: a session of several tools, with facts that all its recordings share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vibekit.bench.gather import gather
from vibekit.errors import InputError, known_names
from vibekit.recording.sidecar import RecordingFacts, SensorFacts, parse_sidecar
from vibekit.recording.tables import from_table, load_toml, sheet_fields

SharedFacts = Mapping[str, Mapping[str, Any]]


_OTHER_SHEETS = {
    "recording": "is the sidecar of a recording, not a bench sheet: name the recording",
    "tool": "is a tool sheet, not a bench sheet: give it with --tool, or as tool in the sidecar",
}


@dataclass(frozen=True)
class BenchSheet:
    """A session: its recordings, and the [recording] and [sensor] facts that hold where a sidecar says nothing."""

    path: Path
    title: str
    recordings: tuple[Path, ...]
    defaults: SharedFacts


@dataclass(frozen=True)
class _BenchFacts:
    recordings: tuple[str, ...]
    title: str = ""


def load_bench(path: str | Path) -> BenchSheet:
    """Return the bench sheet in a TOML file; globs, folders and the tool start at the sheet's folder.

    Raises:
        InputError: missing or not TOML, unknown keys, wrong types, or an entry that names no recording.
    """
    path = Path(path)
    data = load_toml(path)
    extra = set(data) - {"bench"}
    if "bench" not in data:
        for table, what in _OTHER_SHEETS.items():
            if table in data:
                raise InputError(f"{path}: {what}")
    if extra or not isinstance(data.get("bench"), dict):
        problem = f"unknown table {sorted(extra)[0]!r}" if extra else "no table [bench]"
        raise InputError(f"{path}: {problem}; a bench sheet has one table, [bench]")
    own, defaults = _split(data["bench"], path)
    facts = from_table(_BenchFacts, own, f"{path}: [bench]")
    if not facts.recordings:
        raise InputError(f"{path}: [bench]: recordings names nothing")
    return BenchSheet(path, facts.title or path.stem, tuple(gather(facts.recordings, path.parent)), defaults)


def _split(table: dict[str, Any], path: Path) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """Return the sheet's own keys, and those of [recording] and [sensor], validated."""
    homes = {"recording": RecordingFacts, "sensor": SensorFacts}
    defaults: dict[str, dict[str, Any]] = {
        name: {field.name: table[field.name] for field in sheet_fields(kind) if field.name in table}
        for name, kind in homes.items()
    }
    shared = {key for part in defaults.values() for key in part}
    own = {key: value for key, value in table.items() if key not in shared}
    known = {field.name for kind in (_BenchFacts, *homes.values()) for field in sheet_fields(kind)}
    for key in own:
        if key not in known:
            raise InputError(f"{path}: [bench]: unknown key {key[:40]!r}; {known_names(key, known)}")
    parse_sidecar(defaults, f"{path}: [bench] as")
    if "tool" in defaults["recording"]:
        defaults["recording"]["tool"] = str((path.parent / defaults["recording"]["tool"]).absolute())
    return own, {name: part for name, part in defaults.items() if part}
