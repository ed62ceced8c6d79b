"""Gravity left in the samples: found from the mean vector, taken out by a stated high-pass."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from vibekit.errors import Notice
from vibekit.recording.recording import Block, FloatArray, Origin
from vibekit.units import STANDARD_GRAVITY

CORNER_HZ = 0.5  # far below 6.3 Hz, where this filter takes 2e-5 of the amplitude
TOLERANCE = 0.05  # of gravity: offsets and scale errors of phone and board sensors
PROBE_S = 2.0
_SETTLED_S = 1.0


def is_gravity(mean: FloatArray) -> bool:
    """Tell whether a mean vector of three axes [m/s²] is as long as gravity."""
    return mean.size == 3 and bool(abs(np.linalg.norm(mean) - STANDARD_GRAVITY) < TOLERANCE * STANDARD_GRAVITY)


def unit_from_gravity(mean: FloatArray) -> str:
    """Return what the mean vector of three axes suggests about their unit; a proposal for a message, never a choice."""
    with np.errstate(over="ignore"):
        length = float(np.linalg.norm(mean)) if mean.size == 3 else 0.0
    for unit, gravity in (("m/s2", STANDARD_GRAVITY), ("g", 1.0), ("mg", 1000.0)):
        if abs(length - gravity) < TOLERANCE * gravity:
            return f" (the mean of {length:.4g} is what gravity gives in {unit})"
    return ""


def without_gravity(blocks: Iterator[Block], rate: float) -> Iterator[Block]:
    """Yield blocks after a second-order Butterworth high-pass at 0.5 Hz, started from the mean of the first second."""
    from scipy.signal import butter, sosfilt, sosfilt_zi

    sections = butter(2, CORNER_HZ, "highpass", fs=rate, output="sos")
    state: FloatArray | None = None
    for block in blocks:
        if state is None:
            mean = block.acceleration[:, : max(1, round(_SETTLED_S * rate))].mean(axis=1)
            state = sosfilt_zi(sections)[:, None, :] * mean[None, :, None]
        filtered, state = sosfilt(sections, block.acceleration, axis=1, zi=state)
        yield replace(block, acceleration=filtered)


def gravity_removed(origin: Origin) -> Origin:
    """Return the origin with the step and the notice that gravity was taken out."""
    stated = origin.facts.includes_gravity is True
    found = "as the sidecar says" if stated else "the mean vector of the first 2 s is as long as gravity"
    notice = Notice(
        "gravity_removed",
        "info" if stated else "caution",
        f"gravity was in the samples ({found}): taken out by a high-pass at {CORNER_HZ:g} Hz",
        value=CORNER_HZ,
        remedy=None if stated else "say includes_gravity = true or false in the sidecar",
    )
    step = f"gravity taken out by a high-pass at {CORNER_HZ:g} Hz (Butterworth, second order)"
    return replace(origin, notices=(*origin.notices, notice)).step(step)
