"""`vibekit speed` as a process."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.run import vibekit
from tests.machine.signals import geared_tool, tach

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
