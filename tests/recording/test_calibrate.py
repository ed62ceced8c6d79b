"""Calibration from a tone and from rests; SciPy and the linear ellipsoid fit as references."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import vibekit as vk
from vibekit.errors import InputError, RecordingLimitError
from vibekit.recording.calibrate import drift_notice, rest_calibration, rest_vectors, tone_calibration
from vibekit.recording.recording import Recording
from vibekit.recording.sidecar import enter_in_sidecar, load_sidecar

G = 9.80665
BODY = np.array([[1.02, 0.012, -0.006], [0.0, 0.98, 0.02], [0.0, 0.0, 1.01]])
OFFSET = np.array([0.3, -0.2, 0.1])
SIX = np.concatenate([np.eye(3), -np.eye(3)])
EDGES = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1], [1, -1, 0], [-1, 1, 1], [1, 1, -1]]) / 1.0
MANY = np.concatenate([SIX, EDGES / np.linalg.norm(EDGES, axis=1)[:, None]])


def tone(frequency: float, rate: float = 6400.0, full_scale: float = 500.0, noise: float = 0.0) -> Recording:
    time = np.arange(round(8 * rate)) / rate
    wave = 10 * np.sqrt(2) * np.sin(2 * np.pi * frequency * time + 0.7) / full_scale
    random = np.random.default_rng(0)
    samples = np.stack([0.02 * wave, wave, 0.01 * wave]) + noise * random.standard_normal((3, time.size)) + 0.001
    return Recording(samples, rate)


@pytest.mark.parametrize("rate", [1000.0, 3200.0, 48000.0])
@pytest.mark.parametrize("frequency", [79.577, 80.3, 159.155])
def test_tone_gives_the_full_scale(frequency: float, rate: float) -> None:
    found = tone_calibration(tone(frequency, rate), 10.0)
    assert found.full_scale_mps2 == pytest.approx(500.0, rel=1e-4)
    assert found.details["frequency_hz"] == pytest.approx(frequency, abs=0.01)
    assert found.details["axis"] == "y"
    assert found.cross_axis == {"y to x": pytest.approx(2.0, abs=0.01), "y to z": pytest.approx(1.0, abs=0.01)}
    assert found.offset["x"] == pytest.approx(0.5, abs=0.01)


def test_purity_is_the_residual_and_the_uncertainty_grows_with_it() -> None:
    """Noise of r.m.s. s beside a tone of r.m.s. a: impurity s / a."""
    clean, noisy = (tone_calibration(tone(159.155, noise=n), 10.0) for n in (0.0, 0.001))
    assert noisy.details["impurity_pct"] == pytest.approx(100 * 0.001 / (10 / 500), rel=0.02)
    assert noisy.full_scale_mps2 == pytest.approx(500, rel=2e-3)
    assert 3.0 <= clean.expanded_uncertainty_pct < noisy.expanded_uncertainty_pct < 4


def test_what_is_no_tone_is_refused() -> None:
    noise = Recording(np.random.default_rng(1).standard_normal((3, 20000)), 6400.0)
    with pytest.raises(RecordingLimitError, match="no steady pure tone"):
        tone_calibration(noise, 10.0)
    whole = tone(159.155)
    fading = Recording(whole.samples * np.linspace(1, 0.8, whole.n_samples), 6400.0)
    with pytest.raises(RecordingLimitError, match="scatter"):
        tone_calibration(fading, 10.0)
    with pytest.raises(RecordingLimitError, match="2 s"):
        tone_calibration(Recording(whole.samples[:, :9000], 6400.0), 10.0)


def test_drift_between_two_tones() -> None:
    before, after = (tone_calibration(tone(159.155, full_scale=fs), 10.0) for fs in (500.0, 540.0))
    drift, notices = drift_notice(before, after)
    assert drift == pytest.approx(8.0, abs=0.01)
    assert [n.code for n in notices] == ["drift"]
    assert drift_notice(before, before) == (0.0, [])


def readings(directions: np.ndarray, body: np.ndarray = BODY) -> np.ndarray:
    return np.linalg.solve(body, G * directions.T).T + OFFSET


def test_six_rests_give_offset_and_scale() -> None:
    found = rest_calibration(readings(SIX, np.diag(np.diag(BODY))))
    assert list(found.sensitivity_mps2_per_unit.values()) == pytest.approx([1.02, 0.98, 1.01], rel=1e-9)
    assert [found.offset[a] / s for a, s in zip("xyz", (1.02, 0.98, 1.01), strict=True)] == pytest.approx(OFFSET)
    assert set(found.cross_axis.values()) == {None}
    assert "cross_axis_unknown" in {n.code for n in found.notices}


def test_twelve_rests_give_cross_axis_too() -> None:
    found = rest_calibration(readings(MANY))
    assert list(found.sensitivity_mps2_per_unit.values()) == pytest.approx([1.02, 0.98, 1.01], rel=1e-8)
    expected = [100 * 0.012 / 0.98, -100 * 0.006 / 1.01, 100 * 0.02 / 1.01]
    assert list(found.cross_axis.values()) == pytest.approx(expected, rel=1e-6)


def test_ellipsoid_fit_against_the_linear_least_squares_solution() -> None:
    """Reference: the algebraic ellipsoid v'Av + b'v = 1 solved by numpy's lstsq, and its Cholesky factor."""
    random = np.random.default_rng(4)
    directions = random.standard_normal((60, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    vectors = readings(directions) + 1e-4 * random.standard_normal((60, 3))
    x, y, z = vectors.T
    terms = np.stack([x * x, y * y, z * z, 2 * x * y, 2 * x * z, 2 * y * z, x, y, z], axis=1)
    q = np.linalg.lstsq(terms, np.ones(60), rcond=None)[0]
    matrix = np.array([[q[0], q[3], q[4]], [q[3], q[1], q[5]], [q[4], q[5], q[2]]])
    centre = -0.5 * np.linalg.solve(matrix, q[6:])
    transform = np.linalg.cholesky(matrix / (1 + centre @ matrix @ centre)).T * G
    found = rest_calibration(vectors)
    assert list(found.sensitivity_mps2_per_unit.values()) == pytest.approx(np.diag(transform), rel=1e-4)
    assert [found.offset[a] for a in "xyz"] == pytest.approx(np.diag(transform) * centre, abs=1e-3)


def test_too_few_or_too_equal_attitudes_are_refused() -> None:
    with pytest.raises(RecordingLimitError, match="5 different attitudes"):
        rest_calibration(readings(SIX[:5]))
    tilted = np.array([[1, 0.2 * i, 0.0] for i in range(-4, 5)])
    with pytest.raises(RecordingLimitError, match="too much alike"):
        rest_calibration(readings(tilted / np.linalg.norm(tilted, axis=1)[:, None]))


def test_rests_in_one_file_with_pauses() -> None:
    random = np.random.default_rng(6)
    parts = []
    for vector in readings(MANY):
        parts += [np.tile(vector, (400, 1)), vector + 4 * random.standard_normal((150, 3))]
    samples = np.concatenate(parts).T + 0.02 * random.standard_normal((3, 12 * 550))
    vectors = rest_vectors(Recording(samples, 200.0))
    np.testing.assert_allclose(vectors, readings(MANY), atol=0.01)
    with pytest.raises(RecordingLimitError, match="nowhere at rest"):
        rest_vectors(Recording(5 * random.standard_normal((3, 4000)), 200.0))


def test_sidecar_keeps_what_stood_in_it(tmp_path: Path) -> None:
    recording = tmp_path / "run.wav"
    (tmp_path / "run.toml").write_text(
        '# mine\n[recording]\ntool = "t.toml"\nfull_scale = "1 g" \n[sensor]\nmass_g = 3\n'
    )
    enter_in_sidecar(recording, {"full_scale": "493.2 m/s2", "calibration_uncertainty_pct": 3.1})
    facts, sensor = load_sidecar(recording)
    assert (facts.full_scale, facts.tool, facts.calibration_uncertainty_pct) == ("493.2 m/s2", "t.toml", 3.1)
    assert sensor.mass_g == 3
    assert (tmp_path / "run.toml").read_text().startswith("# mine\n")
    assert [p.name for p in tmp_path.iterdir()] == ["run.toml"]
    enter_in_sidecar(tmp_path / "new.wav", {"full_scale": "50 g"})
    assert load_sidecar(tmp_path / "new.wav")[0].full_scale == "50 g"
    (tmp_path / "bad.toml").write_text("[recording]\nfoo = 1\n")
    with pytest.raises(InputError, match="unknown key"):
        enter_in_sidecar(tmp_path / "bad.wav", {"full_scale": "50 g"})


def test_calibration_feeds_reading(tmp_path: Path) -> None:
    import soundfile

    found = tone_calibration(tone(159.155), 10.0)
    soundfile.write(tmp_path / "a.wav", tone(159.155).samples.T, 6400, subtype="DOUBLE")
    enter_in_sidecar(tmp_path / "a.wav", {"full_scale": found.full_scale})
    y = vk.read(tmp_path / "a.wav").samples[1]
    assert y.std() == pytest.approx(10.0, rel=1e-4)
