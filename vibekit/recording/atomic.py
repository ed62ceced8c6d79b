"""Writing files whole or not at all: a temporary file beside the target, then a rename."""

from __future__ import annotations

import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from vibekit.errors import InputError, VibekitError


@contextmanager
def atomic(path: Path, error: type[VibekitError] = InputError) -> Iterator[Path]:
    """Yield an empty temporary file beside `path` to be written; on success it takes the place of `path`.

    Whatever goes wrong, an interrupt included, leaves what stood there as it was and no half file.

    Raises:
        error: the folder or the disk does not take it (the reason is named).
    """
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    try:
        temporary.touch(mode=0o644, exist_ok=False)  # inside: a signal right after it finds the name to take away
        yield temporary
        temporary.replace(path)
    except OSError as reason:
        raise error(f"{path}: cannot be written: {reason.strerror or reason}") from None
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
