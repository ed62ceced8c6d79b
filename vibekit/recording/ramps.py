"""A tool switched within a few steps: a ramp of the amplitude fitted to the energies around the edge."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from vibekit.recording.recording import FloatArray

FULL = 0.7  # of the plateau's energy: the edge lies before (no source)
_FOOT = 0.08  # of the plateau's energy: the edge lies after (no source)
_SHARPEST, _WINDOW = 4, 12  # steps between the two at most: a ramp of 80 ms; steps that are fitted, half on each side
_LEVEL = 6  # steps, 0.1 s, over which the plateau is taken
_MOST = 1.25  # times the plateau: what a click at a hard stop adds is no part of a ramp (no source)
_LONGEST, _FINE = 5.0, 8  # steps that a fitted ramp takes at most; places tried per step, 2 ms apart


def ramp(course: FloatArray, floor: float, high: int, first: int, stop: int) -> tuple[float, float] | None:
    """Return where a rise begins and where it is complete [steps], None where it takes more than some steps.

    `high` is the first step of nearly full energy; the rest before it begins at `first`, the plateau ends at `stop`.
    """
    plateau = course[high + 1 : min(high + 1 + _LEVEL, stop)]
    level = float(plateau.mean() if plateau.size else course[high]) - floor
    near = (course[max(first, high - _SHARPEST) : high] - floor) / level
    if near.size and not (near <= _FOOT).any():
        return None
    begin, shape = high - _WINDOW // 2, np.zeros(_WINDOW)
    shape[_WINDOW // 2 :] = 1.0
    a, b = max(first, begin), min(stop, begin + _WINDOW)
    shape[a - begin : b - begin] = np.clip((course[a:b] - floor) / level, 0.0, _MOST)
    edges, models, squares = _ramps()
    best = edges[np.argmin(squares - 2.0 * models @ shape)]
    return begin + float(best[0]), begin + float(best[1])


@lru_cache(maxsize=1)
def _ramps() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return start and end of ramps of the amplitude in a window, their energies per step, and the sums of squares."""
    starts = np.arange(_FINE, (_WINDOW // 2 + 1) * _FINE + 1) / _FINE
    edges = np.array([(start, start + length) for start in starts for length in np.arange(0.0, _LONGEST + 0.1, 0.5)])
    start, length = edges[:, :1], np.maximum(np.diff(edges, axis=1), 1e-9)
    since = np.maximum(np.arange(_WINDOW + 1) - start, 0.0)
    part = np.minimum(since / length, 1.0)
    straight, rounded = (
        part**3 / 3.0,
        0.375 * part - np.sin(np.pi * part) / (2.0 * np.pi) + np.sin(2.0 * np.pi * part) / (16.0 * np.pi),
    )
    models = np.diff(0.5 * length * (straight + rounded) + np.maximum(since - length, 0.0), axis=1)
    return edges, models, np.square(models).sum(axis=1)
