"""Calibrations worked out by hand: a tone of known steps, rests of known lengths, and what their documents say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.documents import notice_of, said, sound
from vibekit.errors import RecordingLimitError
from vibekit.recording.calibrate import (
    CalibrationResult,
    drift_notice,
    refused_document,
    rest_calibration,
    rest_vectors,
    tone_calibration,
)
from vibekit.recording.recording import Origin, Recording

G = 9.80665
RATE = 6400.0
SIX = np.concatenate([np.eye(3), -np.eye(3)])


def wave(frequency: float = 160.0, seconds: float = 8.0, rms: float = 0.02) -> np.ndarray:
    return np.asarray(rms * np.sqrt(2) * np.sin(2 * np.pi * frequency * np.arange(round(seconds * RATE)) / RATE))


def of(*axes: np.ndarray, names: tuple[str, ...] = ("x", "y", "z"), rate: float = RATE) -> Recording:
    return Recording(np.stack(axes), rate, names[: len(axes)], Origin("tone.wav"))


def test_a_tone_by_hand() -> None:
    """0.02 of full scale r.m.s. at 10 m/s² makes 500 m/s². Every other half second is 1 % more, the others 1 % less.

    Standard deviation of 16 such steps: 1 %·sqrt(16/15); of their mean a quarter of it (JCGM 100:2008, 4.2.3).
    """
    steps = np.repeat(np.tile([1.01, 0.99], 8), 3200)
    recording = of(0.03 * wave() + 0.001, steps * wave(), 0.01 * wave() - 0.002)
    document = sound(tone_calibration(recording, 10.0).to_dict(), "calibrate")
    scatter = (16 / 15) ** 0.5
    notices = [document.pop(key) for key in ("document", "version", "notices")][-1]
    offset, cross = document.pop("offset"), document.pop("cross_axis")
    assert document == {
        "method": "tone",
        "files": ["tone.wav"],
        "full_scale": "500 m/s2",
        "full_scale_mps2": pytest.approx(500.0),
        "sensitivity": {"x": None, "y": pytest.approx(500.0), "z": None},
        "expanded_uncertainty_pct": pytest.approx(np.hypot(3.0, 2 * scatter / 4)),
        "axis": "y",
        "frequency_hz": pytest.approx(160.0, abs=1e-3),
        "level_mps2": 10.0,
        "impurity_pct": pytest.approx(0.0, abs=1e-3),
        "stability_pct": pytest.approx(scatter, rel=1e-4),
        "segments": 16,
    }
    assert offset == pytest.approx({"x": 0.5, "y": 0.0, "z": -1.0}, abs=1e-6)
    assert cross == {"y to x": pytest.approx(3.0, abs=1e-3), "y to z": pytest.approx(1.0, abs=1e-3)}
    assert [(n["code"], n["severity"]) for n in notices] == [("one_axis_calibrated", "info")]


def test_the_frequency_that_is_asked_for() -> None:
    """A louder tone on x is not taken where 160 Hz is asked for; within 3 % it may lie."""
    both = of(wave(300.0, rms=0.5), wave(), 0 * wave())
    assert tone_calibration(both, 10.0).details["axis"] == "x"
    found = tone_calibration(both, 10.0, 160.0)
    assert (found.details["axis"], found.full_scale_mps2) == ("y", pytest.approx(500.0, rel=1e-4))
    assert tone_calibration(of(wave(164.5)), 10.0, 160.0).details["frequency_hz"] == pytest.approx(164.5, abs=0.01)
    for asked, words in ((170.0, "no steady pure tone"), (4000.0, r"tone\.wav: sample rate cannot carry 4000.0 Hz")):
        with pytest.raises(RecordingLimitError, match=words):
            tone_calibration(of(wave()), 10.0, asked)
    slow = np.sqrt(2) * np.sin(2 * np.pi * 8.0 * np.arange(round(8 * RATE)) / RATE)  # the hand, not a calibrator
    assert tone_calibration(of(slow, wave(), 0 * slow), 10.0).details["frequency_hz"] == pytest.approx(160, abs=0.01)


def test_how_long_and_how_loud() -> None:
    assert tone_calibration(of(wave(seconds=2.0)), 10.0).details["segments"] == 4
    with pytest.raises(RecordingLimitError, match=r"tone\.wav: 1\.99 s: a tone needs 2 s"):
        tone_calibration(of(wave(seconds=1.99)), 10.0)
    with pytest.raises(RecordingLimitError, match=r"tone\.wav: holds no tone"):
        tone_calibration(of(0 * wave()), 10.0)
    assert tone_calibration(of(wave()), 10.0, level_uncertainty_pct=1.0).expanded_uncertainty_pct == pytest.approx(1.0)


@pytest.mark.parametrize(("line", "refused"), [(0.195, False), (0.205, True)])
def test_how_pure(line: float, refused: bool) -> None:
    """A second line beside the tone is its impurity: r.m.s. against r.m.s."""
    recording = of(wave() + line * wave(400.0))
    if refused:
        with pytest.raises(RecordingLimitError, match=r"160\.00 Hz on x, impurity 20\.5 % \(at most 20\)"):
            tone_calibration(recording, 10.0)
        return
    found = tone_calibration(recording, 10.0)
    impure = notice_of(found.notices, "impure_tone")
    assert (impure.severity, impure.value, impure.limit) == ("caution", pytest.approx(100 * line, rel=1e-3), 5.0)
    assert impure.remedy and impure.message.startswith("19 % ")


@pytest.mark.parametrize(("step", "refused"), [(0.0193, False), (0.0195, True)])
def test_how_steady(step: float, refused: bool) -> None:
    """Steps of ±p scatter by p·sqrt(16/15); 2 % are allowed."""
    recording = of(np.repeat(np.tile([1 + step, 1 - step], 8), 3200) * wave())
    if refused:
        with pytest.raises(RecordingLimitError, match=r"scatter 2\.01 % \(at most 2\)"):
            tone_calibration(recording, 10.0)
    else:
        assert tone_calibration(recording, 10.0).details["stability_pct"] == pytest.approx(1.993, abs=1e-3)


@pytest.mark.parametrize(
    ("frequency", "usual"), [(79.6, True), (78.1, True), (77.9, False), (100.0, False), (162.2, True), (162.5, False)]
)
def test_frequencies_that_calibrators_give(frequency: float, usual: bool) -> None:
    """500 and 1000 rad/s (ISO 8041, from memory), 79.577 and 159.155 Hz, within 2 %."""
    found = tone_calibration(of(wave(frequency)), 10.0)
    assert [n.code for n in found.notices] == ([] if usual else ["unusual_frequency"])
    if not usual:
        notice = notice_of(found.notices, "unusual_frequency")
        assert (notice.severity, notice.limit) == ("caution", 79.577)
        assert notice.value == pytest.approx(frequency, abs=0.01)
        assert f"{frequency:.2f} Hz" in notice.message and notice.remedy


@pytest.mark.parametrize(("share", "seen"), [(0.049, False), (0.051, True)])
def test_what_the_other_axes_show(share: float, seen: bool) -> None:
    found = tone_calibration(of(wave(), share * wave(), names=("x", "z")), 10.0)
    assert [n.code for n in found.notices] == (["cross_axis"] if seen else []) + ["one_axis_calibrated"]
    if seen:
        notice = notice_of(found.notices, "cross_axis")
        assert (notice.severity, notice.value, notice.limit) == ("caution", pytest.approx(5.1, abs=1e-3), 5.0)
        assert "axis z shows 5.1 % of the tone on x" in notice.message and notice.remedy
    one = notice_of(found.notices, "one_axis_calibrated")
    assert "only axis x" in one.message and one.remedy


@pytest.mark.parametrize(("after", "drifted"), [(524.9, False), (525.1, True), (475.1, False), (474.9, True)])
def test_drift(after: float, drifted: bool) -> None:
    """5 % of what it was before (common practice, no source)."""
    first = tone_calibration(of(wave()), 10.0)
    first = replace(first, full_scale_mps2=500.0)
    drift, notices = drift_notice(first, replace(first, full_scale_mps2=after))
    assert drift == pytest.approx(after / 5 - 100)
    assert bool(notices) is drifted
    if drifted:
        notice = said(notices[0])
        assert (notice.code, notice.severity, notice.value, notice.limit) == ("drift", "caution", drift, 5.0)
        assert f"{drift:+.2g} %" in notice.message and notice.remedy


def test_what_cannot_be_calibrated_is_said_in_the_document() -> None:
    document = sound(refused_document(("a.wav", "b.wav"), "no tone in a.wav"), "calibrate")
    (notice,) = document["notices"]
    assert (notice["code"], notice["severity"], notice["message"]) == ("no_calibration", "refusal", "no tone in a.wav")
    assert notice["remedy"]
    assert document["files"] == ["a.wav", "b.wav"]
    assert {key for key, value in document.items() if value is None} == {
        "method",
        "full_scale",
        "full_scale_mps2",
        "sensitivity",
        "offset",
        "cross_axis",
        "expanded_uncertainty_pct",
    }


def rests(vectors: np.ndarray) -> CalibrationResult:
    return rest_calibration(vectors, ("a.csv", "b.csv"))


def test_rests_by_hand() -> None:
    """Each of six sides twice, read 1 ± e long: the best scale is g / (1 + e²), the residuals e·g / sqrt(1 + e²).

    (Least squares of s·(1 + e) - 1 and s·(1 - e) - 1.) Twelve readings, six parameters; local gravity is ±0.3 %.
    """
    e = 0.02
    found = rests(np.concatenate([SIX * (1 + e), SIX * (1 - e)]))
    document = sound(found.to_dict(), "calibrate")
    scale = G / (1 + e**2)
    fit_pct = 100 * (12 * e**2 / (1 + e**2) / 6) ** 0.5
    assert (document["method"], document["files"]) == ("rests", ["a.csv", "b.csv"])
    assert document["full_scale"] == f"{scale:.5g} m/s2"
    assert document["full_scale_mps2"] == pytest.approx(scale)
    assert document["sensitivity"] == pytest.approx({"x": scale, "y": scale, "z": scale})
    assert document["offset"] == pytest.approx({"x": 0, "y": 0, "z": 0}, abs=1e-6)
    assert document["expanded_uncertainty_pct"] == pytest.approx((0.3**2 + (2 * fit_pct) ** 2) ** 0.5)
    assert (document["rests"], document["attitudes"]) == (12, 6)
    assert document["residual_mps2"] == pytest.approx(G * e / (1 + e**2) ** 0.5)
    (notice,) = document["notices"]
    assert (notice["code"], notice["severity"], notice["value"], notice["limit"]) == (
        "cross_axis_unknown",
        "info",
        12,
        9,
    )
    assert "12 rests" in notice["message"] and notice["remedy"]


def test_axes_of_different_scale() -> None:
    """One full scale is their geometric mean; how far they lie from it is in the uncertainty."""
    scales = np.array([1.03, 0.98, 1.0])
    mean = float(np.prod(scales)) ** (1 / 3)
    spread = 100 * max(abs(scales / mean - 1))
    found = rests(SIX * G / scales)
    assert found.full_scale_mps2 == pytest.approx(mean)
    assert found.expanded_uncertainty_pct == pytest.approx((0.3**2 + spread**2) ** 0.5)
    notice = notice_of(found.notices, "axes_differ")
    assert (notice.severity, notice.value, notice.limit) == ("caution", pytest.approx(spread), 2.0)
    assert f"{spread:.2g} %" in notice.message and notice.remedy
    twice = rests(np.concatenate([SIX, SIX]) * G / [1.01, 0.99, 1.0])
    assert [n.code for n in twice.notices] == ["cross_axis_unknown"]


def test_six_sides_laid_askew_need_no_more_than_scale_and_offset() -> None:
    """|T·(v - b)| = g with a diagonal T holds exactly for readings of any attitude."""
    turn, _ = np.linalg.qr(np.random.default_rng(2).standard_normal((3, 3)))
    scales, offset = np.array([1.02, 0.98, 1.01]), np.array([0.3, -0.2, 0.1])
    found = rests(G * SIX @ turn / scales + offset)
    assert list(found.sensitivity_mps2_per_unit.values()) == pytest.approx(scales, rel=1e-9)
    assert list(found.offset.values()) == pytest.approx(scales * offset, rel=1e-6)
    assert found.details["residual_mps2"] is None
    assert rests(np.concatenate([SIX, SIX]) @ turn * G).details["residual_mps2"] == pytest.approx(0.0, abs=1e-6)


def test_nine_attitudes_give_cross_axis() -> None:
    nine = np.concatenate([SIX, np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1]]) / 2**0.5])
    body = np.array([[1.0, 0.02, 0.0], [0.0, 1.0, -0.01], [0.0, 0.0, 1.0]])
    found = rests(np.linalg.solve(body, G * nine.T).T)
    assert list(found.cross_axis.values()) == pytest.approx([2.0, 0.0, -1.0], abs=1e-6)
    left = notice_of(found.notices, "no_residual")  # nine parameters from nine rests
    assert (left.severity, left.value, left.limit) == ("info", 9, 10)
    assert left.message.startswith("9 rests") and left.remedy
    tenth = rests(np.linalg.solve(body, G * np.concatenate([nine, -nine[8:]]).T).T)
    assert tenth.notices == () and tenth.details["residual_mps2"] == pytest.approx(0.0, abs=1e-6)
    assert found.expanded_uncertainty_pct == pytest.approx(0.3, abs=1e-6)


@pytest.mark.parametrize(("degrees", "attitudes"), [(9.6, 5), (9.9, 6)])
def test_attitudes_ten_degrees_apart_are_two(degrees: float, attitudes: int) -> None:
    """A chord of 0.17 of the length is 2·asin(0.085) = 9.75 degrees, in whatever unit."""
    angle = np.radians(degrees)
    tilted = np.concatenate([SIX[:5], [[np.cos(angle), np.sin(angle), 0.0]]]) * 16384
    with pytest.raises(RecordingLimitError) as caught:
        rests(tilted)
    assert str(caught.value).startswith("a.csv, b.csv: ")
    assert ("5 different attitudes" in str(caught.value)) is (attitudes == 5)
    with pytest.raises(RecordingLimitError, match=r"^rests: 3 different"):
        rest_calibration(SIX[:3])


def held(*frames: float, rate: float = 200.0, shake: float = 0.0) -> Recording:
    """Return frames of 0.25 s, each at its own value along z, shaken along x by so much r.m.s."""
    z = np.repeat(frames, round(rate / 4))
    x = shake * np.tile([1.0, -1.0], z.size // 2)
    return of(x, 0 * z, z, rate=rate)


def test_a_rest_is_a_second_of_frames_without_its_ends() -> None:
    """Four frames; the first and the last may hold the way there, so the two in the midst count. In any unit."""
    for rate in (8.0, 200.0):
        np.testing.assert_allclose(rest_vectors(held(990, 1000, 1010, 1020, rate=rate)), [[0, 0, 1005.0]])
        with pytest.raises(RecordingLimitError, match=r"tone\.wav: is nowhere at rest"):
            rest_vectors(held(990, 1000, 1010, rate=rate))
    two = rest_vectors(held(*[1000.0] * 4, *[-1000.0] * 4, *[-1000.0 * 1.16] * 4))
    np.testing.assert_allclose(two, [[0, 0, 1000], [0, 0, -1000 * (6 + 3 * 0.16) / 6]], rtol=0.02)


@pytest.mark.parametrize(("shake", "still"), [(0.019, True), (0.021, False)])
def test_a_frame_at_rest_shakes_by_less_than_a_fiftieth(shake: float, still: bool) -> None:
    recording = held(*[1000.0] * 8, shake=1000.0 * shake)
    if still:
        assert len(rest_vectors(recording)) == 1
    else:
        with pytest.raises(RecordingLimitError, match="nowhere at rest"):
            rest_vectors(recording)
