"""What a recording must have before anything is computed from it: length, band, lines it can carry, clipping."""

from __future__ import annotations

from collections.abc import Sequence

from vibekit.recording.timing import Timing
from vibekit.recording.toolsheet import ToolSheet

MIN_USABLE_S = 2.0  # below this no magnitude is stated (project rule)
RELIABLE_S = 8.0  # ISO 5349-2 5.4.1 (from memory): samples shorter than 8 s are unreliable
MAX_CLIPPED_PCT = 0.05  # share of samples at full scale from which a magnitude is a lower bound only (no source)
GRADE_BAND_HZ = (6.3, 1250.0)  # one-third-octave mid-frequencies of ISO 5349-1 / ISO 5349-2 6.1.2.2
BLIND_BAND_HZ = 630.0  # a band that ends below needs a tool sheet to be trusted (common practice, no source)
INSTRUMENT_BAND = 0.45  # of the rate: usual corner of an instrument's anti-alias filter (common practice, no source)
SENSOR_BAND = 0.40  # of the rate: own low-pass of a phone or MEMS sensor (BMI088 driver comment)


def band_covered(
    sample_rate: float, sensor_band_hz: Sequence[float] | None, timing: Timing | None
) -> tuple[float, float]:
    """Return the band that the recording carries with its true amplitude, low and high end [Hz].

    The stated flat band of sensor and mounting, cut at 0.45 of the sample rate; where the samples come with
    timestamps (phone and board logs, whose own low-pass is unknown) at 0.40 of the mean rate. An unknown low
    end is 0: sensors of this kind reach down to gravity.
    """
    high = INSTRUMENT_BAND * sample_rate if timing is None else SENSOR_BAND * min(sample_rate, timing.mean_rate_hz)
    low, top = sensor_band_hz if sensor_band_hz is not None else (0.0, high)
    return float(low), float(min(top, high))


def shaft_lines(tool: ToolSheet) -> list[tuple[str, float]]:
    """Return the lines that carry a tool's hand-arm vibration: once per turn of every shaft, twice of the output."""
    lines = [(f"{name} 1x", hz) for name, hz in tool.rated_hz.items()]
    output = tool.output_shaft
    if output is not None and output in tool.rated_hz:
        lines.append((f"{output} 2x", 2.0 * tool.rated_hz[output]))
    return lines


def lines_beyond(tool: ToolSheet | None, band: tuple[float, float]) -> list[tuple[str, float]]:
    """Return name and frequency [Hz] of the tool's rated lines that `band` cannot carry.

    Lines above 1250 Hz are left out: they do not count for the hand (ISO 5349-1 clause 1).
    """
    if tool is None:
        return []
    return [(name, hz) for name, hz in shaft_lines(tool) if band[1] < hz <= GRADE_BAND_HZ[1]]


def folded_hz(frequency_hz: float, sample_rate: float) -> float:
    """Return where a line appears after sampling without a low-pass [Hz]; itself up to half the rate."""
    rest = frequency_hz % sample_rate
    return min(rest, sample_rate - rest)
