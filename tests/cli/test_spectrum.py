"""`vibekit spectrum` as a process."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from tests.cli.run import vibekit
from tests.cli.test_speed import grinder_file


@pytest.mark.parametrize("kind", ["amplitude", "density", "cepstrum", "envelope", "order"])
def test_document(tmp_path: Path, kind: str) -> None:
    document = vibekit("spectrum", grinder_file(tmp_path), "--kind", kind, "--json").document
    assert document["document"] == "spectrum"
    assert document["kind"] == kind
    assert document["resolution_hz"] > 0
    assert document["scaling"] and document["unit"] and document["window"] == "hann"
    if kind not in ("envelope", "cepstrum"):
        named = {name: line["frequency_hz"] for line in document["lines"] for name in line["names"]}
        assert named["spindle 1x"] == pytest.approx(147, rel=0.004)


def test_an_order_spectrum_says_what_repeats_and_why_no_resonance_is_told(tmp_path: Path) -> None:
    recording = grinder_file(tmp_path)
    document = vibekit("spectrum", recording, "--kind", "order", "--json").document
    assert document["resonances"] is None
    assert "factor of 1.4" in {n["code"]: n["message"] for n in document["notices"]}["resonances_not_tested"]
    shares = {share["of"]: share for share in document["repeating"]}
    once = next(line for line in document["lines"] if "spindle 1x" in line["names"])
    assert shares["spindle"]["repeats_mps2"]["x"] >= 0.95 * once["amplitude_mps2"]["x"]  # the loudest, 2 to 6x besides
    assert shares["armature"]["rest_mps2"]["x"] > once["amplitude_mps2"]["x"]
    assert "repeats every turn" in vibekit("spectrum", recording, "--kind", "order").out


def test_text_names_lines(tmp_path: Path) -> None:
    ended = vibekit("spectrum", grinder_file(tmp_path), "--kind", "order")
    assert ended.code == 0
    assert "mesh armature-spindle" in ended.out


def test_density_is_that_of_scipy(tmp_path: Path) -> None:
    document = vibekit("spectrum", grinder_file(tmp_path), "--kind", "density", "--json").document
    samples, rate = soundfile.read(tmp_path / "run.wav")
    size = round(1.5 * rate / document["resolution_hz"])
    frequency, density = signal.welch(490.0 * samples[:, 0], rate, nperseg=size)
    assert (document["scaling"], document["unit"]) == ("power spectral density", "(m/s²)²/Hz")
    floor = document["floor"]
    ours = np.interp([800.0, 2000.0, 4000.0], floor["frequency_hz"], floor["x_mps2_squared_per_hz"])
    theirs = [np.median(density[np.abs(frequency - hz) < 100.0]) for hz in (800.0, 2000.0, 4000.0)]
    np.testing.assert_allclose(ours, theirs, rtol=0.15)
    levels = vibekit("spectrum", tmp_path / "run.wav", "--json").document
    assert document["lines"] == levels["lines"]


@pytest.mark.parametrize("kind", ["density", "cepstrum"])
def test_plot_of_a_kind(tmp_path: Path, kind: str) -> None:
    target = tmp_path / "it.svg"
    ended = vibekit("spectrum", grinder_file(tmp_path), "--kind", kind, "--plot", target, "--axis", "y")
    assert ended.code == 0, ended.err
    assert {"density": "y  [(m/s²)²/Hz]", "cepstrum": "y  [dB]"}[kind] in target.read_text()
    assert "spindle 1x" in target.read_text()


@pytest.mark.parametrize(("suffix", "start"), [(".png", b"\x89PNG"), (".svg", b"<?xml")])
def test_plot(tmp_path: Path, suffix: str, start: bytes) -> None:
    target = tmp_path / f"lines{suffix}"
    ended = vibekit("spectrum", grinder_file(tmp_path), "--plot", target)
    assert ended.code == 0, ended.err
    assert target.read_bytes().startswith(start)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lines" + suffix, "run.toml", "run.wav", "tool.toml"]


def test_wrong_plot_suffix_and_kind_are_usage_errors(tmp_path: Path) -> None:
    recording = grinder_file(tmp_path)
    assert vibekit("spectrum", recording, "--plot", tmp_path / "a.jpg").code == 2
    assert vibekit("spectrum", recording, "--plot", tmp_path / "no" / "a.png").code == 2
    assert vibekit("spectrum", recording, "--kind", "power").code == 2
    assert vibekit("spectrum", recording, "--plot", tmp_path / "a.png", "--axis", "w").code == 2
    assert not (tmp_path / "a.jpg").exists()


@pytest.mark.parametrize("suffix", [".svg", ".png"])
def test_the_same_input_gives_the_same_bytes(tmp_path: Path, suffix: str) -> None:
    recording, files = grinder_file(tmp_path), [tmp_path / f"{i}{suffix}" for i in (1, 2)]
    for file in files:
        assert vibekit("spectrum", recording, "--plot", file).code == 0
    assert files[0].read_bytes() == files[1].read_bytes()


def test_axes_and_scales_of_a_plot(tmp_path: Path) -> None:
    recording, target = grinder_file(tmp_path), tmp_path / "lines.svg"
    options = ("--axis", "z", "--levels", "linear", "--frequencies", "log", "--up-to", "1000")
    assert vibekit("spectrum", recording, "--plot", target, *options).code == 0
    drawn = target.read_text()
    assert "z  [m/s² r.m.s.]" in drawn and "x  [m/s² r.m.s.]" not in drawn
    assert "spindle 1x" in drawn and "mesh" not in drawn.replace("pcolormesh", "")  # the mesh lies at 5586 Hz
    assert "order of spindle" in drawn


@pytest.mark.parametrize("given", ["nan", "inf", "0", "-5"])
def test_a_plot_goes_up_to_a_frequency(given: str, tmp_path: Path) -> None:
    recording, target = grinder_file(tmp_path), tmp_path / "x.png"
    ended = vibekit("spectrum", recording, "--plot", target, "--up-to", given)
    assert ended.code == 2 and "--up-to" in ended.err and not target.exists()


def test_the_envelope_of_the_sample_with_a_spalled_race_is_led_by_that_race() -> None:
    samples = Path(__file__).parents[2] / "sample_recordings"
    truth = json.loads((samples / "t32-no-load.truth.json").read_text())["faults"]
    document = vibekit("spectrum", samples / "t32-no-load.flac", "--kind", "envelope", "--json").document
    first = max(document["lines"], key=lambda line: line["over_floor_db"])
    assert [fault["fault"] for fault in truth] == ["bearing.outer_race"]
    assert first["names"][0] == f"{truth[0]['part']} outer race"
    assert document["resolution_orders"] and document["of"] == "spindle"
    assert "envelope_band" in {notice["code"] for notice in document["notices"]}
