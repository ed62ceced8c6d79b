"""Diagnosis and speed on tools that the judgement was not fitted on: signals from handbook formulas.

The generator (`tests.benchmarks.textbook_signals`, with the source of each signature) has nothing of the simulator.
Seeds are the first ones; nothing was chosen by its outcome, so that shares are asked for, not every single answer.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import vibekit as vk
from tests.benchmarks import textbook_signals as textbook
from tests.benchmarks.textbook_signals import FAULTS
from tests.benchmarks.textbook_tools import Tool
from tests.benchmarks.textbook_validation import Told, told
from tests.cli.run import vibekit
from vibekit.machine.faults.evidence import PartFeatures
from vibekit.machine.faults.look import look


@pytest.fixture(scope="module")
def results() -> list[Told]:
    drawn = [(0, fault) for fault in FAULTS] + [(k, "healthy") for k in (1, 2, 4)]
    return [told(seed, fault, "clear", bare=False) for seed, fault in drawn]


def test_speed_of_textbook_tools(results: list[Told]) -> None:
    assert np.mean([result.speed_right for result in results]) >= 0.85


def test_clear_textbook_faults_are_named(results: list[Told]) -> None:
    ranks = [r.rank for r in results if r.case.fault not in ("healthy", *r.untested)]
    assert len(ranks) >= 12
    assert np.mean(np.array(ranks) < 2) >= 0.65


def test_healthy_textbook_tools_raise_no_alarm(results: list[Told]) -> None:
    for sound in (r.findings for r in results if r.case.fault == "healthy"):
        assert all(chance < 0.5 for fault, chance in sound.items() if fault != "healthy")


def test_the_commands_read_a_textbook_tool(tmp_path: Path) -> None:
    case = textbook.make(0, "imbalance.accessory")
    path = textbook.write(tmp_path, case)
    documents = [vibekit(command, path, "--json") for command in ("speed", "spectrum", "diagnose")]
    assert [ended.code for ended in documents] == [0, 0, 0]
    speed, spectrum, diagnosis = (ended.document for ended in documents)
    spindle = float(np.median(case.hz)) * case.tool.ratios[-1]
    assert speed["shafts"]["spindle"]["median_rpm"] == pytest.approx(60 * spindle, rel=0.005)
    named = {name: line["frequency_hz"] for line in spectrum["lines"] for name in line["names"]}
    assert named["spindle 1x"] == pytest.approx(spindle, rel=0.01)
    assert "imbalance.accessory" in [finding["fault"] for finding in diagnosis["findings"]]


def _signal(tool: Tool) -> textbook.Signal:
    rng = np.random.default_rng(5)
    signal = textbook.Signal(tool, rng, 25600.0, textbook.shaft_turns(rng, 25600.0, tool.rated_hz, "wander"))
    for shaft in range(len(tool.shafts)):
        signal.line(signal.of(shaft), 3.0)
    textbook.noise(signal, 0.3, pink=False)
    return signal


def _grinder(**more: int) -> Tool:
    plain = Tool("angle grinder", "battery", 0, 0, 2.0, 480.0, ())
    train = {"shafts": ("armature", "spindle"), "ratios": (1.0, 11 / 39), "meshes": ((0, 1, 11, 39),), "axials": (1, 2)}
    return replace(plain, **train, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("side", "shaft"), [(0, "armature"), (1, "spindle")])
def test_either_gear_off_centre_is_read(side: int, shaft: str, tmp_path: Path) -> None:
    """A gear off centre modulates the mesh once per its own turn: 60 % in amplitude is 0.3 of the carrier each side."""
    signal = _signal(_grinder())
    textbook.mesh_lines(signal, 0, (5.0,), (0.6, 0.02) if side == 0 else (0.02, 0.6))
    mesh = _mesh(signal, tmp_path)
    assert mesh.readings["side_most"].name.endswith(shaft)
    assert mesh.values["side_most"] == pytest.approx(20 * np.log10(0.3 * np.sqrt(2)), abs=1.0)  # Randall 2011, ch. 2.3
    assert mesh.values["side_least"] < -30.0


def test_a_fan_beside_the_mesh_is_no_sideband(tmp_path: Path) -> None:
    """Eleven teeth and ten blades: the fan stands just where the pinion's first sideband would."""
    signal = _signal(_grinder(blades=10))
    textbook.mesh_lines(signal, 0, (5.0,), (0.02, 0.02))
    signal.line(10 * signal.of(0), 3.0)
    assert _mesh(signal, tmp_path).values["side_most"] < -30.0


def _mesh(signal: textbook.Signal, folder: Path) -> PartFeatures:
    case = textbook.Textbook(signal.tool, "healthy", "clear", "wander", 25600, 0.3, False, "", np.ones(1), signal.out)
    recording = vk.read(textbook.write(folder, case))
    features = look(recording, recording.tool).features
    assert features is not None
    return next(part for part in features.parts if part.where == "mesh armature-spindle")
