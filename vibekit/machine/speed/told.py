"""What is told of a speed that lines show: a track with its confidence, rivals and notices; or why there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.errors import Notice
from vibekit.recording.recording import FloatArray


@dataclass(frozen=True)
class Rival:
    """Another speed [Hz] that the recording does not rule out, and why it was put second."""

    hz: float
    reason: str


@dataclass(frozen=True)
class LineSpeed:
    """A track `time_s`, `hz` (NaN: nothing to follow; both empty: no speed), with confidence, rivals and notices."""

    time_s: FloatArray
    hz: FloatArray
    confidence: float
    rivals: tuple[Rival, ...]
    notices: tuple[Notice, ...]


def nothing_found(notice: Notice, rivals: Sequence[Rival]) -> LineSpeed:
    """Return that no speed was found, and why."""
    nothing = np.empty(0)
    return LineSpeed(nothing, nothing, 0.0, tuple(rivals), (notice,))
