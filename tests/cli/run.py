"""Running the command line as a user does: a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Ended:
    """What a command left: exit code and both streams."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """Return standard output as its one JSON document."""
        document: dict[str, Any] = json.loads(self.out)
        return document


def vibekit(*arguments: str | Path, cwd: Path | None = None) -> Ended:
    """Run `vibekit` with arguments."""
    ended = subprocess.run(
        [sys.executable, "-m", "vibekit_cli", *map(str, arguments)],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert "Traceback" not in ended.stderr, ended.stderr
    return Ended(ended.returncode, ended.stdout, ended.stderr)
