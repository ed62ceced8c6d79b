"""The house rules that a machine can keep: import floors, heavy imports, who opens files, help for every command."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

from vibekit_cli.main import commands

ROOT = Path(__file__).parent.parent
LIBRARY = ROOT / "vibekit"
FLOOR = {"errors": 0, "units": 0, "standards": 0, "recording": 1, "handarm": 2, "machine": 2, "simulate": 2, "bench": 3}
NEIGHBOURS = {("simulate", "machine.train")}
ROOMS = ("balance", "spectra", "train", "tracks", "speed", "lines", "faults")  # of machine: each may use those before
MOST_FLOORS = {"faults": 7}  # more than the five that a room should have
LAZY = ("scipy", "matplotlib", "soundfile", "joblib", "h5py", "pyuff", "pyarrow", "pandas", "polars", "dask")
MODULES = sorted(LIBRARY.rglob("*.py"))


def place(path: Path) -> str:
    return path.relative_to(LIBRARY).with_suffix("").parts[0]


def imports(path: Path, top_only: bool = False) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_only else list(ast.walk(tree))
    found: list[str] = []
    for node in nodes:
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found += [f"{node.module}.{alias.name}" for alias in node.names]
    return found


@pytest.mark.parametrize("path", MODULES, ids=[str(p.relative_to(LIBRARY)) for p in MODULES])
def test_modules_import_only_from_lower_floors_or_their_own_folder(path: Path) -> None:
    here = place(path)
    if here == "__init__":
        return
    for name in imports(path):
        assert not name.startswith("vibekit_cli"), f"the library imports the command line: {name}"
        if not name.startswith("vibekit."):
            continue
        there = name.split(".")[1]
        allowed = there == here or FLOOR[there] < FLOOR[here] or {there, here} == {"errors", "units"}
        neighbour = any(a == here and name.startswith(f"vibekit.{b}") for a, b in NEIGHBOURS)
        assert allowed or neighbour, f"{path.relative_to(ROOT)} (floor {FLOOR[here]}) imports {name}"


def rooms() -> list[str]:
    return sorted(p.name for p in (LIBRARY / "machine").iterdir() if (p / "__init__.py").exists())


def within(room: str) -> dict[str, set[str]]:
    """The modules of a room with those of the same room that each imports."""
    paths = [p for p in (LIBRARY / "machine" / room).glob("*.py") if p.stem != "__init__"]
    names = {p.stem for p in paths}
    found = {p.stem: {n.split(".")[3] for n in imports(p) if n.startswith(f"vibekit.machine.{room}.")} for p in paths}
    types = {p.stem: p.read_text().partition("if TYPE_CHECKING:")[2].partition("\n\n")[0] for p in paths}
    return {m: {n for n in used & names if f"{room}.{n} import" not in types[m]} for m, used in found.items()}


@pytest.mark.parametrize("room", rooms())
def test_a_room_of_the_machine_wing_is_seen_in_one_look(room: str) -> None:
    assert len(list((LIBRARY / "machine" / room).glob("*.py"))) <= 12
    assert room in ROOMS
    for path in (LIBRARY / "machine" / room).glob("*.py"):
        for name in imports(path):
            if name.startswith("vibekit.machine."):
                there = name.split(".")[2]
                assert ROOMS.index(there) <= ROOMS.index(room), f"{path.relative_to(ROOT)} imports {name}"
    left, floors = within(room), 0
    while left:
        ground = {m for m, used in left.items() if not used & set(left)}
        assert ground, f"{room}: {sorted(left)} import each other"
        left = {m: used for m, used in left.items() if m not in ground}
        floors += 1
    assert floors <= MOST_FLOORS.get(room, 5)


@pytest.mark.parametrize("path", MODULES, ids=[str(p.relative_to(LIBRARY)) for p in MODULES])
def test_heavy_libraries_are_imported_where_they_are_used(path: Path) -> None:
    for name in imports(path, top_only=True):
        assert name.split(".")[0] not in LAZY, f"{path.relative_to(ROOT)} imports {name} at its top"
    if not path.name.startswith("plots"):
        assert not [name for name in imports(path) if name.startswith("matplotlib")], "only plots import matplotlib"


def test_the_command_line_imports_the_library_only_through_its_names() -> None:
    for path in (ROOT / "cli").glob("*.py"):
        for name in imports(path, top_only=True):
            top = name.split(".")[0]
            assert top not in (*LAZY, "numpy"), f"{path.name} imports {name} at its top"
            if top == "vibekit":
                assert name.split(".")[1] in ("errors", "units"), f"{path.name} imports {name} at its top"


def test_help_starts_without_the_numeric_libraries() -> None:
    code = (
        "import sys; sys.argv = ['vibekit', '--help']\n"
        "from vibekit_cli.main import app\n"
        "try: app()\nexcept SystemExit: pass\n"
        "loaded = {'numpy', 'scipy', 'matplotlib', 'soundfile'} & set(sys.modules)\n"
        "assert not loaded, loaded"
    )
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)


def test_the_overview_of_commands_cuts_no_sentence_short() -> None:
    for words in ([], ["log"]):
        line = [sys.executable, "-m", "vibekit_cli", *words, "--help"]
        shown = subprocess.run(line, capture_output=True, text=True, check=True, timeout=60).stdout
        assert "..." not in shown.partition("Commands:")[2]


def test_every_command_has_help_and_a_line_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    group = typer.main.get_command(commands())
    names: list[str] = []
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        members = getattr(command, "commands", None)
        for full, member in ((f"{name} {n}", c) for n, c in members.items()) if members else ((name, command),):
            names.append(full)
            assert member.help, f"{full} has no help"
            hidden = [p.name for p in member.params if not getattr(p, "help", None) and p.name != "help"]
            assert not hidden, f"{full}: no help for {hidden}"
    assert names
    for name in names:
        assert f"`vibekit {name}" in readme, f"README.md has no line for {name}"


def test_top_level_holds_only_what_the_layout_names() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", ".gitignore", ".ci"}
    allowed |= {"vibekit", "cli", "tests", "sample_recordings"}
    assert {line.split("/")[0] for line in tracked} <= allowed


def test_every_package_folder_is_listed_for_the_wheel() -> None:
    import tomllib

    listed = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"])
    folders = {".".join(p.parent.relative_to(ROOT).parts) for p in LIBRARY.rglob("__init__.py")}
    assert listed == folders | {"vibekit_cli"}
