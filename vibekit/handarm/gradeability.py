"""Whether a recording can carry a grade at all: length, band, clipping - and what to say when it cannot."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from vibekit.errors import Notice
from vibekit.recording.limits import BLIND_BAND_HZ, MAX_CLIPPED_PCT, MIN_USABLE_S, RELIABLE_S, lines_beyond
from vibekit.recording.recording import BLOCK_SAMPLES, Block, Origin, SignalSource
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import parse_acceleration

AT_THE_END = 0.999  # of the range: a sample from here on is clipped
FULL_BAND_HZ = 1250.0  # highest one-third-octave of Wh, ISO 5349-2:2001 6.1.2.2


class ClippingCount:
    """A source that counts clipped samples per axis while it is read."""

    def __init__(self, source: SignalSource) -> None:
        self._source = source
        self._limit = _range_mps2(source.origin)
        self._clipped = np.zeros(len(source.axes))
        self._seen = 0

    @property
    def sample_rate(self) -> float:
        """Samples per second [Hz]."""
        return self._source.sample_rate

    @property
    def axes(self) -> tuple[str, ...]:
        """Axes in row order."""
        return self._source.axes

    @property
    def origin(self) -> Origin:
        """Provenance of the source."""
        return self._source.origin

    @property
    def weighted(self) -> bool:
        """Whether the source is weighted."""
        return self._source.weighted

    @property
    def n_samples(self) -> int | None:
        """Samples per axis, None where unknown."""
        return self._source.n_samples

    @property
    def share(self) -> float:
        """Largest share of clipped samples of any axis (0..1)."""
        return float(self._clipped.max() / self._seen) if self._seen else 0.0

    def blocks(self, size: int = BLOCK_SAMPLES) -> Iterator[Block]:
        """Yield the source's blocks, counting on the way."""
        for block in self._source.blocks(size):
            self._seen += block.acceleration.shape[1] if block.known is None else int(block.known.sum())
            if self._limit is not None and block.acceleration.size:
                self._count(block, AT_THE_END * self._limit)
            yield block

    def _count(self, block: Block, level: float) -> None:
        if block.acceleration.max() >= level or block.acceleration.min() <= -level:
            self._clipped += (np.abs(block.acceleration) >= level).sum(axis=1)


def _range_mps2(origin: Origin) -> float | None:
    """Return the largest acceleration the chain can state [m/s²]: the file's full scale or the sensor's range."""
    known = [origin.calibration.full_scale_mps2]
    if origin.sensor.range is not None:
        known.append(parse_acceleration(origin.sensor.range))
    return min((value for value in known if value is not None), default=None)


def reasons_against(tool: ToolSheet | None, band_hz: tuple[float, float], on_s: float, clipped: float) -> list[Notice]:
    """Return what limits the grade: refusals first mean that no value may be given, cautions that it is doubtful."""
    return [*_length(on_s), *_clipping(clipped), *_band(tool, band_hz)]


def _length(on_s: float) -> list[Notice]:
    if on_s < MIN_USABLE_S:
        return [
            Notice(
                "too_short",
                "refusal",
                f"{on_s:.1f} s with the trigger on are too short for a magnitude",
                round(on_s, 3),
                MIN_USABLE_S,
                "record at least 20 s at a steady trigger",
            )
        ]
    if on_s < RELIABLE_S:
        return [
            Notice(
                "short",
                "caution",
                f"{on_s:.1f} s are less than the 8 s that ISO 5349-2 calls for",
                round(on_s, 3),
                RELIABLE_S,
                "record at least 20 s, three times",
            )
        ]
    return []


def _clipping(clipped: float) -> list[Notice]:
    if clipped <= 0:
        return []
    return [
        Notice(
            "clipped",
            "refusal" if 100 * clipped > MAX_CLIPPED_PCT else "caution",
            f"{100 * clipped:.3g} % of the samples of an axis stand at the end of the range: the true value is higher",
            100 * clipped,
            MAX_CLIPPED_PCT,
            "use a sensor or setting with a wider range",
        )
    ]


def _band(tool: ToolSheet | None, band_hz: tuple[float, float]) -> list[Notice]:
    low, high = band_hz
    remedy = "use a sensor and recorder that carry 6.3 to 1250 Hz (at least 3200 samples per second)"
    beyond = lines_beyond(tool, band_hz)
    if beyond:
        lines = ", ".join(f"{name} {hz:.0f} Hz" for name, hz in beyond)
        message = f"covers only {low:.3g} to {high:.3g} Hz and cannot carry the tool's lines ({lines})"
        return [Notice("band_misses_lines", "refusal", message, high, max(hz for _, hz in beyond), remedy)]
    if high >= FULL_BAND_HZ:
        return []
    if not (tool and tool.rated_hz) and high < BLIND_BAND_HZ:
        message = f"covers only {low:.3g} to {high:.3g} Hz, and no tool sheet says that the tool's lines lie inside"
        return [Notice("band_too_narrow", "refusal", message, high, BLIND_BAND_HZ, f"name a tool sheet, or {remedy}")]
    message = f"covers {low:.3g} to {high:.3g} Hz of the 6.3 to 1250 Hz of Wh: what lies above is left out"
    return [Notice("band_incomplete", "caution", message, high, FULL_BAND_HZ, remedy)]
