"""A few missing samples filled in from those around them: least-squares prediction from both sides.

A straight line would cut the waves short and put slow pulses in their place, which the hand-arm weighting magnifies.
"""

from __future__ import annotations

import numpy as np

from vibekit.recording.recording import FloatArray

_CONTEXT = 8  # times the order, on either side


def order_for(missing: int) -> int:
    """Return the order of the predictor for a number of missing samples (Janssen et al. 1986, from memory)."""
    return 3 * missing + 2


def bridged(before: FloatArray, after: FloatArray, missing: int) -> FloatArray:
    """Return `missing` rows that fit between `before` and `after`, shape (n, n_channels); never beyond their range.

    Source: Janssen, Veldhuis, Vries, Adaptive interpolation of discrete-time signals that can be modeled as
    autoregressive processes, IEEE Trans. ASSP 34 (1986) 317-330, one iteration with coefficients from what is known.
    """
    order = order_for(missing)
    before, after = before[-_CONTEXT * order :], after[: _CONTEXT * order]
    if min(len(before), len(after)) < 2 * order:
        share = np.arange(1, missing + 1)[:, None] / (missing + 1)
        return np.asarray(before[-1] + share * (after[0] - before[-1]))
    columns = (_one(b, a, missing, order) for b, a in zip(before.T, after.T, strict=True))
    return np.stack(list(columns), axis=1)


def _one(before: FloatArray, after: FloatArray, missing: int, order: int) -> FloatArray:
    mean = float(np.concatenate([before, after]).mean())
    before, after = before - mean, after - mean
    windows = np.lib.stride_tricks.sliding_window_view
    seen = np.concatenate([windows(before, order + 1), windows(after, order + 1)])
    products = seen.T @ seen
    ridge = 1e-9 * products[0, 0] + 1e-30
    past = np.linalg.solve(products[:order, :order] + ridge * np.eye(order), products[:order, order])
    error = np.append(-past, 1.0)  # of a window: what is predicted from its first samples off its last
    known = np.concatenate([before[-order:], np.zeros(missing), after[:order]])
    errors = windows(known, order + 1) @ error
    # errors depend on the unknown samples through the same coefficients, one row a window
    rows = np.arange(errors.size)[:, None]
    lag = np.arange(missing)[None, :] + order - rows
    inside = (lag >= 0) & (lag <= order)
    matrix = np.where(inside, error[np.clip(lag, 0, order)], 0.0)
    found = np.linalg.lstsq(matrix, -errors, rcond=None)[0]
    low, high = (float(f(np.append(before, after))) for f in (np.min, np.max))
    return np.asarray(np.clip(found, low, high) + mean)
