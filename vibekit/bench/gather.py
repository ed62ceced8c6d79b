"""Files, folders and globs as one list of recordings."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from vibekit.errors import InputError
from vibekit.recording.readers_arrays import SUFFIXES as ARRAY_SUFFIXES
from vibekit.recording.readers_audio import SUFFIXES as AUDIO_SUFFIXES
from vibekit.recording.readers_parquet import SUFFIXES as PARQUET_SUFFIXES
from vibekit.recording.readers_text import SUFFIXES as TEXT_SUFFIXES

RECORDING_SUFFIXES = AUDIO_SUFFIXES | TEXT_SUFFIXES | ARRAY_SUFFIXES | PARQUET_SUFFIXES  # never `.toml`: a sheet
_GLOB_SIGNS = frozenset("*?[")


def gather(given: Iterable[str | Path], beside: Path | None = None) -> list[Path]:
    """Return the recordings that files, folders (with all below them) and globs name, each once, in a stable order.

    Relative entries start at `beside`, the working folder by default. A file named outright is taken as it is, whatever
    its suffix; whether it exists is for the reader to say.

    Raises:
        InputError: a folder or a glob holds no recording.
    """
    found: dict[Path, Path] = {}
    for entry in given:
        for path in _expand(Path(entry), beside or Path()):
            found.setdefault(path.absolute(), path)
    return list(found.values())


def _expand(entry: Path, beside: Path) -> list[Path]:
    path = beside / entry
    if path.is_dir():
        matches = sorted(path.rglob("*"))
    elif path.exists() or not _GLOB_SIGNS & set(str(entry)):
        return [path]
    else:
        start = Path(entry.anchor) if entry.is_absolute() else beside
        matches = sorted(start.glob(str(entry.relative_to(entry.anchor))))
        matches = [inner for match in matches for inner in (sorted(match.rglob("*")) if match.is_dir() else [match])]
    recordings = [match for match in matches if match.suffix.lower() in RECORDING_SUFFIXES and match.is_file()]
    if not recordings:
        raise InputError(f"{path}: no recordings there (known suffixes: {', '.join(sorted(RECORDING_SUFFIXES))})")
    return recordings
