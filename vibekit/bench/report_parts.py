"""What a page is made from: contract documents as plain data, and the few arrays that plots need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.recording.toolsheet import ToolSheet

FloatArray = NDArray[np.float64]
Document = Mapping[str, Any]


@dataclass(frozen=True)
class LevelCurve:
    """Weighted total value over the second that ends at `time_s` [m/s²], shape (n,); trigger `on` per frame."""

    time_s: FloatArray
    running_mps2: FloatArray
    on: NDArray[np.bool_]
    frame_s: float


@dataclass(frozen=True)
class SpectrumCurve:
    """Root sum of squares of the axes' amplitudes and of their floors [m/s²] at `frequency` [`unit`], shape (n_bins,).

    `unit` is "Hz" or "order"; orders are turns of shaft `of`, which turned `turn_hz` times a second.
    """

    frequency: FloatArray
    unit: str
    total_mps2: FloatArray
    floor_mps2: FloatArray
    of: str | None
    turn_hz: float | None


@dataclass(frozen=True)
class RecordingPart:
    """One recording: its row of the `grade` document, other documents where they could be made, else why not.

    `measured` names how it was measured, term by term; `reasons` has an entry for each of "speed" and "spectrum" that
    is None; `on_from_s` is the second of the recording at which the speed's and spectrum's time starts.
    """

    grade: Document
    level: LevelCurve
    measured: tuple[tuple[str, str], ...] = ()
    speed: Document | None = None
    spectrum: Document | None = None
    curve: SpectrumCurve | None = None
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ToolPart:
    """One tool (or recordings of no named tool): summaries of the `grade` document, and the `diagnose` document."""

    tag: str | None
    sheet: ToolSheet | None
    summaries: tuple[Document, ...]
    recordings: tuple[RecordingPart, ...]
    diagnosis: Document | None = None
    why_no_diagnosis: str | None = None


@dataclass(frozen=True)
class Report:
    """A whole page: one or several tools, their ranking where there are several, remarks on all of it."""

    title: str | None
    tools: tuple[ToolPart, ...]
    ranking: Document | None = None
    notices: tuple[Notice, ...] = ()
