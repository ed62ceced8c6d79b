"""The spectrum averaged block by block, against scipy.signal.welch on the whole array and lines of known level."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from tests.cli.inprocess import run
from vibekit.errors import RecordingLimitError
from vibekit.machine.lines import averaged
from vibekit.machine.lines.averaged import averaged_spectrum, long_spectrum
from vibekit.machine.spectra.spectrum import as_density
from vibekit.recording import stretch
from vibekit.recording.recording import Block, FloatArray, Origin, RecordingStream

RATE = 3200


def stream_of(samples: FloatArray, cut: int) -> RecordingStream:
    def blocks(size: int) -> Iterator[Block]:
        for start in range(0, samples.shape[1], cut):
            yield Block(start, samples[:, start : start + cut])

    return RecordingStream(RATE, ("x", "y", "z"), samples.shape[1], Origin(file="long.wav"), blocks)


@pytest.mark.parametrize("cut", [1000, 6400, 50_000])
@pytest.mark.parametrize("seconds", [2.0, 3.1, 47.3])
def test_is_welch_of_scipy_however_it_is_read(cut: int, seconds: float) -> None:
    samples = np.random.default_rng(1).standard_normal((3, round(seconds * RATE))) + 9.81
    ours = averaged_spectrum(stream_of(samples, cut), 1.5 / 2, running_only=False)
    values = as_density(ours.spectrum).values
    frequency, theirs = signal.welch(samples, RATE, nperseg=2 * RATE)
    np.testing.assert_allclose(ours.spectrum.frequency, frequency)
    np.testing.assert_allclose(values[:, 1:], theirs[:, 1:], rtol=1e-9)
    np.testing.assert_allclose(values[:, 0], theirs[:, 0], atol=1e-12)


def test_flat_top_amplitudes_are_welch_of_scipy() -> None:
    samples = np.random.default_rng(1).standard_normal((3, 10 * RATE))
    ours = averaged_spectrum(stream_of(samples, 999), 3.7702 / 2, "flattop", running_only=False).spectrum
    _, theirs = signal.welch(samples, RATE, "flattop", nperseg=2 * (ours.frequency.size - 1), scaling="spectrum")
    np.testing.assert_allclose(ours.values[:, 1:], np.sqrt(theirs)[:, 1:], rtol=1e-6)


def half_running() -> FloatArray:
    """40 s of a line of 2 m/s² r.m.s. at 95 Hz between 30 s and 50 s of near silence."""
    rng = np.random.default_rng(2)
    time = np.arange(120 * RATE) / RATE
    on = (time > 30) & (time < 70)
    tool = 2 * np.sqrt(2) * np.sin(2 * np.pi * 95 * time) + 0.3 * rng.standard_normal((3, time.size))
    return np.where(on, tool, 0.003 * rng.standard_normal((3, time.size)))


def test_pauses_do_not_lower_the_lines() -> None:
    result = averaged_spectrum(stream_of(half_running(), 6400))
    at = int(np.argmin(np.abs(result.spectrum.frequency - 95)))
    assert result.spectrum.values[:, at] == pytest.approx(2.0, rel=0.02)
    assert result.running_s == pytest.approx(40, abs=3)
    assert result.start_s == pytest.approx(30, abs=2)
    assert result.duration_s == pytest.approx(120, abs=1)


def test_shorter_than_a_segment_is_refused() -> None:
    with pytest.raises(RecordingLimitError, match="shorter than one segment"):
        averaged_spectrum(
            RecordingStream(RATE, ("x", "y", "z"), None, Origin(), lambda _: iter([Block(0, np.zeros((3, 100)))]))
        )


def test_lines_of_a_long_recording_are_listed() -> None:
    result = long_spectrum(stream_of(half_running(), 6400))
    line = min(result.lines, key=lambda line: abs(line.frequency_hz - 95))
    assert line.frequency_hz == pytest.approx(95, abs=0.1)
    assert line.amplitude == pytest.approx(2.0, rel=0.02)
    assert "averaged_over_running" in {notice["code"] for notice in result.to_dict()["notices"]}


def test_the_command_averages_long_recordings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "shift.wav"
    soundfile.write(path, half_running().T / 490.3325, RATE, "PCM_24")
    monkeypatch.setattr(stretch, "LONG_S", 100.0)
    code, out, _ = run("spectrum", str(path), "--full-scale", "50 g")
    assert code == 0
    assert "averaged over" in out


@pytest.mark.parametrize("words", [("spectrum", "--kind", "envelope"), ("speed",)])
def test_of_a_long_recording_a_stretch_stands_for_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    path = tmp_path / "shift.wav"
    soundfile.write(path, half_running().T / 490.3325, RATE, "PCM_24")
    monkeypatch.setattr(stretch, "LONG_S", 20.0)
    monkeypatch.setattr(averaged, "LOOKED_AT_S", 20.0)
    code, out, _ = run(words[0], str(path), "--full-scale", "50 g", *words[1:], "--json")
    said = {notice["code"]: notice for notice in json.loads(out)["notices"]}
    assert code in (0, 4)
    assert "of 120 s this is" in said["representative_stretch"]["message"]


def test_the_stretch_is_the_running_one_of_usual_level() -> None:
    rng = np.random.default_rng(3)
    level = np.repeat([0.003, 1.0, 3.0, 1.9, 0.003], 20 * RATE)  # off, light, hard, usual, off
    samples = level * rng.standard_normal((3, level.size))
    part = stretch.representative_part(stream_of(samples, 5000), 20.0)
    # per axis, all of the running: sqrt((1 + 9 + 3.61) / 3) = 2.13 m/s²
    assert np.sqrt(np.mean(part.recording.samples**2)) == pytest.approx(2.13, rel=0.05)
    assert part.recording.duration_s == 20.0
    assert (part.running_s, part.duration_s) == (pytest.approx(60, abs=2), 100.0)


def test_a_file_that_cannot_say_its_length_is_not_read_to_its_end() -> None:
    def endless(size: int) -> Iterator[Block]:
        for start in range(0, 10**9, 32000):
            assert start < 700 * RATE
            yield Block(start, np.zeros((3, 32000)))

    assert stretch.read_unless_long(RecordingStream(RATE, ("x", "y", "z"), None, Origin(), endless)) is None
