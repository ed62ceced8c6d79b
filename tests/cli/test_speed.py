"""`vibekit speed` as a process."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.run import vibekit
from tests.machine.signals import geared_tool, tach
from vibekit.simulate.truth import weighting_gain

SHEET = """
[tool]
tag = "T-9"
[[shaft]]
name = "armature"
rated_rpm = 27930
[[shaft]]
name = "spindle"
[[mesh]]
driver = "armature"
driven = "spindle"
driver_teeth = 12
driven_teeth = 38
"""


def grinder_file(folder: Path, with_tach: bool = False, sheet: bool = True, rate: float = 12800.0) -> Path:
    """Write a recording of a spindle turning at about 147 Hz, its sidecar and tool sheet."""
    run = geared_tool("steady", 147.0, 6.0, rate)
    channels = [*run.samples / 490.0]
    axes = ["x", "y", "z"]
    if with_tach:
        channels.append(tach(run) / 10.0)
        axes.append("tach")
    path = folder / "run.wav"
    soundfile.write(path, np.stack(channels, axis=1), int(rate), subtype="FLOAT")
    (folder / "tool.toml").write_text(SHEET)
    tool = 'tool = "tool.toml"\n' if sheet else ""
    names = ", ".join(f'"{axis}"' for axis in axes)
    path.with_suffix(".toml").write_text(f'[recording]\nfull_scale = "490 m/s2"\naxes = [{names}]\n{tool}')
    return path


@pytest.mark.parametrize(("with_tach", "source"), [(True, "tach"), (False, "vibration")])
def test_document(tmp_path: Path, with_tach: bool, source: str) -> None:
    document = vibekit("speed", grinder_file(tmp_path, with_tach), "--json").document
    assert document["document"] == "speed"
    assert document["source"] == source
    assert document["shafts"]["spindle"]["median_rpm"] == pytest.approx(147 * 60, rel=0.004)
    assert document["shafts"]["armature"]["median_rpm"] == pytest.approx(147 * 60 * 38 / 12, rel=0.004)
    assert document["track"]["of"] == "spindle"


def test_text(tmp_path: Path) -> None:
    ended = vibekit("speed", grinder_file(tmp_path))
    assert ended.code == 0
    assert "spindle" in ended.out
    assert "steady" in ended.out


def test_rate_below_twice_the_shaft_cannot_tell(tmp_path: Path) -> None:
    ended = vibekit("speed", grinder_file(tmp_path, rate=250.0), "--json")
    assert ended.code == 4
    document = ended.document
    assert document["source"] is None
    assert document["shafts"] == {}
    assert any(n["severity"] == "refusal" and "cannot tell" in n["message"] for n in document["notices"])


def test_plot(tmp_path: Path) -> None:
    ended = vibekit("speed", grinder_file(tmp_path), "--plot", tmp_path / "speed.png")
    assert ended.code == 0
    assert (tmp_path / "speed.png").read_bytes().startswith(b"\x89PNG")


def test_missing_file_is_exit_three(tmp_path: Path) -> None:
    ended = vibekit("speed", tmp_path / "none.wav")
    assert (ended.code, ended.out) == (3, "")


def cycle_file(folder: Path, rate: float = 6400.0) -> Path:
    """Write a recording of a spindle that starts, turns at 147 Hz, then under load 15 % slower, and stops."""
    run = geared_tool("cycle", 147.0, 16.0, rate)
    channels = [*run.samples / 490.0, tach(run) / 10.0]
    path = folder / "cycle.wav"
    soundfile.write(path, np.stack(channels, axis=1), int(rate), subtype="FLOAT")
    (folder / "tool.toml").write_text(SHEET)
    facts = '[recording]\nfull_scale = "490 m/s2"\naxes = ["x", "y", "z", "tach"]\ntool = "tool.toml"\n'
    path.with_suffix(".toml").write_text(facts)
    return path


def test_magnitude_and_droop_of_each_segment(tmp_path: Path) -> None:
    path = cycle_file(tmp_path)
    segments = {s["state"]: s for s in vibekit("speed", path, "--json").document["segments"]}
    assert segments["loaded"]["droop_pct"] == pytest.approx(15.0, abs=0.5)
    assert segments["off"]["a_hv_mps2"] is None
    assert segments["loaded"]["droop_low_pct"] <= 15.1 and segments["loaded"]["droop_high_pct"] >= 14.9
    for state in ("steady", "loaded"):
        assert segments[state]["rpm_low"] <= segments[state]["rpm"] <= segments[state]["rpm_high"]
    samples, rate = soundfile.read(path)
    for state in ("steady", "loaded"):
        # weighted as a whole spectrum by the analogue definition of ISO 5349-1 annex A, written out in the simulator
        spectrum = np.fft.rfft(samples[:, :3].T * 490.0) * weighting_gain(np.fft.rfftfreq(len(samples), 1 / rate))
        weighted = np.fft.irfft(spectrum, len(samples))
        part = slice(round(segments[state]["start_s"] * rate), round(segments[state]["end_s"] * rate))
        true = np.sqrt((weighted[:, part] ** 2).mean(axis=1).sum())
        assert segments[state]["a_hv_mps2"] == pytest.approx(true, rel=0.02)
        doubt = segments[state]["expanded_uncertainty_mps2"]
        assert 0.1 * true < doubt < true  # the whole of the recording's budget at least, mounting and position in it


@pytest.mark.parametrize("name", ["map.png", "map.svg"])
def test_map_of_a_run_up_and_coast_down(tmp_path: Path, name: str) -> None:
    ended = vibekit("speed", cycle_file(tmp_path), "--map", tmp_path / name, "--frequencies", "linear")
    assert ended.code == 0, ended.err
    drawn = (tmp_path / name).read_bytes()
    assert drawn.startswith(b"\x89PNG") or b"spindle 1x" in drawn or b"<svg" in drawn
    assert len(drawn) > 20_000


def test_no_map_of_a_speed_that_does_not_change(tmp_path: Path) -> None:
    ended = vibekit("speed", grinder_file(tmp_path, with_tach=True), "--map", tmp_path / "map.png")
    assert ended.code == 4
    assert "hardly changes" in ended.out and "spindle" in ended.out
    assert not (tmp_path / "map.png").exists()


def test_map_says_why_no_resonance_is_told_and_plots_take_axes(tmp_path: Path) -> None:
    path = cycle_file(tmp_path)
    target = tmp_path / "map.png"
    ended = vibekit("speed", path, "--map", target, "--axis", "z", "--axis", "x", "--up-to", "1500", "--json")
    assert ended.code == 0, ended.err
    assert ended.document["resonances"] is None  # it stops within 1.6 s: too fast to tell, and said so
    assert "resonances_not_tested" in {notice["code"] for notice in ended.document["notices"]}
    ended = vibekit("speed", path, "--plot", tmp_path / "s.png", "--axis", "q")
    assert ended.code == 2
    assert "x, y, z" in ended.err


@pytest.mark.parametrize("option", ["--plot", "--map"])
def test_the_same_input_gives_the_same_bytes(tmp_path: Path, option: str) -> None:
    path, files = cycle_file(tmp_path), [tmp_path / f"{i}{suffix}" for suffix in (".svg", ".png") for i in (1, 2)]
    for file in files:
        assert vibekit("speed", path, option, file).code == 0
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[2].read_bytes() == files[3].read_bytes()


def test_a_microphone_alone_gives_the_speed_without_calibration(tmp_path: Path) -> None:
    run = geared_tool("steady", 147.0, 6.0, 12800.0)
    path = tmp_path / "heard.wav"
    soundfile.write(path, run.samples[0] / 50.0, 12800)
    (tmp_path / "tool.toml").write_text(SHEET)
    path.with_suffix(".toml").write_text('[recording]\naxes = ["sound"]\ntool = "tool.toml"\n')
    ended = vibekit("speed", path, "--plot", tmp_path / "heard.png", "--json")
    assert ended.code == 0, ended.err
    assert ended.document["source"] == "sound"
    assert ended.document["shafts"]["spindle"]["median_rpm"] == pytest.approx(147 * 60, rel=0.005)
    for command in ("grade", "check", "spectrum", "diagnose"):
        ended = vibekit(command, path)
        assert (ended.code, ended.out) == (3, "")
        assert "no acceleration axis" in ended.err


@pytest.mark.parametrize(("suffix", "channels"), [(".wav", 1), (".flac", 1), (".wav", 2)])
def test_a_phones_plain_sound_file_gives_the_speed(tmp_path: Path, suffix: str, channels: int) -> None:
    run = geared_tool("steady", 147.0, 6.0, 44100.0)
    path = tmp_path / f"heard{suffix}"
    soundfile.write(path, np.stack([0.02 * run.samples[0]] * channels, axis=1), 44100)
    ended = vibekit("speed", path, "--json")
    assert ended.code == 0, ended.err
    assert ended.document["source"] == "sound"
    rpm = [ended.document["shafts"]["shaft"]["median_rpm"], *(r["rpm"] for r in ended.document["rivals"])]
    assert any(value == pytest.approx(147 * 60, rel=0.005) for value in rpm)
    assert "axes_assumed" in {notice["code"] for notice in ended.document["notices"]}
    (tmp_path / "tool.toml").write_text(SHEET)
    ended = vibekit("speed", path, "--tool", tmp_path / "tool.toml", "--json")
    assert ended.document["shafts"]["spindle"]["median_rpm"] == pytest.approx(147 * 60, rel=0.005)
    ended = vibekit("grade", path)
    assert (ended.code, ended.out) == (3, "")
    assert "--axes" in ended.err and "vibekit speed" in ended.err


def test_compressed_sound_is_told_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "heard.m4a"
    path.write_bytes(b"\0\0\0\x18ftypM4A ")
    ended = vibekit("speed", path)
    assert (ended.code, ended.out) == (3, "")
    assert "convert it to WAV" in ended.err


@pytest.mark.parametrize(("rated_rpm", "said"), [(27930 * 1.25, "20.0 % slower"), (27930 * 0.97, "% faster")])
def test_droop_in_words_with_the_shaft_power(tmp_path: Path, rated_rpm: float, said: str) -> None:
    path = grinder_file(tmp_path, with_tach=True)
    (tmp_path / "tool.toml").write_text(SHEET.replace("27930", str(rated_rpm)))
    sidecar = path.with_suffix(".toml")
    sidecar.write_text(sidecar.read_text() + 'condition = "loaded"\nshaft_power_w = 200\n')
    out = vibekit("speed", path).out
    assert said in out and "at 200 W of shaft power (from the rated no-load speed" in out


def test_a_cut_says_where_its_times_count_from(tmp_path: Path) -> None:
    path = grinder_file(tmp_path, with_tach=True)
    cut = vibekit("speed", path, "--from", "2.5", "--json").document
    assert [n["value"] for n in cut["notices"] if n["code"] == "times_from"] == [2.5]
    assert cut["segments"][-1]["end_s"] == pytest.approx(3.5, abs=0.1)  # of 6 s
    assert "times_from" not in {n["code"] for n in vibekit("speed", path, "--json").document["notices"]}
