"""What is to be said of a speed beside its figures: what it contradicts, what it leaves open, why there is none."""

from __future__ import annotations

from collections.abc import Mapping

from vibekit.errors import Notice
from vibekit.machine.speed.states import MOST_DROOP
from vibekit.machine.tracks.target import READ_RANGE
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import hz_to_rpm


def not_tied(tool: ToolSheet | None, of: str, ratios: Mapping[str, float]) -> list[Notice]:
    """Return which shafts' speeds remain unknown although the sheet has the one followed."""
    names = [shaft.name for shaft in tool.shafts] if tool else []
    untied = [name for name in names if name not in ratios]
    if not untied or of not in names:
        return []
    return [
        Notice(
            "shaft_not_tied",
            "info",
            f"speed of {', '.join(untied)} not determined: the sheet does not give the teeth between it and {of}",
            remedy="driver_teeth and driven_teeth of the mesh in the tool sheet",
        )
    ]


def not_as_read(
    read: float | None, tool: ToolSheet | None, of: str, ratios: Mapping[str, float], middle_hz: float
) -> list[Notice]:
    """Return that the speed is not the one read by other means: neither load nor its lack explains the difference."""
    shaft = (tool.output_shaft if tool else None) or of
    if read is None or shaft not in ratios:
        return []
    times = ratios[shaft] * middle_hz / read
    if READ_RANGE[0] <= times <= READ_RANGE[1]:
        return []
    return [
        Notice(
            "speed_not_as_read",
            "caution",
            f"{shaft} turns at {hz_to_rpm(times * read):.0f} rpm, {times:.3g} times the spindle_rpm of the sidecar: "
            "one of the two is wrong",
            value=hz_to_rpm(times * read),
            limit=hz_to_rpm(read),
            remedy="read it again, or leave spindle_rpm out",
        )
    ]


def droop_not_told(of: str, share: float, rated_hz: float) -> Notice:
    """Return that a speed under load and the rated one are of different settings or tools."""
    return Notice(
        "droop_not_told",
        "caution",
        f"{of} turns at {100.0 * share:.0f} % of its rated no-load speed, which no load explains: no droop is told",
        value=share,
        limit=1.0 - MOST_DROOP,
        remedy="record some seconds without load in the same setting of the dial, or correct rated_rpm",
    )


def too_short(seconds: float, least_s: float) -> Notice:
    """Return that a recording is too short."""
    return Notice(
        "too_short",
        "refusal",
        f"{seconds:.2f} s is too short to tell a speed",
        value=seconds,
        limit=least_s,
        remedy=f"record at least {least_s:g} s of running",
    )


def too_slow(rate_hz: float, least_hz: float) -> Notice:
    """Return that a recording was sampled too slowly for any tool."""
    return Notice(
        "rate_too_low",
        "refusal",
        f"{rate_hz:g} samples per second cannot carry the line of any shaft",
        value=rate_hz,
        limit=least_hz,
        remedy="sample at 3200 Hz or more",
    )
