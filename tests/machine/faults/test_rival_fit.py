"""The fit of the judgement table: against an ordinary logistic regression, and shares known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from tests.benchmarks.rival_fit import Suspects, fit_rivals
from vibekit.recording.recording import FloatArray


def _suspects(x: FloatArray, guilty: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Suspects:
    n = x.shape[1]
    free = [(None, None)] * n
    return Suspects(x, np.zeros(len(x)), np.arange(len(x)), guilty, free, np.zeros(n), np.zeros((n, n)))


def test_one_suspect_per_recording_is_a_logistic_regression() -> None:
    """Compared with SciPy's minimiser on the textbook likelihood Σ log(1 + exp(z)) - y·z."""
    rng = np.random.default_rng(1)
    x = np.concatenate([np.ones((400, 1)), rng.standard_normal((400, 2))], axis=1)
    guilty = rng.random(400) < 1 / (1 + np.exp(-x @ [-1.0, 2.0, -0.5]))
    (found,) = fit_rivals([_suspects(x, guilty)], np.ones(400))
    expected = minimize(lambda w: np.sum(np.logaddexp(0, x @ w) - guilty * (x @ w)), np.zeros(3)).x
    assert found == pytest.approx(expected, abs=1e-3)


def test_shares_without_evidence_are_the_shares_that_were_there() -> None:
    """Of 100 tools 20 have fault a, 30 fault b, none both: log-odds against the 50 healthy ones are log(20/50), ..."""
    one = np.ones((100, 1))
    index = np.arange(100)
    a, b = fit_rivals([_suspects(one, index < 20), _suspects(one, index >= 70)], np.ones(100))
    assert a[0] == pytest.approx(np.log(20 / 50), abs=1e-3)
    assert b[0] == pytest.approx(np.log(30 / 50), abs=1e-3)


def test_evidence_that_all_suspects_share_does_not_set_one_over_the_other() -> None:
    """A loud octave is met with either fault, never without: both rise against a healthy tool by the same amount."""
    index = np.arange(120)
    loud = (index < 40).astype(float)
    x = np.stack([np.ones(120), loud], axis=1)
    faults = [_suspects(x, index < 20), _suspects(x, (index >= 20) & (index < 40))]
    faults = [Suspects(**{**vars(f), "stiffness": np.diag([0.0, 0.05])}) for f in faults]
    a, b = fit_rivals(faults, np.ones(120))
    assert a[1] == pytest.approx(b[1], abs=1e-3)
    assert a[1] > 3.0


def test_recordings_of_no_weight_teach_nothing() -> None:
    one, index = np.ones((100, 1)), np.arange(100)
    (found,) = fit_rivals([_suspects(one, index < 50)], (index >= 40).astype(float))
    assert found[0] == pytest.approx(np.log(10 / 50), abs=1e-3)
