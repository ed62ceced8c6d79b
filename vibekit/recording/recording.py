"""The recording: calibrated acceleration with its provenance, whole in memory or block by block."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import InitVar, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import InputError, Notice, UsageError
from vibekit.recording.calibration import Calibration
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.toolsheet import ToolSheet

if TYPE_CHECKING:
    from vibekit.recording.timing import Timing

FloatArray = NDArray[np.float64]

BLOCK_SAMPLES = 65536
ACCELERATION_AXES = ("x", "y", "z")
LARGEST = 1e9  # [m/s²], and of a raw channel: no sensor gives more, and its square is still a number


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

    `samples` [m/s²], shape (n_axes, n_samples), read-only, rows in the order of `axes` (x, y, z, each at most once);
    `tach` and `sound` are raw channels, shape (n_samples,), or None. What is given is copied unless it is frozen.

    `unit` ("g") or `calibration` says what the samples given are in, where that is not m/s²; it is applied here, once,
    and stands afterwards in `origin`.

    Raises:
        InputError: samples, axes, rate and channels that are no recording; samples that are masked or not finite.
        UsageError: `unit` is not one of acceleration, or `calibration` is given as well.
    """

    samples: FloatArray
    sample_rate: float
    axes: tuple[str, ...] = ACCELERATION_AXES
    origin: Origin = field(default_factory=Origin)
    tach: FloatArray | None = None
    sound: FloatArray | None = None
    weighted: bool = False
    unit: InitVar[str | None] = None
    calibration: InitVar[Calibration | None] = None

    def __post_init__(self, unit: str | None, calibration: Calibration | None) -> None:
        name = self.origin.file or "recording"
        axes = _axes(name, self.axes)
        samples = np.atleast_2d(_numbers(name, "samples", self.samples))
        if samples.ndim != 2 or samples.shape[0] != len(axes):
            raise InputError(f"{name}: samples of shape {samples.shape} do not fit axes {', '.join(axes)}")
        if samples.shape[1] == 0:
            raise InputError(f"{name}: holds no samples")
        scale = _scale(unit, calibration)
        if scale is not None:
            samples = samples * scale.mps2_per_unit
            origin = replace(self.origin, calibration=scale).step(f"calibrated: {scale.origin}")
            object.__setattr__(self, "origin", origin)
        object.__setattr__(self, "samples", _frozen(name, "sample", samples))
        object.__setattr__(self, "sample_rate", _rate(name, self.sample_rate))
        object.__setattr__(self, "axes", axes)
        for channel in ("tach", "sound"):
            if (given := getattr(self, channel)) is not None:
                object.__setattr__(self, channel, _raw(name, channel, given, samples.shape[1]))

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
            _locked(np.concatenate([block.acceleration for block in blocks], axis=1)),
            self.sample_rate,
            self.axes,
            self.origin,
            _join([block.tach for block in blocks]),
            _join([block.sound for block in blocks]),
        )


def _join(parts: list[FloatArray | None]) -> FloatArray | None:
    present = [part for part in parts if part is not None]
    return _locked(np.concatenate(present)) if present else None


def _axes(name: str, axes: Iterable[str]) -> tuple[str, ...]:
    found = tuple(axes)
    for axis in found:
        if axis not in ACCELERATION_AXES:
            raise InputError(
                f"{name}: axis {axis!r} is not x, y or z: only acceleration stands in samples (give tach= and sound=)"
            )
        if found.count(axis) > 1:
            raise InputError(f"{name}: axis {axis!r} stands twice in {', '.join(found)}")
    return found


def _numbers(name: str, what: str, given: Any) -> FloatArray:
    """Return what is given as float64, not yet copied; a masked array is refused where a value is masked."""
    hidden = getattr(given, "mask", False)
    if isinstance(hidden, np.ndarray) and hidden.any():
        at = int(np.argmax(np.atleast_2d(hidden).any(axis=0)))
        raise InputError(f"{name}: {what} are masked at {at}: what is masked is unknown: give a stretch that is known")
    array = np.asarray(given)
    if array.dtype.kind not in "fiu":
        raise InputError(f"{name}: {what} of kind {array.dtype} are not real numbers")
    return array.astype(np.float64, copy=False)


def _scale(unit: str | None, calibration: Calibration | None) -> Calibration | None:
    if unit is not None and calibration is not None:
        raise UsageError(f"unit {unit} and a calibration ({calibration.origin}) are given: leave one out")
    return calibration if unit is None else Calibration.unit(unit)


def _rate(name: str, rate: Any) -> float:
    if isinstance(rate, bool) or not isinstance(rate, int | float | np.number) or not 0 < rate < np.inf:
        raise InputError(f"{name}: sample rate {rate!r} must be greater than zero, in Hz")
    return float(rate)


def _raw(name: str, channel: str, given: Any, n_samples: int) -> FloatArray:
    values = _numbers(name, channel, given)
    if values.shape != (n_samples,):
        raise InputError(f"{name}: {channel} of shape {values.shape} does not fit {n_samples} samples")
    return _frozen(name, channel, values)


def _frozen(name: str, what: str, values: FloatArray) -> FloatArray:
    """Return values that nobody can change: a copy, unless they are frozen down to what they are a view of."""
    if values.size and not max(values.max(), -values.min()) <= LARGEST:
        rows = np.atleast_2d(values)
        at = int(np.argmax(~(np.abs(rows) <= LARGEST).all(axis=0)))
        why = "so large that no sensor gives it" if np.isfinite(rows[:, at]).all() else "not finite (NaN or infinite)"
        raise InputError(f"{name}: {what} {at} is {why}")
    return values if _is_frozen(values) else _locked(values.copy())


def _is_frozen(values: Any) -> bool:
    while isinstance(values, np.ndarray):
        if values.flags.writeable:
            return False
        values = values.base
    return values is None


def _locked(values: FloatArray) -> FloatArray:
    values.flags.writeable = False
    return values
