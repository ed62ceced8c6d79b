"""An array of times beside arrays of samples: its unit, how finely it is written, and the clock it gives."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError
from vibekit.recording.recording import BLOCK_SAMPLES, FloatArray
from vibekit.recording.text_names import column_name
from vibekit.recording.timing import Clock, measure_clock

_PROBE = 4096  # stamps that show how finely they are written
_FINEST = 12  # decimals
_ASSUMED_SECONDS = 0.5  # a step below this many, of stamps without unit, is taken as seconds
_SAME_RATE = 0.05  # of a rate that the file states beside its times: a sensor's nominal rate is that far off

Stamps = Callable[[], Iterator[FloatArray]]


def clock_of(path: Path, times: dict[str, Any], n: int, stated_hz: float | None) -> tuple[Clock, Stamps] | None:
    """Return the clock of `n` samples and their stamps [s] chunk by chunk, from the one array of times of that length.

    Raises:
        InputError: several such arrays, no known unit, times that run back or stand still, or another rate stated.
    """
    fitting = [name for name, array in times.items() if np.ndim(array) == 1 and len(array) == n]
    if not fitting:
        return None
    if len(fitting) > 1:
        raise InputError(f"{path}: holds several arrays of times ({', '.join(fitting[:6])}): leave one")
    name = fitting[0]
    values = np.asarray(times[name])
    if values.dtype.kind not in "fiu" or not np.isfinite(values).all():
        raise InputError(f"{path}: array {name!r} holds times that are not finite numbers")
    unit_s = _unit_s(path, name, values)

    def stamps() -> Iterator[FloatArray]:
        return (
            (values[i : i + BLOCK_SAMPLES] - values[0]).astype(np.float64) * unit_s for i in range(0, n, BLOCK_SAMPLES)
        )

    clock = measure_clock(stamps(), unit_s * _written_to(values), f"{path}: array {name!r}")
    measured = clock.timing.mean_rate_hz
    if stated_hz is not None and abs(stated_hz / measured - 1.0) > _SAME_RATE:
        raise InputError(
            f"{path}: states {stated_hz:.6g} Hz, its array {name!r} comes at {measured:.6g} Hz: one of them is wrong"
        )
    return clock, stamps


def _unit_s(path: Path, name: str, values: Any) -> float:
    said = column_name(name.replace("/", ".").rsplit(".", 1)[-1]).time_unit_s
    if said is not None:
        return said
    step = float(values[-1] - values[0]) / max(len(values) - 1, 1)
    if not 0 < step < _ASSUMED_SECONDS:
        raise InputError(
            f"{path}: array {name!r} does not say its unit and steps by {step:g}: name it time_s or time_ms"
        )
    return 1.0


def _written_to(values: Any) -> float:
    """Return the power of ten that all of the first stamps are multiples of, in their unit."""
    first = np.asarray(values[:_PROBE], dtype=np.float64)
    for decimals in range(_FINEST):
        scaled = (first - first[0]) * 10.0**decimals
        if np.abs(scaled - np.round(scaled)).max() < 1e-3:
            return float(10.0**-decimals)
    return float(10.0**-_FINEST)
