"""What a reader hands over: uncalibrated channels, block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.errors import Notice
from vibekit.recording.timing import Timing


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
