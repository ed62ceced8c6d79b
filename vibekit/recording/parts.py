"""A recording in several files: a logger that starts a new one at a size or every minute, a WAV at its 4 GB.

Which files follow is said in the sidecar (`continued_in`), never found by their names: three runs of one tool are named
just like three parts of one run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

from vibekit.errors import InputError, is_text
from vibekit.recording.sidecar import RecordingFacts, load_sidecar, sidecar_path
from vibekit.recording.source import RawSource, rebatch

_MOST_NAMED = 6
_OF_THE_SAMPLES = ("full_scale", "unit", "sample_rate_hz", "axes", "includes_gravity", "tool")


def following_parts(path: Path, facts: RecordingFacts) -> tuple[Path, ...]:
    """Return the files that go on where `path` ends, in order; they stand relative to its sidecar.

    Raises:
        InputError: one is missing, named twice, or has parts of its own.
    """
    parts = tuple(path.parent / name for name in facts.continued_in or ())
    where = f"continued_in of {sidecar_path(path)}"
    seen = {path.resolve()} if parts else set()
    for part in parts:
        require_file(part, f", named in {where}")
        if part.resolve() in seen:
            raise InputError(f"{part}: stands twice in {where} (the recording itself is the first part)")
        seen.add(part.resolve())
        own = load_sidecar(part)[0]
        if own.continued_in:
            raise InputError(f"{part}: is a part of {path} and has continued_in itself: name all parts in {where}")
        _require_same(path, facts, part, own)
    return parts


def _require_same(path: Path, facts: RecordingFacts, part: Path, own: RecordingFacts) -> None:
    """Refuse a part whose own sidecar says of its samples what the first one's does not."""
    for key in _OF_THE_SAMPLES:
        first, other = getattr(facts, key), getattr(own, key)
        if other is not None and first is not None and other != first:
            raise InputError(
                f"{sidecar_path(part)}: {key} {_plain(other)} differs from {_plain(first)} of {path.name}: "
                "they are said to be one recording"
            )


def _plain(value: Any) -> str:
    return ",".join(value) if isinstance(value, tuple) else str(value)


def require_file(path: Path, note: str = "") -> None:
    """Refuse what is no file that can be read.

    Raises:
        InputError: a name of other bytes, missing, not a regular file, empty.
    """
    if not is_text(str(path)):
        raise InputError(f"{path}: its name is not UTF-8 text: rename it first{note}")
    if "\x00" in str(path) or not path.exists():
        raise InputError(f"{path}: no such file{note}")
    if not path.is_file():
        raise InputError(f"{path}: not a file{note}")
    if path.stat().st_size == 0:
        raise InputError(f"{path}: the file is empty{note}")


def joined_log(paths: Sequence[Path]) -> tuple[str, ...]:
    """Return the log line that says what was joined, nothing for a single file."""
    names = [path.name for path in paths]
    if len(names) > _MOST_NAMED:
        names = [*names[: _MOST_NAMED - 2], "...", names[-1]]
    return (f"joined {len(paths)} files as one recording: {', '.join(names)}",) if len(paths) > 1 else ()


def join_sources(paths: Sequence[Path], sources: Sequence[RawSource]) -> RawSource:
    """Return files that know their length and have no timestamps as one source, one after the other.

    Raises:
        InputError: a file differs from the first in rate, channels, unit or the size of its counts.
    """
    first = sources[0]
    if len(sources) == 1:
        return first
    for path, source in zip(paths, sources, strict=True):
        for what, mine, its in _layouts(first, source):
            if mine != its:
                raise InputError(f"{path}: {what} {its} differs from {mine} in {paths[0].name}: not one recording")
    total = sum(source.n_frames or 0 for source in sources)
    return replace(first, blocks=partial(_blocks, sources), n_frames=total, log=(*joined_log(paths), *first.log))


def _layouts(first: RawSource, other: RawSource) -> Iterator[tuple[str, Any, Any]]:
    yield "sample rate", first.sample_rate, other.sample_rate
    yield "number of channels", first.n_channels, other.n_channels
    yield "channels", first.names, other.names
    yield "unit", first.unit, other.unit
    yield "value of a count", first.unit_per_count, other.unit_per_count


def _blocks(sources: Sequence[RawSource], size: int, first: int, last: int | None) -> Iterator[Any]:
    """Yield blocks of `size` frames over all sources; those before `first` are not read."""
    before, wanted = 0, []
    for source in sources:
        frames = source.n_frames or 0
        if before + frames > first:
            wanted.append(source.blocks(size, max(first - before, 0), None))
        before += frames
    return rebatch(chain.from_iterable(wanted), size, 0, None if last is None else last - first)
