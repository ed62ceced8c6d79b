"""`vibekit grade` as a process: tones in files, options, refusals, bad input."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.run import vibekit
from vibekit.handarm.weighting import weighting_factor


def tone_file(
    path: Path, rate: int = 6400, frequency: float = 100.0, seconds: float = 10.0, subtype: str = "PCM_24"
) -> Path:
    time = np.arange(round(rate * seconds)) / rate
    wave = np.sin(2 * np.pi * frequency * time)
    soundfile.write(path, np.column_stack([0.3 * wave, 0.2 * wave, 0.1 * wave]), rate, subtype=subtype)
    return path


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
@pytest.mark.parametrize("rate", [3200, 6400, 12800, 25600, 51200])
def test_tones_through_the_whole_command(tmp_path: Path, rate: int, subtype: str) -> None:
    """Analogue curve of ISO 5349-1 Annex A: within 0.5 % up to 1 kHz and 1 % at 1250 Hz."""
    for frequency, tolerance in ((8.0, 0.005), (500.0, 0.005), (1000.0, 0.005), (1250.0, 0.01)):
        file = tone_file(tmp_path / "tone.wav", rate, frequency, 8.0, subtype)
        row = vibekit("grade", file, "--full-scale", "50 g", "--json").document["recordings"][0]
        expected = 0.3 / np.sqrt(2) * 50 * 9.80665 * float(weighting_factor(frequency))
        assert row["a_hw_mps2"]["x"] == pytest.approx(expected, rel=tolerance)


def test_text_names_what_a_user_needs(tmp_path: Path) -> None:
    ended = vibekit("grade", tone_file(tmp_path / "tone.wav"), "--full-scale", "50 g")
    assert ended.code == 0
    for words in ("a_hv", "m/s²", "trigger time per day to the action value", "between", "screening aid"):
        assert words in ended.out


def test_the_sidecar_serves_and_options_win(tmp_path: Path) -> None:
    file = tone_file(tmp_path / "tone.wav")
    (tmp_path / "tone.toml").write_text(
        '[recording]\nfull_scale = "10 g"\naxes = ["x", "y", "z"]\ncondition = "loaded"\n'
    )
    served = vibekit("grade", file, "--json").document["recordings"][0]
    won = vibekit("grade", file, "--json", "--full-scale", "20 g").document["recordings"][0]
    assert served["condition"] == "loaded"
    assert won["a_hv_mps2"] == pytest.approx(2 * served["a_hv_mps2"])


def test_uncalibrated_is_one_line_and_exit_3(tmp_path: Path) -> None:
    ended = vibekit("grade", tone_file(tmp_path / "tone.wav"))
    assert (ended.code, ended.out) == (3, "")
    assert ended.err.count("\n") == 1
    assert "--full-scale" in ended.err


@pytest.mark.parametrize(
    ("name", "content", "word"),
    [
        ("absent.wav", None, "no such file"),
        ("empty.wav", b"", "empty"),
        ("noise.wav", b"RIFF\x00\x00nonsense" * 20, "cannot be read"),
    ],
)
def test_unusable_files(tmp_path: Path, name: str, content: bytes | None, word: str) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    ended = vibekit("grade", tmp_path / name, "--full-scale", "5 g", "--json")
    assert (ended.code, ended.out) == (3, "")
    assert word in ended.err
    assert ended.err.count("\n") == 1


def test_nan_is_named_by_its_index(tmp_path: Path) -> None:
    samples = np.zeros((20000, 3), dtype=np.float32)
    samples[12345, 1] = np.nan
    soundfile.write(tmp_path / "nan.wav", samples, 6400, subtype="FLOAT")
    ended = vibekit("grade", tmp_path / "nan.wav", "--full-scale", "5 g")
    assert (ended.code, ended.out) == (3, "")
    assert "12345" in ended.err


@pytest.mark.parametrize("axes", ["x,y", "x,y,y", "x,y,q", "x,y,z,tach"])
def test_wrong_axes(tmp_path: Path, axes: str) -> None:
    ended = vibekit("grade", tone_file(tmp_path / "tone.wav"), "--full-scale", "5 g", "--axes", axes)
    assert (ended.code, ended.out) == (3, "")


def test_bad_option_values_are_usage_errors(tmp_path: Path) -> None:
    file = tone_file(tmp_path / "tone.wav")
    for options in (
        ["--full-scale", "five"],
        ["--sample-rate", "-1"],
        ["--from", "9", "--to", "3"],
        ["--fail-over", "red"],
    ):
        ended = vibekit("grade", file, *(["--full-scale", "5 g"] if options[0] != "--full-scale" else []), *options)
        assert (ended.code, ended.out) == (2, "")


def test_a_bad_sheet_named_in_the_sidecar(tmp_path: Path) -> None:
    file = tone_file(tmp_path / "tone.wav")
    (tmp_path / "tone.toml").write_text('[recording]\nfull_scale = "10 g"\ntool = "tool.toml"\n')
    (tmp_path / "tool.toml").write_text('[tool]\ntag = "T"\n[[shaft]]\nname = "a"\n[[shaft]]\nname = "a"\n')
    ended = vibekit("grade", file)
    assert (ended.code, ended.out) == (3, "")
    assert "twice" in ended.err


def test_a_refusal_still_prints_the_document(tmp_path: Path) -> None:
    ended = vibekit("grade", tone_file(tmp_path / "tone.wav", seconds=1.0), "--full-scale", "50 g", "--json")
    assert ended.code == 4
    document = ended.document
    assert document["recordings"][0]["gradeable"] is False
    assert document["recordings"][0]["a_hv_mps2"] is None
    assert "refusal" in {notice["severity"] for notice in document["notices"]}


def test_one_bad_among_several(tmp_path: Path) -> None:
    good = tone_file(tmp_path / "good.wav")
    (tmp_path / "bad.wav").write_bytes(b"")
    ended = vibekit("grade", good, tmp_path / "bad.wav", "--full-scale", "50 g", "--json")
    assert ended.code == 3
    assert len(ended.document["recordings"]) == 1
    assert "bad.wav" in ended.err
    assert any("bad.wav" in notice["message"] for notice in ended.document["notices"])


def test_over_the_value(tmp_path: Path) -> None:
    file = tone_file(tmp_path / "tone.wav")
    assert vibekit("grade", file, "--full-scale", "50 g", "--fail-over", "limit").code == 5
    assert vibekit("grade", file, "--full-scale", "1 g", "--fail-over", "action").code == 0


@pytest.mark.parametrize(("times", "near"), [(2.9, True), (3.1, False)])
def test_background_is_the_floor_and_is_not_subtracted(tmp_path: Path, times: float, near: bool) -> None:
    """Within 3 times the floor is said; the background itself is no tool that may be held for some time a day."""
    run, off = tone_file(tmp_path / "run.wav"), tone_file(tmp_path / "off.wav")
    (tmp_path / "run.toml").write_text(f'[recording]\nfull_scale = "{times * 9.80665} m/s2"\n')
    (tmp_path / "off.toml").write_text('[recording]\nfull_scale = "9.80665 m/s2"\ncondition = "off"\n')
    document = vibekit("grade", run, off, "--json").document
    alone = vibekit("grade", run, "--json").document
    assert document["summary"]["a_hv_mps2"] == alone["summary"]["a_hv_mps2"]
    found = {n["code"]: n for n in document["notices"]}
    assert "background" in found and ("near_background" in found) == near
    if near:
        assert found["near_background"]["value"] == pytest.approx(times, rel=1e-3)
        assert "run.wav" in found["near_background"]["message"]
    background = next(s for s in document["summaries"] if s["condition"] == "off")
    assert background["allowed_trigger_time"]["to_limit_value"] == dict.fromkeys(("value_s", "low_s", "high_s"))
    text = vibekit("grade", run, off)
    assert text.code == 0 and text.out.count("trigger time per day to the action value") == 1


def test_the_budget_with_parts_from_the_sidecar(tmp_path: Path) -> None:
    path = tone_file(tmp_path / "tone.wav")
    path.with_suffix(".toml").write_text("[recording.uncertainty]\nmounting_pct = 3\noperator_pct = 5.0\n")
    text = vibekit("grade", path, "--full-scale", "500 m/s2", "--budget").out
    assert " 1.50 %  mounting and sensor band   stated with the recording (k = 2)" in text
    assert " 2.50 %  operator's grip and push   stated with the recording (k = 2)" in text
    assert "default for one run: common practice, no source" in text
    assert "combined" in text


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("mountng_pct = 3", "unknown key 'mountng_pct'"),
        ("mounting_pct = -3", "must be greater than zero"),
        ('mounting_pct = "3 %"', "must be a finite number"),
    ],
)
def test_bad_parts_of_the_budget_are_named(tmp_path: Path, line: str, says: str) -> None:
    path = tone_file(tmp_path / "tone.wav")
    path.with_suffix(".toml").write_text(f"[recording.uncertainty]\n{line}\n")
    ended = vibekit("grade", path, "--full-scale", "500 m/s2")
    assert ended.code == 3
    assert says in ended.err and "uncertainty" in ended.err
