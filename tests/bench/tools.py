"""Recordings of invented tools whose magnitude is known from their amplitude, for tests of the bench."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from vibekit.bench.analysis import RunResult
from vibekit.handarm.uncertainty import OPERATOR, POSITION

RATE = 4000
LINE_HZ = 79.577472  # 500 rad/s, where the table of spot values gives |Wh|
FACTOR = 0.202019  # |Wh| there (tests/references/wh_spot.csv)


def write_run(folder: Path, name: str, tag: str, a_hv: float, seed: int = 0, **facts: Any) -> Path:
    """Write 4 s of a line whose total value is `a_hv` [m/s²], with sidecar and tool sheet; return the recording."""
    sheet = {key: facts.pop(key) for key in ("accessory", "mass_kg", "price", "hours_used") if key in facts}
    t = np.arange(4 * RATE) / RATE
    amplitude = a_hv * np.sqrt(2.0 / 3.0) / FACTOR / 500.0
    noise = 1e-6 * np.random.default_rng(seed).standard_normal((t.size, 3))  # two runs are never the same bytes
    samples = amplitude * np.sin(2 * np.pi * LINE_HZ * t)[:, None] + noise
    path = folder / f"{name}.wav"
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    facts = {"full_scale": "500 m/s2", "tool": f"{tag}.tool.toml", "spindle_rpm": 4775, **facts}
    path.with_suffix(".toml").write_text("[recording]\n" + _lines(facts))
    accessory = sheet.pop("accessory", None)
    tool = "[tool]\n" + _lines({"tag": tag, **sheet}) + '[[shaft]]\nname = "spindle"\n'
    if accessory:
        tool += "[accessory]\n" + _lines({"shaft": "spindle", "kind": accessory})
    (folder / f"{tag}.tool.toml").write_text(tool)
    tomllib.loads(tool)
    return path


def _lines(values: dict[str, Any]) -> str:
    return "".join(f"{k} = {v if isinstance(v, int | float) else repr(v)}\n" for k, v in values.items())


def result(tag: str | None, a_hv: float | None, **changes: Any) -> RunResult:
    """Return a result as analysis would give it, without a recording."""
    usual = RunResult(
        file=f"{tag}.wav",
        sha256=f"{tag}{a_hv}{sorted(changes.items())}",
        inputs=f"{tag}{a_hv}",
        tag=tag,
        condition="loaded",
        position="rear handle",
        operator="A",
        run=1,
        accessory="grinding disc",
        started=None,
        hours_used=None,
        mass_kg=2.0,
        price=None,
        declared_vibration_mps2=None,
        declared_uncertainty_mps2=None,
        shaft_power_w=None,
        a_hv_mps2=a_hv,
        expanded_uncertainty_mps2=None if a_hv is None else 0.3 * a_hv,
        trigger_on_s=20.0,
        budget=(POSITION, OPERATOR),
        spindle_rpm=9000.0,
        speed_source="stated",
        notices=(),
        grade={},
    )
    return replace(usual, **changes)
