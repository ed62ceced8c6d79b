"""Lost samples: nothing of the rest is dropped, a handful is bridged, what is unknown is neither signal nor rest."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.io
from numpy.typing import NDArray

import vibekit as vk
from tests.documents import said

Array = NDArray[np.float64]
RATE = 2000.0


def tool(seconds: float, on: tuple[tuple[float, float], ...], amplitude: float = 20.0) -> Array:
    """Return x, y, z of a tool of 100 Hz that runs over the stretches `on` and rests at 0.05 m/s² else."""
    t = np.arange(round(seconds * RATE)) / RATE
    running = np.zeros(t.size)
    for start, end in on:
        running[round(start * RATE) : round(end * RATE)] = 1.0
    line = amplitude * running * np.sin(2 * np.pi * 100.0 * t)
    rest = 0.05 * np.random.default_rng(5).standard_normal((3, t.size))
    return line * np.array([[1.0], [0.6], [0.2]]) + rest


def write(path: Path, samples: Array, lost: tuple[tuple[float, float], ...] = (), offset: float = 0.0) -> Path:
    kept = np.ones(samples.shape[1], dtype=bool)
    for start, length in lost:
        kept[round(start * RATE) : round((start + length) * RATE)] = False
    rows = np.column_stack([np.arange(kept.size) / RATE, samples.T + np.array([0.0, 0.0, offset])])[kept]
    np.savetxt(path, rows, "%.5f", ",", header="time [s],x [m/s2],y [m/s2],z [m/s2]", comments="")
    return path


def total(amplitude: float = 20.0) -> float:
    """Return a_hv of the tool while it runs: the r.m.s. of its line times |Wh| of the analogue definition."""
    return amplitude / np.sqrt(2) * np.sqrt(1 + 0.36 + 0.04) * float(vk.weighting_factor(100.0))


@pytest.mark.parametrize(
    ("lost", "unknown_s", "places"),
    [
        ((), 0.0, 0),
        (tuple((2.0 + 3.0 * i, 0.004) for i in range(8)), 0.0, 8),
        (tuple((2.0 + 3.0 * i, 0.4) for i in range(8)), 3.2, 0),
        (((5.0, 8.0), (20.0, 1.5)), 9.5, 0),
        (((0.9, 0.011),), 0.011, 0),
    ],
)
def test_a_running_tool_keeps_its_magnitude_and_its_time(
    tmp_path: Path, lost: tuple[tuple[float, float], ...], unknown_s: float, places: int
) -> None:
    found = vk.grade(vk.open_recording(write(tmp_path / "a.csv", tool(30.0, ((0.0, 30.0),)), lost)))
    assert found.a_hv_mps2 == pytest.approx(total(), rel=0.002)
    assert found.trigger_on_s == pytest.approx(30.0 - unknown_s, abs=0.002)
    codes = {n.code: n for n in found.notices}
    assert ("gaps" in codes) == (unknown_s > 0) and ("samples_bridged" in codes) == (places > 0)
    if unknown_s:
        assert codes["gaps"].value == pytest.approx(unknown_s, abs=1e-6)
        assert f"may have run up to {unknown_s:.3g} s longer" in codes["gaps"].message
    if places:
        assert codes["samples_bridged"].value == 8 * places and codes["samples_bridged"].severity == "info"
    for notice in codes.values():
        said(notice)


def test_a_gap_is_no_rest_and_no_running(tmp_path: Path) -> None:
    """On for 12 s of 40; gaps within the run, at its edge, and within the rest. Truth: the signal as made."""
    on, lost = ((4.0, 16.0),), ((6.0, 2.0), (15.5, 1.0), (25.0, 9.0))
    found = vk.grade(vk.open_recording(write(tmp_path / "a.csv", tool(40.0, on), lost)))
    assert found.a_hv_mps2 == pytest.approx(total(), rel=0.01)
    assert found.trigger_on_s == pytest.approx(12.0 - 2.5, rel=0.06)  # edges as fine as the trigger's frames
    assert found.duration_s == pytest.approx(40.0)


def test_gravity_beside_gaps_makes_no_step(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", tool(30.0, ((0.0, 30.0),)), ((7.0, 3.0), (20.0, 0.5)), offset=9.81)
    found = vk.grade(vk.open_recording(path))
    assert "gravity_removed" in {n.code for n in found.notices}
    assert found.a_hv_mps2 == pytest.approx(total(), rel=0.005)
    assert found.running_max_mps2 == pytest.approx(total(), rel=0.02)


def test_gaps_throughout_are_refused(tmp_path: Path) -> None:
    """A gap of 0.1 s twice a second leaves no time in which the filters have settled."""
    lost = tuple((0.1 + 0.35 * i, 0.1) for i in range(80))
    found = vk.grade(vk.open_recording(write(tmp_path / "a.csv", tool(30.0, ((0.0, 30.0),)), lost)))
    assert found.a_hv_mps2 is None and not found.gradeable
    assert "too_short" in {n.code for n in found.notices if n.severity == "refusal"}


def test_much_that_is_bridged_is_a_caution(tmp_path: Path) -> None:
    lost = tuple((0.2 + 0.2 * i, 0.004) for i in range(140))
    found = vk.grade(vk.open_recording(write(tmp_path / "a.csv", tool(30.0, ((0.0, 30.0),)), lost)))
    (notice,) = (n for n in found.notices if n.code == "samples_bridged")
    assert (notice.severity, notice.value) == ("caution", 1120)
    assert "1120 samples are missing in 140 places" in notice.message and "low by up to 0.93 %" in notice.message
    assert found.a_hv_mps2 == pytest.approx(total(), rel=0.0093)


@pytest.mark.parametrize("size", [64, 1000, 65536])
def test_checks_take_a_gap_for_nothing(tmp_path: Path, size: int) -> None:
    """A tool at rest whose log has a gap: no stuck samples in it."""
    samples = np.round(tool(40.0, ((2.0, 12.0),)), 1)
    samples[:, 24_000:] = 0.1 * (np.arange(56_000) % 3 == 0)
    whole = vk.check(vk.open_recording(write(tmp_path / "a.csv", samples)))
    gappy = vk.check(vk.open_recording(write(tmp_path / "b.csv", samples, ((20.0, 6.0),))))
    status = [{c.name: c.status for c in report.checks} for report in (whole, gappy)]
    assert status[1] == {**status[0], "timing": "doubtful"}


def test_the_machine_looks_at_one_piece_and_says_so(tmp_path: Path) -> None:
    stream = vk.open_recording(write(tmp_path / "a.csv", tool(40.0, ((0.0, 40.0),)), ((5.0, 0.5), (30.0, 2.0))))
    recording = stream.read()
    assert recording.n_samples == 80_000
    for result in (vk.estimate_speed(recording), vk.spectrum(recording), vk.diagnose(recording)):
        (notice,) = (n for n in result.notices if n.code == "longest_piece")
        said(notice)
        assert "5.50 to 30.00 s of 40 s" in notice.message
    start = vk.read(tmp_path / "a.csv", start_s=31.0)
    assert start.origin.timing is not None and start.origin.timing.gaps == ((0.0, pytest.approx(1.0)),)


@pytest.mark.parametrize("kind", ["npz", "mat"])
def test_times_beside_arrays(tmp_path: Path, kind: str) -> None:
    """The same recording with the same gaps as text, and as arrays with their times in milliseconds."""
    samples, lost = tool(20.0, ((0.0, 20.0),)), ((4.0, 2.0), (15.0, 0.002))
    as_text = vk.read(write(tmp_path / "a.csv", samples, lost))
    kept = np.loadtxt(tmp_path / "a.csv", delimiter=",", skiprows=1).T
    arrays = {**dict(zip("xyz", kept[1:], strict=True)), "time_ms": 1000.0 * kept[0], "unit": "m/s2"}
    path = tmp_path / f"b.{kind}"
    if kind == "npz":
        np.savez(path, **arrays)
    else:
        scipy.io.savemat(path, arrays)
    found = vk.read(path)
    assert found.origin.timing is not None and as_text.origin.timing is not None
    np.testing.assert_allclose(found.origin.timing.gaps, as_text.origin.timing.gaps, atol=1e-6)
    np.testing.assert_allclose(found.samples, as_text.samples, atol=1e-6)
    assert {"gaps", "samples_bridged"} <= {n.code for n in found.origin.notices}
    np.savez(tmp_path / "c.npz", **arrays, sample_rate_hz=5000.0)
    with pytest.raises(vk.InputError, match=r"states 5000 Hz, its array 'time_ms' comes at 2000 Hz"):
        vk.read(tmp_path / "c.npz")
    arrays["time"] = arrays.pop("time_ms")
    np.savez(tmp_path / "d.npz", **arrays)
    with pytest.raises(vk.InputError, match=r"array 'time' does not say its unit and steps by 0\.5"):
        vk.read(tmp_path / "d.npz")
