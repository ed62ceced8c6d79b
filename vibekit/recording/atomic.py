"""Writing files whole or not at all: a temporary file beside the target, then a rename."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from vibekit.errors import InputError, VibekitError


@contextmanager
def atomic(path: Path, error: type[VibekitError] = InputError) -> Iterator[Path]:
    """Yield an empty temporary file beside `path` to be written; on success it takes the place of `path`.

    Whatever goes wrong, an interrupt included, leaves what stood there as it was and no half file.

    Raises:
        error: the folder or the disk does not take it (the reason is named).
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")
    except OSError as reason:
        raise error(f"{path}: cannot be written: {reason.strerror or reason}") from None
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(path)
    except OSError as reason:
        raise error(f"{path}: cannot be written: {reason.strerror or reason}") from None
    finally:
        temporary.unlink(missing_ok=True)
