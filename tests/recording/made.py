"""Measures of a recording made by hand, so that a check meets exactly the figure that it is about."""

from __future__ import annotations

from typing import Any

import numpy as np

from vibekit.recording.check_result import Check, Context
from vibekit.recording.measures import Histogram, Measures, Run, Spectra
from vibekit.recording.recording import Origin
from vibekit.recording.toolsheet import ToolSheet

Array = np.ndarray[Any, np.dtype[np.float64]]


def spectra(
    density: Array, step_hz: float, quiet: Array | None = None, shares: float = 0.0, slope_shares: float = 0.0
) -> Spectra:
    """Return spectra of lines `step_hz` apart; every axis has one segment whose lines have these squared shares."""
    density = np.atleast_2d(density)
    return Spectra(
        np.arange(density.shape[1]) * step_hz,
        density,
        density if quiet is None else np.atleast_2d(quiet),
        np.full((len(density), 1), shares),
        np.full((len(density), 1), slope_shares),
    )


def measures(
    seconds: float = 20.0,
    rate: float = 1000.0,
    rms: tuple[float, ...] = (3.0, 2.0, 1.0),
    mean: tuple[float, ...] | None = None,
    correlation: float = 0.0,
    lsb: float = 0.0,
    level: Array | float = 10.0,
    kurtosis: float | tuple[float, ...] = 3.0,
    slope: float = 5.0,
    slope_kurtosis: float | tuple[float, ...] = 3.0,
    runs: tuple[Run, ...] = (),
    found: Spectra | None = None,
    at_ceiling: int = 0,
    repeats: float = 0.0,
) -> Measures:
    """Return measures of a recording: the frames' level [m/s²] in equal parts on every axis, with that kurtosis.

    `slope` is the r.m.s. difference from sample to sample [m/s²] on every axis.
    """
    n = len(rms)
    scale = np.array(rms)
    covariance = np.outer(scale, scale) * (correlation + (1 - correlation) * np.eye(n))
    frames = np.full(int(seconds * 8), level) if np.isscalar(level) else np.asarray(level)
    square = np.tile(np.asarray(frames, dtype=float) ** 2 / n, (n, 1))
    slope_square = np.full(square.shape, slope**2)
    by_axis = [np.broadcast_to(np.array(k, dtype=float).reshape(-1, 1), (n, 1)) for k in (kurtosis, slope_kurtosis)]
    bell = np.round(1000 * np.exp(-((np.arange(200) - 99.5) ** 2) / 1600)).astype(np.int64)
    return Measures(
        round(seconds * rate),
        rate,
        np.zeros(n) if mean is None else np.array(mean),
        covariance,
        np.full(n, -10.0),
        np.full(n, 10.0),
        tuple(Histogram(-10.0, 0.1, bell) for _ in range(n)),
        (),
        np.full(n, at_ceiling),
        np.full(n, lsb),
        np.full(square.shape, -10.0),
        np.full(square.shape, 10.0),
        square,
        np.arange(square.shape[1]),
        square**2 * by_axis[0],
        slope_square,
        slope_square**2 * by_axis[1],
        np.full(square.shape, repeats),
        runs,
        found if found is not None else spectra(np.ones((n, 2001)), 0.25),
    )


def context(
    band: tuple[float, float] = (0.0, 3000.0),
    tool: ToolSheet | None = None,
    axes: tuple[str, ...] = ("x", "y", "z"),
    **origin: Any,
) -> Context:
    """Return what is known beside the samples."""
    return Context(Origin("r.wav", **origin), axes, tool, band)


def figures(check: Check | None) -> tuple[str, float | None, float | None]:
    """Return status, value and limit of a check, after holding its words to their form."""
    assert check is not None
    assert len(check.message.split()) > 1 and "None" not in check.message
    assert len(check.source.split()) > 1
    assert check.name and check.name == check.name.lower()
    if check.status == "pass":
        assert check.remedy is None, check
    else:
        assert check.remedy and len(check.remedy.split()) > 1
    keys = {"name", "status", "value", "limit", "message", "source", "remedy", "true_above_pct"}
    assert set(check.to_dict()) == keys
    if check.status == "pass":
        assert check.true_above_pct is None
    elif check.true_above_pct is not None:
        assert -100 <= check.true_above_pct[0] <= check.true_above_pct[1]
    return check.status, check.value, check.limit
