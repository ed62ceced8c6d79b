"""A calibration entered in a sidecar changes nothing else there, or refuses."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings, strategies as st

from tests.robustness.profile import ROUNDS
from vibekit.errors import InputError
from vibekit.recording.sidecar import enter_in_sidecar

FACTS: dict[str, str | float] = {"full_scale": "412 m/s2", "calibration_uncertainty_pct": 3.5}

_PIECES = st.sampled_from(
    [
        "[recording]",
        "[recording] # as found",
        "[sensor]",
        'position = "rear"',
        'full_scale = "50 g"',
        "  run = 2",
        "",
        "# full_scale = none",
        'operator = """\n[recording]\nfull_scale = 1\n"""',
        'axes = [\n  "x",\n  "y"]',
        "mass_g = 12",
        'condition = "full_scale = 3"',
        "calibration_uncertainty_pct = 5 # guess",
        "recording.run = 3",
    ]
)


@settings(ROUNDS, max_examples=4 * ROUNDS.max_examples)
@given(st.lists(_PIECES, max_size=8))
def test_an_entry_keeps_all_else_or_is_refused(tmp_path_factory: pytest.TempPathFactory, pieces: list[str]) -> None:
    folder = tmp_path_factory.mktemp("sidecar")
    sidecar, before = folder / "r.toml", "\n".join(pieces)
    sidecar.write_text(before)
    try:
        enter_in_sidecar(folder / "r.wav", FACTS)
    except InputError as error:
        assert "r.toml" in str(error)
        assert sidecar.read_text() == before
        return
    old, new = tomllib.loads(before), tomllib.loads(sidecar.read_text())
    assert new["recording"] == {**old.get("recording", {}), **FACTS}
    assert new.get("sensor") == old.get("sensor")


def test_an_entry_goes_into_a_sidecar_as_people_write_it(tmp_path: Path) -> None:
    (tmp_path / "r.toml").write_text("# my grinder\n[recording]\nrun = 1\n\n[sensor]\nmass_g = 12\n")
    text = enter_in_sidecar(tmp_path / "r.wav", FACTS).read_text()
    assert text.startswith("# my grinder\n")
    assert tomllib.loads(text)["recording"] == {"run": 1, **FACTS}
