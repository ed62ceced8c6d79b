"""What the README prints must work as printed."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.run import vibekit
from vibekit.recording.sidecar import parse_sidecar

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    """Return the fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def tried() -> list[str]:
    """Return the commands of the block that tells what to try next."""
    lines = [line for block in blocks("") for line in block.splitlines() if ".venv/bin/vibekit" in line]
    return [line.split("#")[0].strip() for line in lines]


def test_two_commands_do_all_the_set_up() -> None:
    assert len(blocks("sh")) == 2
    for block in blocks("sh"):
        assert len(block.strip().splitlines()) == 1


def test_the_library_example_runs() -> None:
    (example,) = blocks("python")
    ended = subprocess.run(
        [sys.executable, "-c", example], cwd=ROOT, capture_output=True, text=True, timeout=120, check=False
    )
    assert ended.returncode == 0, ended.stderr
    assert "±" in ended.stdout


def test_the_sidecar_example_is_accepted() -> None:
    import tomllib

    (example,) = blocks("toml")
    facts, _ = parse_sidecar(tomllib.loads(example), "README.md")
    assert facts.axes == ("x", "y", "z", "tach")


@pytest.mark.parametrize("line", tried())
def test_commands_to_try_next(line: str) -> None:
    arguments = []
    for word in shlex.split(line)[1:]:
        found = sorted(ROOT.glob(word)) if "*" in word else []
        arguments += [str(path.relative_to(ROOT)) for path in found] or [word]
    ended = vibekit(*arguments, cwd=ROOT)
    assert ended.code == (4 if "phone" in line else 0), ended.err
    assert ended.out.strip()


def test_plots_shown_are_there() -> None:
    for name in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / name).stat().st_size > 10_000
