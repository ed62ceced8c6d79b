"""Writing files whole or not at all: a temporary file beside the target, on the disk, then a rename."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from vibekit.errors import InputError, VibekitError


@contextmanager
def atomic(path: Path, error: type[VibekitError] = InputError) -> Iterator[Path]:
    """Yield an empty temporary file beside `path` to be written; on success it takes the place of `path`.

    Whatever goes wrong, an interrupt or a loss of power included, leaves what stood there as it was and no half file:
    the bytes are on the disk before the name is. After a kill the temporary file stays, under a hidden name ending in
    `.tmp` that no reader takes for a recording. A symbolic link stays one: the file that it names is replaced.

    Raises:
        error: `path` is a device or a pipe, or the folder or the disk does not take it (the reason is named).
    """
    if path.exists() and not (path.is_file() or path.is_dir()):  # a folder refuses the rename by itself
        raise error(f"{path}: cannot be written: a device or a pipe, not a file")
    target = Path(os.path.realpath(path))
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(4)}.tmp")
    try:
        temporary.touch(mode=0o644, exist_ok=False)  # inside: a signal right after it finds the name to take away
        yield temporary
        _to_disk(temporary, os.O_RDWR)
        temporary.replace(target)
        with suppress(OSError):  # where a folder cannot be opened so, the system itself orders its entries
            _to_disk(target.parent, os.O_RDONLY)
    except OSError as reason:
        raise error(f"{path}: cannot be written: {reason.strerror or reason}") from None
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _to_disk(path: Path, flags: int) -> None:
    """Return when the disk holds what was written to a file, or the entries of a folder."""
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
