"""What vibekit stands on: no network at run time, dependencies bounded and pinned, licences listed."""

from __future__ import annotations

import re
import socket
import tomllib
from importlib import metadata
from pathlib import Path
from typing import NoReturn

import pytest

from tests.robustness.contract import command
from tests.robustness.workshop import READERS, WRITERS, copied

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
EXTRAS = PROJECT["optional-dependencies"]
DIRECT = {
    re.split(r"[^A-Za-z0-9_.-]", line)[0].lower()
    for group in (PROJECT["dependencies"], *EXTRAS.values())
    for line in group
}


def pinned() -> dict[str, str]:
    lines = (ROOT / "tests" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    return dict(line.split("==") for line in lines if line and not line.startswith("#"))


def test_no_command_opens_a_socket(workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command runs with sockets taken away: an attempt to use one would be a defect, exit code 1."""
    own = copied(workshop, tmp_path)

    def refuse(*_: object, **__: object) -> NoReturn:
        raise AssertionError("the network was asked for")

    for name in ("create_connection", "getaddrinfo", "gethostbyname"):
        monkeypatch.setattr(socket, name, refuse)
    for name in ("connect", "connect_ex", "bind", "listen", "sendto"):
        monkeypatch.setattr(socket.socket, name, refuse)
    monkeypatch.chdir(own)
    for words in (*(line for line, _ in WRITERS.values()), *READERS):
        assert command(*words).code in (0, 4), words


def test_every_dependency_is_bounded() -> None:
    """From below all; from above those that must be installed, but for the one whose reason stands beside it."""
    for group in (PROJECT["dependencies"], *EXTRAS.values()):
        for line in group:
            assert re.search(r">=\s*\d", line), line
    assert [line for line in PROJECT["dependencies"] if "<" not in line] == ["pyarrow>=16"]


def test_the_pins_are_within_the_bounds() -> None:
    packaging = pytest.importorskip("packaging.requirements")
    pins = pinned()
    for line in [*PROJECT["dependencies"], *EXTRAS["hdf5"], *EXTRAS["uff"], *EXTRAS["test"]]:
        needed = packaging.Requirement(line)
        assert needed.specifier.contains(pins[needed.name.lower()]), line


def test_the_constraints_pin_everything_that_is_needed() -> None:
    pins = pinned()
    assert all(re.fullmatch(r"\d[\w.!+]*", version) for version in pins.values())
    reached: set[str] = set()
    waiting = {"vibekit-toolroom"}
    while waiting:
        name = waiting.pop()
        reached.add(name)
        try:
            requires = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            continue
        for line in requires:
            if "extra ==" not in line and _applies(line):
                needed = re.sub(r"[-_.]+", "-", re.split(r"[^A-Za-z0-9_.-]", line)[0]).lower()
                waiting |= {needed} - reached
    assert reached - {"vibekit-toolroom"} <= set(pins), sorted(reached - set(pins))


def _applies(line: str) -> bool:
    """Tell whether a requirement holds here; markers are read by the packaging library where it is there."""
    packaging = pytest.importorskip("packaging.requirements")
    marker = packaging.Requirement(line).marker
    return marker is None or bool(marker.evaluate())


def test_the_licence_of_every_pinned_package_is_listed() -> None:
    table = (ROOT / "tests" / "licences.md").read_text(encoding="utf-8")
    listed = {line.split("|")[1].strip().lower(): line for line in table.splitlines() if line.startswith("| ")}
    for name in pinned():
        assert name in listed, name
        assert "unknown" not in listed[name].lower()


def test_the_licence_listed_is_the_one_that_the_package_states() -> None:
    """In its own metadata (License-Expression, License or Classifier), where the pinned version is installed."""
    table = (ROOT / "tests" / "licences.md").read_text(encoding="utf-8")
    listed = {line.split("|")[1].strip(): line.split("|")[2].strip() for line in table.splitlines() if "| " in line}
    compared = 0
    for name, version in pinned().items():
        try:
            said = metadata.metadata(name)
        except metadata.PackageNotFoundError:
            continue
        if said["Version"] == version:
            classes = [c.rpartition(" :: ")[2] for c in said.get_all("Classifier") or [] if c.startswith("License ::")]
            assert listed[name] in (said["License-Expression"], said["License"], *classes), name
            compared += 1
    if not compared:
        pytest.skip("no package is installed in its pinned version")


def test_licences_of_what_vibekit_needs_at_run_time_let_it_be_passed_on() -> None:
    """Nothing that must be installed may bind vibekit's own licence: permissive or weak copyleft only."""
    table = (ROOT / "tests" / "licences.md").read_text(encoding="utf-8")
    for line in table.splitlines():
        if line.startswith("| ") and "run time" in line:
            licence = line.split("|")[2]
            assert not re.search(r"(?<![Ll])(?<!Lesser )GPL|AGPL|proprietary", licence), line
