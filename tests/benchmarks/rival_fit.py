"""Fit log-odds against a healthy tool, where every recording has several suspects and at most a few are guilty.

All suspects of one recording compete: suspect k is guilty with probability exp(L_k) / (1 + Σ exp(L)), the tool healthy
with 1 / (1 + Σ exp(L)) (multinomial logit, McFadden 1974), L = offset + x·w. So a feature that every suspect shares,
such as the level of an octave, speaks against health without setting one suspect over the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.recording.recording import FloatArray

Bound = tuple[float | None, float | None]
_MOST = 30.0  # log-odds beyond mean nothing


@dataclass(frozen=True)
class Suspects:
    """The suspects of one fault: `x` (n, n_weights), `offset` of their log-odds, the `event` (recording) of each.

    `guilty` tells which are; the weights lie within `bounds` and are drawn to `centre` by the quadratic form
    `stiffness` (n_weights, n_weights).
    """

    x: FloatArray
    offset: FloatArray
    event: NDArray[np.int64]
    guilty: NDArray[np.bool_]
    bounds: Sequence[Bound]
    centre: FloatArray
    stiffness: FloatArray

    def log_odds(self, weights: FloatArray) -> FloatArray:
        """Return the log-odds of every suspect against a healthy tool, shape (n,)."""
        return np.asarray(self.offset + self.x @ weights)


def fit_rivals(faults: Sequence[Suspects], weight: FloatArray) -> list[FloatArray]:
    """Return the weights of every fault of largest likelihood, less half the quadratic forms.

    `weight` of each event, shape (n_events,), 0 leaves it out. Several guilty suspects share an event.
    """
    from scipy.optimize import minimize

    shown = [_shown(fault, weight) for fault in faults]
    guilty = np.zeros(weight.size)
    for fault in shown:
        np.add.at(guilty, fault.event, fault.guilty)
    due = [np.where(f.guilty, weight[f.event] / np.maximum(guilty[f.event], 1.0), 0.0) for f in shown]
    ends = np.cumsum([fault.centre.size for fault in shown])[:-1]

    def loss(p: FloatArray) -> tuple[float, FloatArray]:
        parts = np.split(p, ends)
        odds = [np.clip(f.log_odds(w), -_MOST, _MOST) for f, w in zip(shown, parts, strict=True)]
        total = np.ones(weight.size)
        for fault, values in zip(shown, odds, strict=True):
            np.add.at(total, fault.event, np.exp(values))
        value, slopes = float(weight @ np.log(total)), []
        for fault, values, own, w in zip(shown, odds, due, parts, strict=True):
            pull = fault.stiffness @ (w - fault.centre)
            value += float(0.5 * (w - fault.centre) @ pull - own @ values)
            excess = weight[fault.event] * np.exp(values) / total[fault.event] - own
            slopes.append(fault.x.T @ excess + pull)
        return value, np.concatenate(slopes)

    bounds = [bound for fault in shown for bound in fault.bounds]
    start = np.concatenate([fault.centre for fault in shown])
    found = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500, "maxfun": 600})
    return list(np.split(np.asarray(found.x), ends))


def _shown(fault: Suspects, weight: FloatArray) -> Suspects:
    """Return the suspects of the events that count."""
    keep = weight[fault.event] > 0
    return Suspects(
        fault.x[keep],
        fault.offset[keep],
        fault.event[keep],
        fault.guilty[keep],
        fault.bounds,
        fault.centre,
        fault.stiffness,
    )
