"""Files, folders and globs as one list of recordings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from vibekit.errors import InputError
from vibekit.recording.sidecar import load_sidecar
from vibekit.recording.tables import read_small_text

_GLOB_SIGNS = frozenset("*?[")
_WRITTEN = frozenset({".toml", ".json", ".png", ".svg", ".html"})  # what stands beside recordings and is none


def recording_suffixes() -> frozenset[str]:
    """Return the suffixes that readers know, never `.toml`: a sheet. Readers load only when a folder is searched."""
    from vibekit.recording import readers_arrays, readers_audio, readers_parquet, readers_text

    return readers_audio.SUFFIXES | readers_text.SUFFIXES | readers_arrays.SUFFIXES | readers_parquet.SUFFIXES


def gather(given: Iterable[str | Path], beside: Path | None = None) -> list[Path]:
    """Return the recordings that files, folders (with all below them) and globs name, each once, in a stable order.

    Relative entries start at `beside`, the working folder by default. A file named outright is taken as it is, whatever
    its suffix; whether it exists is for the reader to say. A file in which another one goes on, as the sidecar of that
    one says, is read with it and not once more by itself; what belongs to another one (`companions`) is left out.

    Raises:
        InputError: a folder or a glob holds no recording.
    """
    found: dict[Path, Path] = {}
    for entry in given:
        for path in _expand(Path(entry), beside or Path()):
            found.setdefault(path.absolute(), path)
    if len(found) < 2:
        return list(found.values())
    others = {part.absolute() for path in found.values() for part in _named_parts(path)} | companions(found)
    return [path for absolute, path in found.items() if absolute not in others]


def companions(paths: Iterable[Path]) -> set[Path]:
    """Return the paths named after another one that is no companion itself: its sidecar, its plots, its results.

    A shell makes `run-1.toml` and `run-1.grade.png` of `run-1*` along with `run-1.wav`; they are no recordings.
    """
    paths = list(paths)
    named = {(path.parent, path.stem) for path in paths if path.suffix.lower() not in _WRITTEN}
    return {
        path
        for path in paths
        if path.suffix.lower() in _WRITTEN
        and any((path.parent, ".".join(parts)) in named for parts in _starts(path.name.split(".")))
    }


def _starts(parts: list[str]) -> Iterator[list[str]]:
    return (parts[:count] for count in range(1, len(parts)))


def _named_parts(path: Path) -> list[Path]:
    """Return the files that a recording goes on in, by its sidecar; whether that is sound is for the reader to say."""
    sidecar = path.with_suffix(".toml") if path.name else path
    try:
        if sidecar == path or not sidecar.is_file() or "continued_in" not in read_small_text(sidecar):
            return []
        return [path.parent / name for name in load_sidecar(path)[0].continued_in or ()]
    except (OSError, InputError):
        return []


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
    known = recording_suffixes()
    recordings = [match for match in matches if match.suffix.lower() in known and match.is_file()]
    if not recordings:
        raise InputError(f"{path}: no recordings there (known suffixes: {', '.join(sorted(known))})")
    return recordings
