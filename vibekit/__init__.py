"""vibekit: recordings of handheld rotary tools, turned into grade, allowed trigger time and shake source."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibekit.errors import (
        InputError as InputError,
    )
    from vibekit.errors import (
        Notice as Notice,
    )
    from vibekit.errors import (
        RecordingLimitError as RecordingLimitError,
    )
    from vibekit.errors import (
        UsageError as UsageError,
    )
    from vibekit.errors import (
        VibekitError as VibekitError,
    )

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
    "grade": "vibekit.handarm.magnitude",
    "daily_exposure": "vibekit.handarm.exposure",
    "estimate_speed": "vibekit.machine.speed",
    "spectrum": "vibekit.machine.lines",
    "diagnose": "vibekit.machine.diagnosis",
    "simulate": "vibekit.simulate.session",
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
