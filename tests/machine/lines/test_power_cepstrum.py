"""The cepstrum against what textbooks say of echoes and sidebands, from memory."""

from __future__ import annotations

import numpy as np
import pytest

import vibekit as vk
from tests.machine.lines.test_orders import known_speed
from tests.machine.signals import RATIO, geared_tool, grinder_sheet
from vibekit.recording.recording import Recording

RATE = 6400.0


@pytest.mark.parametrize("share", [0.2, 0.5])
@pytest.mark.parametrize("delay_s", [0.01, 0.03])
def test_an_echo_is_one_peak_of_known_height_with_rahmonics(share: float, delay_s: float) -> None:
    """20·log10|1 + a·exp(-iωτ)| = 8.686 Σ (-1)^(k+1) a^k/k cos(kωτ): half of each at ±kτ (Oppenheim & Schafer)."""
    noise = np.random.default_rng(1).standard_normal((2, round(60 * RATE)))
    shift = round(delay_s * RATE)
    echoed = noise.copy()
    echoed[:, shift:] += share * noise[:, :-shift]
    result = vk.cepstrum(Recording(echoed, RATE, ("x", "y")))
    for k in (1, 2):
        at = int(np.argmin(np.abs(result.quefrency_s - k * delay_s)))
        near = result.values[:, at - 1 : at + 2]
        expected = (-1) ** (k + 1) * 20.0 / np.log(10.0) * share**k / k / 2.0
        assert near.sum(axis=1) == pytest.approx(expected, abs=0.12)
    assert result.peaks[0].quefrency_s == pytest.approx(delay_s, abs=result.resolution_s)
    assert result.peaks[0].spacing_hz == pytest.approx(1.0 / delay_s, rel=0.02)


@pytest.mark.parametrize("spacing", [20.0, 33.3])
def test_sidebands_gather_at_the_inverse_of_their_distance(spacing: float) -> None:
    """A mesh of 23 teeth and its harmonics, each with six sidebands on either side (Randall 2011)."""
    time_s = np.arange(round(20 * RATE)) / RATE
    rng = np.random.default_rng(2)
    lines = [((23 * m + k) * spacing, 0.5 / (1 + abs(k))) for m in (1, 2, 3) for k in range(-6, 7)]
    samples = sum(a * np.sin(2 * np.pi * f * time_s + 7 * f) for f, a in lines) + 0.1 * rng.standard_normal(time_s.size)
    result = vk.cepstrum(Recording(np.atleast_2d(samples), RATE, ("x",)), speed=unknown())
    highest = max(result.peaks, key=lambda peak: peak.height[0] if peak.quefrency_s > 0.01 else 0.0)
    assert highest.quefrency_s == pytest.approx(1.0 / spacing, rel=0.01)


def unknown() -> vk.SpeedEstimate:
    nothing = np.empty(0)
    return vk.SpeedEstimate("", None, "shaft", nothing, nothing, {"shaft": 1.0}, (), 0.0, (), (), None, ())


def test_peaks_are_named_after_what_turns_and_have_no_level() -> None:
    run = geared_tool("droop", 147.0)
    result = vk.cepstrum(Recording(run.samples, run.sample_rate), grinder_sheet(147.0), known_speed(run))
    named = {name: peak for peak in result.peaks for name in peak.names}
    turning = float(np.mean(run.hz))
    for name, rate in {
        "spindle 1x": turning,
        "armature 1x": RATIO * turning,
        "mesh armature-spindle": 38 * turning,
    }.items():
        if name in named:
            assert named[name].spacing_hz == pytest.approx(rate, rel=0.01)
    assert {"spindle 1x", "spindle 1x, rahmonic 2", "spindle 1x, rahmonic 3"} & set(named)
    document = result.to_dict()
    assert (document["kind"], document["unit"], document["window"]) == ("cepstrum", "dB", "hann")
    assert document["resolution_s"] > 0 and document["resolution_orders"] > 0
    assert set(document["lines"][0]["amplitude_mps2"].values()) == {None}
    assert "cepstrum_levels" in {notice["code"] for notice in document["notices"]}


def test_noise_has_no_distances() -> None:
    noise = np.random.default_rng(3).standard_normal((3, round(20 * RATE)))
    assert len(vk.cepstrum(Recording(noise, RATE)).peaks) <= 1
