"""What a recording must have before anything is computed from it: length, band, lines it can carry, clipping."""

from __future__ import annotations

from collections.abc import Sequence

from vibekit.errors import Notice
from vibekit.recording.timing import Timing
from vibekit.recording.toolsheet import ToolSheet

MIN_USABLE_S = 2.0  # below this no magnitude is stated (project rule)
RELIABLE_S = 8.0  # ISO 5349-2 5.4.1 (from memory): samples shorter than 8 s are unreliable
MAX_CLIPPED_PCT = 0.05  # share of samples at full scale from which a magnitude is a lower bound only (no source)
GRADE_BAND_HZ = (6.3, 1250.0)  # one-third-octave mid-frequencies of ISO 5349-1 / ISO 5349-2 6.1.2.2
BLIND_BAND_HZ = 630.0  # a band that ends below needs a tool sheet to be trusted (common practice, no source)
BLIND_LOW_HZ = 12.5  # and so does one that begins above: an octave of the band is missing, as at its other end
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
    """Return name and frequency [Hz] of the tool's rated lines that `band` cannot carry, above it or below.

    Lines above 1250 Hz are left out: they do not count for the hand (ISO 5349-1 clause 1).
    """
    if tool is None:
        return []
    return [(name, hz) for name, hz in shaft_lines(tool) if hz <= GRADE_BAND_HZ[1] and not band[0] <= hz <= band[1]]


def covers_all(band: tuple[float, float]) -> bool:
    """Tell whether a band holds all one-third-octaves that count for the hand."""
    return band[0] <= GRADE_BAND_HZ[0] and band[1] >= GRADE_BAND_HZ[1]


def band_notice(tool: ToolSheet | None, band: tuple[float, float], who: str = "") -> Notice | None:
    """Return what a band leaves out for the hand: a refusal where the tool's lines may be among it; None if nothing."""
    if covers_all(band):
        return None
    low, high = band
    covers, remedy = (
        f"{who}covers {low:.3g} to {high:.4g} Hz",
        ("use a sensor and recorder that carry 6.3 to 1250 Hz (at least 3200 samples per second)"),
    )
    at_low = high >= GRADE_BAND_HZ[1]
    beyond = lines_beyond(tool, band)
    if beyond:
        lines = ", ".join(f"{name} {hz:.0f} Hz" for name, hz in beyond)
        edge, lost = (high, max(hz for _, hz in beyond)) if beyond[-1][1] > high else (low, min(hz for _, hz in beyond))
        message = f"{covers} and cannot carry the tool's lines ({lines})"
        return Notice("band_misses_lines", "refusal", message, edge, lost, remedy)
    if not (tool and tool.rated_hz) and (high < BLIND_BAND_HZ or low > BLIND_LOW_HZ):
        message = f"{covers}, and no tool sheet says that the tool's lines lie inside"
        edge, needed = (high, BLIND_BAND_HZ) if high < BLIND_BAND_HZ else (low, BLIND_LOW_HZ)
        return Notice("band_too_narrow", "refusal", message, edge, needed, f"name a tool sheet, or {remedy}")
    left_out = "below" if at_low else "above" if low <= GRADE_BAND_HZ[0] else "below and above"
    message = f"{covers} of the 6.3 to 1250 Hz of Wh: what lies {left_out} is left out, and the true a_hv is higher"
    edge, whole = (low, GRADE_BAND_HZ[0]) if at_low else (high, GRADE_BAND_HZ[1])
    return Notice("band_incomplete", "caution", message, edge, whole, remedy)


def length_notice(on_s: float) -> Notice | None:
    """Return what a time with the trigger on is too short for: a refusal, a caution, or None. ISO 5349-2 5.4.1."""
    if on_s < MIN_USABLE_S:
        message, remedy = f"{on_s:.1f} s with the trigger on are too short for a magnitude", "at a steady trigger"
        return Notice("too_short", "refusal", message, round(on_s, 3), MIN_USABLE_S, f"record at least 20 s {remedy}")
    if on_s < RELIABLE_S:
        message = f"{on_s:.1f} s are less than the 8 s that ISO 5349-2 calls for"
        return Notice("short", "caution", message, round(on_s, 3), RELIABLE_S, "record at least 20 s, three times")
    return None


def folded_hz(frequency_hz: float, sample_rate: float) -> float:
    """Return where a line appears after sampling without a low-pass [Hz]; itself up to half the rate."""
    rest = frequency_hz % sample_rate
    return min(rest, sample_rate - rest)
