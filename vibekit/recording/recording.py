"""The recording: calibrated acceleration with its provenance, whole in memory or block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import InputError, Notice
from vibekit.recording.calibration import Calibration
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.toolsheet import ToolSheet

if TYPE_CHECKING:
    from vibekit.recording.timing import Timing

FloatArray = NDArray[np.float64]

BLOCK_SAMPLES = 65536
ACCELERATION_AXES = ("x", "y", "z")


@dataclass(frozen=True)
class Origin:
    """Where a recording comes from: file, facts, calibration, tool, and a log line per step done to it."""

    file: str = ""
    path: Path | None = None
    facts: RecordingFacts = field(default_factory=RecordingFacts)
    sensor: SensorFacts = field(default_factory=SensorFacts)
    tool: ToolSheet | None = None
    calibration: Calibration = field(default_factory=lambda: Calibration.unit("m/s2"))
    timing: Timing | None = None
    log: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()

    def step(self, line: str) -> Origin:
        """Return the origin with one more log line."""
        return replace(self, log=(*self.log, line))


@dataclass(frozen=True)
class Block:
    """A stretch of a recording: `acceleration` [m/s²], shape (n_axes, n_samples); raw `tach` and `sound`.

    `known`, shape (n_samples,), is False where samples are missing and something stands in their place; None: nowhere.
    """

    start: int
    acceleration: FloatArray
    tach: FloatArray | None = None
    sound: FloatArray | None = None
    known: NDArray[np.bool_] | None = None


class SignalSource(Protocol):
    """What one-pass analyses need: a whole `Recording` or a `RecordingStream`."""

    @property
    def sample_rate(self) -> float: ...  # noqa: D102
    @property
    def axes(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def origin(self) -> Origin: ...  # noqa: D102
    @property
    def weighted(self) -> bool: ...  # noqa: D102
    @property
    def n_samples(self) -> int | None: ...  # noqa: D102
    def blocks(self, size: int = BLOCK_SAMPLES) -> Iterator[Block]: ...  # noqa: D102


@dataclass(frozen=True)
class Recording:
    """A whole recording in memory.

    `samples` [m/s²], shape (n_axes, n_samples), read-only, rows in the order of `axes`;
    `tach` and `sound` are raw channels, shape (n_samples,), or None.
    """

    samples: FloatArray
    sample_rate: float
    axes: tuple[str, ...] = ACCELERATION_AXES
    origin: Origin = field(default_factory=Origin)
    tach: FloatArray | None = None
    sound: FloatArray | None = None
    weighted: bool = False

    def __post_init__(self) -> None:
        samples = np.atleast_2d(np.asarray(self.samples, dtype=np.float64)).view()
        if samples.ndim != 2 or samples.shape[0] != len(self.axes):
            raise InputError(f"recording: samples of shape {samples.shape} do not fit axes {self.axes}")
        if samples.shape[1] == 0:
            raise InputError(f"{self.origin.file or 'recording'}: holds no samples")
        if not (np.isfinite(self.sample_rate) and self.sample_rate > 0):
            raise InputError(f"recording: sample rate {self.sample_rate!r} must be greater than zero")
        bad = np.flatnonzero(~np.isfinite(samples).all(axis=0))
        if bad.size:
            raise InputError(f"{self.origin.file or 'recording'}: sample {bad[0]} is not finite")
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)

    @property
    def n_samples(self) -> int:
        """Samples per axis."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length [s]."""
        return self.n_samples / self.sample_rate

    @property
    def tool(self) -> ToolSheet | None:
        """The tool sheet named beside the recording, if any."""
        return self.origin.tool

    def blocks(self, size: int = BLOCK_SAMPLES) -> Iterator[Block]:
        """Yield the recording in blocks of `size` samples, the last one shorter."""
        for start in range(0, self.n_samples, size):
            part = slice(start, start + size)
            yield Block(
                start,
                self.samples[:, part],
                None if self.tach is None else self.tach[part],
                None if self.sound is None else self.sound[part],
            )


@dataclass(frozen=True)
class RecordingStream:
    """A recording on disk, read block by block in bounded memory; `n_samples` is None where the file cannot say."""

    sample_rate: float
    axes: tuple[str, ...]
    n_samples: int | None
    origin: Origin
    read_blocks: Callable[[int], Iterator[Block]]
    weighted: bool = False

    @property
    def tool(self) -> ToolSheet | None:
        """The tool sheet named beside the recording, if any."""
        return self.origin.tool

    @property
    def duration_s(self) -> float | None:
        """Length [s], or None where the file cannot say before it is read."""
        return None if self.n_samples is None else self.n_samples / self.sample_rate

    def blocks(self, size: int = BLOCK_SAMPLES) -> Iterator[Block]:
        """Yield blocks of `size` samples [m/s²]; each call starts at the beginning.

        Raises:
            InputError: the file is corrupt, or a sample is not finite (its index is named).
        """
        return self.read_blocks(size)

    def read(self) -> Recording:
        """Return the whole recording in memory. Raises as `blocks`."""
        blocks = list(self.blocks())
        if not blocks:
            raise InputError(f"{self.origin.file}: holds no samples")
        return Recording(
            np.concatenate([block.acceleration for block in blocks], axis=1),
            self.sample_rate,
            self.axes,
            self.origin,
            _join([block.tach for block in blocks]),
            _join([block.sound for block in blocks]),
        )


def _join(parts: list[FloatArray | None]) -> FloatArray | None:
    present = [part for part in parts if part is not None]
    return np.concatenate(present) if present else None
