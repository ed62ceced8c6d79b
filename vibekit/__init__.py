"""vibekit: recordings of handheld rotary tools, turned into grade, allowed trigger time and shake source."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # one line per public name; the same names stand in _HOME
    from vibekit.errors import (
        InputError as InputError,
        Notice as Notice,
        RecordingLimitError as RecordingLimitError,
        UsageError as UsageError,
        VibekitError as VibekitError,
    )
    from vibekit.handarm.exposure import daily_exposure as daily_exposure
    from vibekit.handarm.grading import grade as grade
    from vibekit.handarm.weighting import weight as weight, weighting_factor as weighting_factor
    from vibekit.machine.faults.diagnosis import diagnose as diagnose
    from vibekit.machine.lines.power_cepstrum import cepstrum as cepstrum
    from vibekit.machine.lines.table import LineSpectrum as LineSpectrum, spectrum as spectrum
    from vibekit.machine.speed.estimate import SpeedEstimate as SpeedEstimate, estimate_speed as estimate_speed
    from vibekit.recording.calibration import Calibration as Calibration
    from vibekit.recording.quality import check as check
    from vibekit.recording.readers import open_recording as open_recording, read as read
    from vibekit.recording.recording import Recording as Recording, RecordingStream as RecordingStream
    from vibekit.recording.toolsheet import ToolSheet as ToolSheet, load_tool as load_tool

_HOME = {
    "InputError": "vibekit.errors",
    "Notice": "vibekit.errors",
    "RecordingLimitError": "vibekit.errors",
    "UsageError": "vibekit.errors",
    "VibekitError": "vibekit.errors",
    "Calibration": "vibekit.recording.calibration",
    "Recording": "vibekit.recording.recording",
    "RecordingStream": "vibekit.recording.recording",
    "open_recording": "vibekit.recording.readers",
    "read": "vibekit.recording.readers",
    "ToolSheet": "vibekit.recording.toolsheet",
    "load_tool": "vibekit.recording.toolsheet",
    "check": "vibekit.recording.quality",
    "weighting_factor": "vibekit.handarm.weighting",
    "weight": "vibekit.handarm.weighting",
    "grade": "vibekit.handarm.grading",
    "daily_exposure": "vibekit.handarm.exposure",
    "SpeedEstimate": "vibekit.machine.speed.estimate",
    "estimate_speed": "vibekit.machine.speed.estimate",
    "LineSpectrum": "vibekit.machine.lines.table",
    "spectrum": "vibekit.machine.lines.table",
    "cepstrum": "vibekit.machine.lines.power_cepstrum",
    "diagnose": "vibekit.machine.faults.diagnosis",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used, so that `import vibekit` costs nothing."""
    if name not in _HOME:
        raise AttributeError(f"module 'vibekit' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_HOME))
