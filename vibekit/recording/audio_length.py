"""Whether an audio file holds as many samples as its header states: neither cut short nor read short in silence."""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from vibekit.errors import InputError, Notice

_UNKNOWN = (0, 0xFFFFFFFF, 0xFFFFFFFFFFFFFFFF)  # a recorder did not know the length when it wrote the header
_LINEAR = (1, 3, 0xFFFE)  # PCM, float, extensible
_ASIDE = 65536  # bytes that an AIFF, CAF or W64 file may hold beside its samples: names, remarks (no source)
_BLOCK = 1 << 20


@dataclass(frozen=True)
class _Data:
    """Where the samples of a RIFF file lie: stated length [bytes], None where the recorder left it open."""

    start: int
    stated: int | None
    frame: int


def length_notices(path: Path, frames: int, frame_bytes: int) -> tuple[Notice, ...]:
    """Return what is to be said of the length of an audio file; `frames` of `frame_bytes` are read from it.

    Raises:
        InputError: the file ends before the length its header states, goes on after it, or its frames do not fit.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(48)
        if head[:4] in (b"RIFF", b"RIFX", b"RF64"):
            found = _riff_data(path, file, size)
            said = () if found is None else _riff_notices(path, file, found, size)
            _require_whole(path, head, size)
            return said
    _require_whole(path, head, size)
    beside = size - frames * frame_bytes
    if head[:4] in (b"FORM", b"riff", b"caff") and beside > max(_ASIDE, size // 10):
        raise _contradiction(path, frames, size // frame_bytes)
    return ()


def as_read(path: Path) -> str | io.FileIO:
    """Return what the sound library is to open: the file, or one that reads a length left open as 0 as all ones.

    The library reads a length of all ones to the end of the file, and takes 0 for none.
    """
    with path.open("rb") as file:
        if file.read(4) not in (b"RIFF", b"RIFX"):
            return str(path)
        file.seek(0)
        order = "big" if file.read(4) == b"RIFX" else "little"
        chunks = _chunks(file, 12, path.stat().st_size, order)
        at = next((start - 4 for name, start, length in chunks if name == b"data" and length == 0), None)
    return str(path) if at is None else _OpenLength(path, at)


class _OpenLength(io.FileIO):
    """A file whose four bytes at `at` read as all ones."""

    def __init__(self, path: Path, at: int) -> None:
        super().__init__(path)
        self._at = at

    def readinto(self, buffer: Any) -> int:
        """Read bytes into a buffer; return how many."""
        at = self.tell()
        count = super().readinto(buffer) or 0
        first, last = max(self._at, at), min(self._at + 4, at + count)
        if first < last:
            memoryview(buffer).cast("B")[first - at : last - at] = b"\xff" * (last - first)
        return count

    def read(self, size: int | None = -1) -> bytes:
        """Return up to `size` bytes."""
        buffer = bytearray(size if size is not None and size >= 0 else os.fstat(self.fileno()).st_size - self.tell())
        return bytes(buffer[: self.readinto(buffer)])


def _require_whole(path: Path, head: bytes, size: int) -> None:
    """Refuse a file that ends before the length its header states for the whole; libraries read it as if shorter."""
    stated, own = 0, 8  # what the length does not count
    if head[:4] in (b"RIFF", b"RIFX"):
        stated = int.from_bytes(head[4:8], "little" if head[:4] == b"RIFF" else "big")
    elif head[:4] == b"RF64" and head[12:16] == b"ds64":
        stated = int.from_bytes(head[20:28], "little")
    elif head[:4] == b"FORM":
        stated = int.from_bytes(head[4:8], "big")
    elif head[:4] == b"riff":  # W64 counts its own header
        stated, own = int.from_bytes(head[16:24], "little"), 0
    if stated not in _UNKNOWN and size < stated + own:
        raise _truncated(path, size, stated + own)


def _riff_data(path: Path, file: BinaryIO, size: int) -> _Data | None:
    """Return where the samples lie; None where a chunk is damaged, which the library will say."""
    file.seek(0)
    order = "big" if file.read(4) == b"RIFX" else "little"
    frame, long_size = 0, None
    for name, start, length in _chunks(file, 12, size, order):
        file.seek(start)
        if name == b"ds64":
            long_size = int.from_bytes(file.read(16)[8:], "little")
        if name == b"fmt ":
            frame = _frame_bytes(path, file.read(16), order)
        if name == b"data":
            stated = long_size if length == 0xFFFFFFFF and long_size else length
            return _Data(start, None if stated in _UNKNOWN else stated, frame) if frame else None
    return None


def _chunks(file: BinaryIO, at: int, size: int, order: str) -> Iterator[tuple[bytes, int, int]]:
    """Yield name, start and length [bytes] of each chunk from `at` on."""
    while at + 8 <= size:
        file.seek(at)
        name, length = file.read(4), int.from_bytes(file.read(4), order)  # type: ignore[arg-type]
        yield name, at + 8, length
        at += 8 + length + length % 2


def _frame_bytes(path: Path, fmt: bytes, order: str) -> int:
    kind, channels, align, bits = (int.from_bytes(fmt[i : i + 2], order) for i in (0, 2, 12, 14))  # type: ignore[arg-type]
    if kind in _LINEAR and align != channels * -(-bits // 8):
        raise InputError(
            f"{path}: its header contradicts itself: {channels} channels of {bits} bits are not {align} bytes a frame"
        )
    return align


def _riff_notices(path: Path, file: BinaryIO, data: _Data, size: int) -> tuple[Notice, ...]:
    there = size - data.start
    if data.stated is None:
        if there == 0 or _is_chain(file, data.start, size):
            raise InputError(f"{path}: holds no samples")
        return (_open_length(there // data.frame),)
    if data.stated > there:
        raise _truncated(path, size, data.start + data.stated)
    end = data.start + data.stated + data.stated % 2
    if end >= size or _is_chain(file, end, size):
        return ()
    left = size - end
    if left >= data.frame and not _is_blank(file, end):
        raise _contradiction(path, data.stated // data.frame, there // data.frame)
    what = "less than one sample" if left < data.frame else "blank space"
    message = f"{left} bytes after the end of the samples are left out ({what})"
    return (Notice("bytes_left_out", "info", message, left),)


def _is_chain(file: BinaryIO, at: int, size: int) -> bool:
    """Tell whether whole chunks with names in letters, and nothing else, stand from `at` to the end of the file."""
    file.seek(0)
    order = "big" if file.read(4) == b"RIFX" else "little"
    for name, start, length in _chunks(file, at, size, order):
        if not all(32 <= letter < 127 for letter in name) or start + length > size:
            return False
        at = start + length + length % 2
    return at >= size


def _is_blank(file: BinaryIO, at: int) -> bool:
    file.seek(at)
    while block := file.read(_BLOCK):
        if any(block):
            return False
    return True


def _open_length(frames: int) -> Notice:
    """Return what is to be said of a file whose header leaves its length open."""
    return Notice(
        "length_unstated",
        "caution",
        f"the header states no length, as when a recorder stops halfway: read to the end, {frames} samples",
        frames,
        remedy="see whether the recording is as long as the work took",
    )


def _truncated(path: Path, size: int, stated: int) -> InputError:
    return InputError(f"{path}: truncated: {size} bytes of the {stated} that its header states")


def _contradiction(path: Path, stated: int, there: int) -> InputError:
    return InputError(
        f"{path}: its header states {stated} samples, the file has room for {there}: "
        "finish it in the recorder, or repair the header"
    )
