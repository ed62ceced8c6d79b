"""What a reader hands over: uncalibrated channels, block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError, Notice, VibekitError
from vibekit.recording.timing import Timing

_UNPACKED_BYTES = 1 << 30
_PACKED_MOST = 100  # silence packs better, but not by the gigabyte (no source)


@dataclass(frozen=True)
class RawSource:
    """An opened file before calibration.

    `blocks(size, first, last)` yields arrays of shape (n_frames, n_channels), native dtype, from frame `first` up to
    `last` (None: the end); `unit_per_count` turns stored counts into full-scale or unit values.
    """

    n_channels: int
    blocks: Callable[[int, int, int | None], Iterator[Any]]
    sample_rate: float | None = None
    n_frames: int | None = None
    unit_per_count: float = 1.0
    needs_full_scale: bool = False
    names: tuple[str, ...] | None = None
    unit: str | None = None
    unit_hint: str = ""
    timing: Timing | None = None
    log: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()


@contextmanager
def damage_named(path: Path, kind: str) -> Iterator[None]:
    """Turn what a format's library raises on a damaged file, of whatever kind, into one line.

    Raises:
        InputError: the file is damaged, or would not fit into memory.
    """
    try:
        yield
    except VibekitError:
        raise
    except Exception as error:
        reason = (str(error).splitlines() or [""])[0][:160] or type(error).__name__
        raise InputError(f"{path}: cannot be read as {kind}: {reason}") from None


def require_plausible_size(path: Path, unpacked_bytes: int) -> None:
    """Refuse a small file that unpacks to a huge one, before it takes the memory or the day.

    Raises:
        InputError: it would unpack to more than 1 GiB and more than a hundredfold (vibration packs far less well).
    """
    most = max(_UNPACKED_BYTES, _PACKED_MOST * path.stat().st_size)
    if unpacked_bytes > most:
        size = path.stat().st_size
        raise InputError(f"{path}: {size} bytes would unpack to {unpacked_bytes:.3g}: no recording packs like that")


def rebatch(chunks: Iterable[Any], size: int, first: int, last: int | None) -> Iterator[Any]:
    """Yield the frames `first` to `last` of arrays (n_frames, n_channels) in blocks of `size`, the last one shorter."""
    held: list[Any] = []
    held_frames = row = 0
    for chunk in chunks:
        part = chunk[max(first - row, 0) : None if last is None else max(last - row, 0)]
        row += len(chunk)
        while len(part) + held_frames >= size:
            cut = size - held_frames
            yield np.concatenate([*held, part[:cut]]) if held else part[:cut]
            part, held, held_frames = part[cut:], [], 0
        if len(part):
            held.append(part)
            held_frames += len(part)
        if last is not None and row >= last:
            break
    if held:
        yield np.concatenate(held)
