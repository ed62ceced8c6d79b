"""The oldest versions that pyproject.toml allows, as constraints: the tests must pass with them.

Run: python -m tests.benchmarks.floors > floors.txt
     python3 -m venv old && old/bin/pip install -c floors.txt -e '.[test]' && old/bin/python -m pytest
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def floors() -> dict[str, str]:
    """Return name and lowest allowed version of every base dependency and of the extras that recordings need."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [
        *project["dependencies"],
        *project["optional-dependencies"]["hdf5"],
        *project["optional-dependencies"]["uff"],
    ]
    found = (re.fullmatch(r"([\w.-]+)>=([\d.]+).*", line) for line in lines)
    return {match[1]: match[2] for match in found if match}


if __name__ == "__main__":
    print("\n".join(f"{name}=={version}" for name, version in floors().items()))
