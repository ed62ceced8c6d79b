"""Compare a wheel's contents with the tree: a forgotten sub-package is left out of a wheel without a word.

Run as `python tests/wheel_check.py WHEEL`; ends with 1 where they differ.
"""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent


def expected() -> set[str]:
    """Return the files of the tree that the wheel must hold, by their installed names."""
    found = set()
    for folder, package in (("vibekit", "vibekit"), ("cli", "vibekit_cli")):
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in (".py", ".toml", ".typed") and "__pycache__" not in path.parts:
                found.add(f"{package}/{path.relative_to(ROOT / folder).as_posix()}")
    return found


def main(wheel: str) -> int:
    """Return 0 where wheel and tree agree, else 1 with the differences printed."""
    names = {n for n in zipfile.ZipFile(wheel).namelist() if not n.split("/")[0].endswith(".dist-info")}
    tree = expected()
    for name in sorted(tree - names):
        print(f"missing in the wheel: {name}")
    for name in sorted(names - tree):
        print(f"not in the tree: {name}")
    return int(names != tree)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
