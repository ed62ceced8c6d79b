"""The grade: tones and noise through the whole path, its cuts, limits and refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.signal

import vibekit as vk
from tests.reference import rows
from vibekit.handarm.bands import crossfade
from vibekit.handarm.onepass import measure
from vibekit.handarm.summary import grade_document, summarise
from vibekit.recording.calibration import Calibration
from vibekit.recording.recording import Origin
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.toolsheet import parse_tool
from vibekit.standards import hand_arm_weighting as wh


def tone(
    frequency: float, rate: float, seconds: float, amplitudes: tuple[float, ...] = (3.0, 2.0, 1.0)
) -> vk.Recording:
    time = np.arange(round(seconds * rate)) / rate
    waves = [a * np.sqrt(2) * np.sin(2 * np.pi * frequency * time + i) for i, a in enumerate(amplitudes)]
    return vk.Recording(np.array(waves), rate)


@pytest.mark.parametrize("rate", [3200, 6400, 51200])
@pytest.mark.parametrize("frequency", [8.0, 79.577, 500.0, 1000.0, 1250.0])
def test_tones(rate: int, frequency: float) -> None:
    """Analogue curve of ISO 5349-1 Annex A; 79.577 Hz is the reference frequency of ISO 8041."""
    magnitude = vk.grade(tone(frequency, rate, 12))
    factor = float(vk.weighting_factor(frequency))
    tolerance = 0.01 if frequency > 1000 else 0.005
    for axis, rms in zip("xyz", (3.0, 2.0, 1.0), strict=True):
        assert magnitude.a_hw_mps2[axis] == pytest.approx(rms * factor, rel=tolerance)
    assert magnitude.a_hv_mps2 == pytest.approx(np.sqrt(14.0) * factor, rel=tolerance)
    assert magnitude.running_max_mps2 == pytest.approx(np.sqrt(14.0) * factor, rel=tolerance)


def test_noise_against_a_filter_designed_at_a_high_rate() -> None:
    """SciPy's bilinear filter is right far below its rate: noise up to 2 kHz sampled at 102.4 kHz."""
    rate, rng = 102_400, np.random.default_rng(3)
    low_pass = scipy.signal.butter(8, 2000, fs=rate, output="sos")
    noise = scipy.signal.sosfilt(low_pass, rng.standard_normal((3, 10 * rate)))
    b = np.polymul([1, 0, 0], [1, 2 * np.pi * wh.F3_HZ]) * (2 * np.pi * wh.F2_HZ) ** 2 * 2 * np.pi * wh.F4_HZ
    a = np.array([1.0])
    for f, q in ((wh.F1_HZ, wh.Q1), (wh.F2_HZ, wh.Q2), (wh.F4_HZ, wh.Q4)):
        a = np.polymul(a, [1, 2 * np.pi * f / q, (2 * np.pi * f) ** 2])
    z, p, k = scipy.signal.tf2zpk(b, a)
    sos = scipy.signal.zpk2sos(*scipy.signal.bilinear_zpk(z, p, k, rate))
    expected = np.sqrt(np.mean(scipy.signal.sosfilt(sos, noise)[:, rate // 2 :] ** 2, axis=1))
    magnitude = vk.grade(vk.Recording(noise, rate))
    for axis, value in zip("xyz", expected, strict=True):
        assert magnitude.a_hw_mps2[axis] == pytest.approx(value, rel=0.005)


def test_third_octave_bands_recombine_to_the_weighted_value() -> None:
    """ISO 5349-1 eq. A.3: a_hw = sqrt(Σ (W_i·a_i)²) with the printed factors, here within the band's slope."""
    rng = np.random.default_rng(1)
    samples = rng.standard_normal((3, 6400 * 60))
    magnitude = vk.grade(vk.Recording(samples, 6400))
    bands = magnitude.third_octave.values
    printed = np.array([factor for _, factor in wh.PRINTED_FACTORS])
    recombined = np.sqrt(((bands * printed) ** 2).sum(axis=1))
    expected = [magnitude.a_hw_mps2[axis] for axis in "xyz"]
    np.testing.assert_allclose(recombined, expected, rtol=0.03)


@pytest.mark.parametrize("rate", [6400, 44100, 51200])
def test_bands_meet_class_1_limits(rate: int) -> None:
    """IEC 61260-1 Table 1, class 1: relative attenuation at the published breakpoints, through the whole pass."""
    limits = [
        (float(row[f"rel_freq_{side}_computed"]), float(row["class1_min_dB"]), float(row["class1_max_dB"]))
        for row in rows("iec61260_third_octave_limits")
        for side in ("high", "low")
    ]
    bands = range(0, 24, 2) if rate == 6400 else (0, 23)
    time = np.arange(13 * rate) / rate
    for band in bands:
        for ratio, least, most in limits:
            frequency = 10 ** ((wh.FIRST_BAND + band) / 10) * ratio
            if frequency > 0.45 * rate:
                continue
            wave = np.sqrt(2) * np.sin(2 * np.pi * frequency * time + 0.7)
            track = measure(vk.Recording(wave[None], rate, ("x",)))
            block = track.bands[1, 0, band] / (track.block_frames * track.frame_s * rate)
            attenuation = -10 * np.log10(block + 1e-30)
            assert least <= attenuation + 0.005, (ratio, band)
            assert attenuation <= most, (ratio, band)


def test_crossfaded_blocks_count_every_sample_once() -> None:
    history, hop = 700, 4000
    window = crossfade(history, hop) ** 2
    total = np.zeros(history + 3 * hop)
    for i in range(3):
        total[i * hop : i * hop + history + hop] += window
    np.testing.assert_allclose(total[history : -hop - history], 1.0)


@pytest.mark.parametrize("size", [1000, 6400, 65536, 10**6])
def test_the_cuts_do_not_matter(size: int) -> None:
    rng = np.random.default_rng(4)
    recording = vk.Recording(rng.standard_normal((3, 6400 * 17 + 123)), 6400)
    stream = vk.RecordingStream(6400, ("x", "y", "z"), None, Origin(), lambda _: recording.blocks(size))
    whole, cut = measure(recording), measure(stream)
    np.testing.assert_allclose(cut.weighted, whole.weighted, rtol=1e-12)
    np.testing.assert_allclose(cut.bands, whole.bands, rtol=1e-12)
    np.testing.assert_allclose(cut.running, whole.running, rtol=1e-12)


def test_running_maximum_against_a_plain_moving_mean() -> None:
    rng = np.random.default_rng(6)
    samples = rng.standard_normal((3, 3200 * 14)) * (1 + np.sin(np.arange(3200 * 14) / 3000) ** 8)
    total = np.square(vk.weight(vk.Recording(samples, 3200)).samples).sum(axis=0)
    expected = np.sqrt(scipy.ndimage.uniform_filter1d(total, 3200)[5000:-1600].max())
    assert vk.grade(vk.Recording(samples, 3200)).running_max_mps2 == pytest.approx(expected, rel=2e-3)


def test_scaling_permuting_and_rotating() -> None:
    rng = np.random.default_rng(7)
    samples = rng.standard_normal((3, 6400 * 10))
    plain = vk.grade(vk.Recording(samples, 6400)).a_hv_mps2
    assert plain is not None
    assert vk.grade(vk.Recording(3.7 * samples, 6400)).a_hv_mps2 == pytest.approx(3.7 * plain, rel=1e-9)
    assert vk.grade(vk.Recording(samples[[2, 0, 1]], 6400)).a_hv_mps2 == pytest.approx(plain, rel=1e-9)
    rotation, _ = np.linalg.qr(rng.standard_normal((3, 3)))
    assert vk.grade(vk.Recording(rotation @ samples, 6400)).a_hv_mps2 == pytest.approx(plain, rel=1e-9)


def test_off_time_does_not_dilute_the_magnitude() -> None:
    rng = np.random.default_rng(8)
    on = 20 * rng.standard_normal((3, 6400 * 20))
    quiet = 0.01 * rng.standard_normal((3, 6400 * 15))
    alone = vk.grade(vk.Recording(on, 6400))
    padded = vk.grade(vk.Recording(np.concatenate([quiet, on, quiet], axis=1), 6400))
    assert padded.trigger_on_s == pytest.approx(20, abs=0.5)
    assert padded.a_hv_mps2 == pytest.approx(alone.a_hv_mps2, rel=0.02)


def test_an_offset_changes_nothing() -> None:
    recording = tone(100, 6400, 10)
    shifted = replace(recording, samples=recording.samples + np.array([[9.81], [-2.0], [0.5]]))
    assert vk.grade(shifted).a_hv_mps2 == pytest.approx(vk.grade(recording).a_hv_mps2, rel=1e-3)


def test_silence_is_a_valid_recording() -> None:
    magnitude = vk.grade(vk.Recording(np.zeros((3, 64000)), 6400))
    assert magnitude.gradeable
    assert magnitude.a_hv_mps2 == 0.0
    assert magnitude.to_dict()["summary"]["allowed_trigger_time"]["to_action_value"]["value_s"] is None


def codes(magnitude: object) -> set[str]:
    return {notice.code for notice in magnitude.notices if notice.severity == "refusal"}  # type: ignore[attr-defined]


def test_too_short_is_refused() -> None:
    magnitude = vk.grade(tone(100, 6400, 1.5))
    assert codes(magnitude) == {"too_short"}
    assert magnitude.a_hv_mps2 is None
    assert magnitude.a_hw_mps2 == {"x": None, "y": None, "z": None}


def test_clipped_is_refused() -> None:
    origin = Origin(calibration=Calibration.full_scale("4 g"))
    samples = np.clip(tone(100, 6400, 10, (60.0, 2.0, 1.0)).samples, -39.2266, 39.2266)
    assert codes(vk.grade(vk.Recording(samples, 6400, origin=origin))) == {"check_clipping"}


def test_a_rate_that_cannot_carry_the_tools_lines_is_refused() -> None:
    sheet = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "spindle", "rated_rpm": 11000}]}, "sheet")
    assert codes(vk.grade(tone(50, 400, 10), sheet)) == {"band_misses_lines"}
    slow = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "spindle", "rated_rpm": 3000}]}, "sheet")
    assert codes(vk.grade(tone(50, 400, 10), slow)) == set()


def test_one_axis_takes_the_standards_multiplier() -> None:
    magnitude = vk.grade(vk.Recording(tone(100, 6400, 10).samples[:1], 6400, ("x",)))
    assert magnitude.a_hv_mps2 == pytest.approx(1.7 * 3.0 * float(vk.weighting_factor(100.0)), rel=0.005)
    assert "axes_missing" in {notice.code for notice in magnitude.notices}


def run(a: float, position: str, operator: str, index: int) -> object:
    recording = tone(100, 3200, 10, (a, 0.0, 0.0))
    facts = RecordingFacts(position=position, operator=operator, run=index)
    return vk.grade(replace(recording, origin=Origin(file=f"{position}{operator}{index}", facts=facts)))


def test_operators_are_averaged_and_the_larger_position_decides() -> None:
    """ISO 5349-2 5.4 and Directive 2002/44/EC Annex A.2(b)."""
    factor = float(vk.weighting_factor(100.0))
    runs = [run(10, "front", "A", 1), run(12, "front", "A", 2), run(20, "front", "B", 1), run(5, "rear", "A", 1)]
    summary = summarise(runs)  # type: ignore[arg-type]
    assert summary.deciding is not None
    assert summary.deciding.position == "front"
    assert summary.a_hv_mps2 == pytest.approx((11 + 20) / 2 * factor, rel=0.005)
    assert summary.deciding.standard_deviation_mps2 == pytest.approx(np.std([10, 12, 20], ddof=1) * factor, rel=0.01)
    document = grade_document(runs)  # type: ignore[arg-type]
    assert document["summary"]["runs"] == 3
    assert [p["position"] for p in document["summary"]["positions"]] == ["front", "rear"]


def test_allowed_time_goes_with_its_doubt() -> None:
    summary = vk.grade(tone(100, 6400, 10, (20.0, 0.0, 0.0))).to_dict()["summary"]
    a, doubt = summary["a_hv_mps2"], summary["expanded_uncertainty_mps2"]
    time = summary["allowed_trigger_time"]["to_action_value"]
    assert time["value_s"] == pytest.approx(28800 * (2.5 / a) ** 2)
    assert time["low_s"] == pytest.approx(28800 * (2.5 / (a + doubt)) ** 2)
    assert time["high_s"] == pytest.approx(28800 * (2.5 / (a - doubt)) ** 2)
