"""Timestamps as they come: rate, jitter, gaps, duplicates."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Timing:
    """What the timestamps of a recording say; steps in seconds."""

    mean_rate_hz: float
    median_step_s: float
    jitter_s: float
    largest_step_s: float
    gaps: int
    duplicates: int
    resampled: bool
