"""What is fuzzed: each target takes one invented input and holds the library to its contract."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import assume, strategies as st

import vibekit as vk
from tests.robustness import files, sheets
from tests.robustness.contract import command, tried
from vibekit.errors import VibekitError

AUDIO = frozenset({".wav", ".w64", ".rf64", ".flac", ".aiff", ".caf"})
MOST_SAMPLES = 20_000_000

Target = tuple[st.SearchStrategy[Any], Callable[[Any], None]]


def read_damaged(case: tuple[str, Callable[[bytes], bytes]]) -> None:
    """Open and read a damaged recording to its end: the samples are finite, or it says why not."""
    name, damage = case
    read_bytes(files.SOUND[name][0], damage(files.sound(name)))


def read_bytes(suffix: str, content: bytes) -> None:
    """Open and read a file of these bytes."""
    folder = Path(tempfile.mkdtemp())
    try:
        path = files.written(folder, f"r{suffix}", content)
        outcome = tried(_all_blocks, path, suffix)
        if isinstance(outcome, VibekitError):
            assert str(path) in str(outcome), f"the file is not named: {outcome}"
            assert str(outcome).count("\n") == 0, repr(outcome)
    finally:
        shutil.rmtree(folder)


def _all_blocks(path: Path, suffix: str) -> int:
    audio = suffix in AUDIO
    stream = vk.open_recording(
        path,
        calibration=vk.Calibration.full_scale("50 g") if audio else None,
        unit=None if audio else "g",
        sample_rate=None if audio else float(files.RATE),
    )
    count = 0
    for block in stream.blocks():
        assert np.isfinite(block.acceleration).all()
        count += block.acceleration.shape[1]
        if count > MOST_SAMPLES:
            break
    assert stream.n_samples is None or count in (stream.n_samples, *range(MOST_SAMPLES, MOST_SAMPLES + 65537))
    return count


def commands_on_damaged(case: tuple[str, str, Callable[[bytes], bytes]]) -> None:
    """Run a command on a damaged recording."""
    word, name, damage = case
    folder = Path(tempfile.mkdtemp())
    suffix = files.SOUND[name][0]
    try:
        path = files.written(folder, f"r{suffix}", damage(files.sound(name)))
        how = ["--full-scale", "50 g"] if suffix in AUDIO else ["--unit", "g", "--sample-rate", str(files.RATE)]
        command(word, path, *how, "--json")
        command(word, path, *how)
    finally:
        shutil.rmtree(folder)


def sheet_text(case: tuple[str, bytes]) -> None:
    """Load a tool sheet, sidecar or bench sheet of any text."""
    kind, content = case
    folder = Path(tempfile.mkdtemp())
    try:
        sheet = folder / "r.toml"
        sheet.write_bytes(content)
        outcome = tried(sheets.LOADERS[kind], sheet)
        if isinstance(outcome, VibekitError):
            assert str(sheet) in str(outcome), f"the sheet is not named: {outcome}"
    finally:
        shutil.rmtree(folder)


def _long_simulation(arguments: tuple[str, ...]) -> bool:
    """Tell whether minutes of a tool are to be simulated, which takes its time and is no defect."""
    asked = " ".join(arguments)
    return "simulate" in arguments and any(
        float(n) > 60 for n in re.findall(r"--duration[= ](\d{1,9})(?![\d.e])", asked)
    )


def words(arguments: tuple[str, ...]) -> None:
    """Run the command line with any words, in an empty folder beside one sound recording."""
    import os

    assume(not _long_simulation(arguments))
    folder, home = Path(tempfile.mkdtemp()), Path.cwd()
    try:
        os.chdir(folder)
        files.written(folder, "a.wav", files.sound("wav 16"))
        command(*arguments)
    finally:
        os.chdir(home)
        shutil.rmtree(folder)


TARGETS: dict[str, Target] = {
    "readers": (st.tuples(st.sampled_from(sorted(files.SOUND)), files.damages()), read_damaged),
    "tables": (sheets.text_tables(), lambda content: read_bytes(".csv", content)),
    "sheets": (sheets.sheet_texts(), sheet_text),
    "words": (sheets.command_lines(), words),
    "commands": (
        st.tuples(
            st.sampled_from(["check", "grade", "speed", "spectrum"]),
            st.sampled_from(sorted(files.SOUND)),
            files.damages(),
        ),
        commands_on_damaged,
    ),
}
