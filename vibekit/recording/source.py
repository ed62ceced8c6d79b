"""What a reader hands over: uncalibrated channels, block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

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
