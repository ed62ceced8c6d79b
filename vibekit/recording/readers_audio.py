"""Audio-type files through soundfile: WAV (also RF64, W64), FLAC, AIFF, CAF."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from vibekit.errors import InputError
from vibekit.recording.source import RawSource, require_plausible_size

SUFFIXES = frozenset({".wav", ".wave", ".rf64", ".w64", ".flac", ".aif", ".aiff", ".aifc", ".caf"})

# What these files start with; others are not handed to the library, which would try them as MP3 and print notes.
_STARTS = (b"RIFF", b"RIFX", b"RF64", b"riff", b"fLaC", b"FORM", b"caff")

# Stored integers are read as they are: soundfile's conversion to float costs 8 times a plain read of 16-bit counts.
_COUNTS = {
    "PCM_16": ("int16", 2.0**-15),
    "PCM_S8": ("int16", 2.0**-15),
    "PCM_U8": ("int16", 2.0**-15),
    "PCM_24": ("int32", 2.0**-31),
    "PCM_32": ("int32", 2.0**-31),
    "FLOAT": ("float32", 1.0),
    "DOUBLE": ("float64", 1.0),
}


def open_audio(path: Path) -> RawSource:
    """Return an audio-type file as a source; needs a full scale to be calibrated.

    Raises:
        InputError: not such a file, corrupt, or a lossy encoding.
    """
    import soundfile

    with path.open("rb") as file:
        if not file.read(12).startswith(_STARTS):
            raise InputError(f"{path}: is not a {path.suffix[1:].upper()} file: its first bytes are of no such format")
    try:
        info = soundfile.info(str(path))
    except (soundfile.LibsndfileError, OSError) as error:
        raise InputError(f"{path}: cannot be read as {path.suffix[1:].upper()}: {_reason(error)}") from None
    if info.subtype not in _COUNTS:
        raise InputError(f"{path}: encoding {info.subtype} does not keep amplitudes: record as PCM or float")
    if info.frames == 0:
        raise InputError(f"{path}: holds no samples")
    _require_whole(path)
    require_plausible_size(path, info.frames * info.channels * 2)
    dtype, unit_per_count = _COUNTS[info.subtype]

    def blocks(size: int, first: int, last: int | None) -> Iterator[Any]:
        try:
            with soundfile.SoundFile(str(path)) as file:
                file.seek(first)
                left = (info.frames if last is None else min(last, info.frames)) - first
                while left > 0:
                    block = file.read(min(size, left), dtype=dtype, always_2d=True)
                    if len(block) == 0:
                        raise InputError(f"{path}: ends {left} samples early: the file is truncated")
                    left -= len(block)
                    yield block
        except soundfile.LibsndfileError as error:
            raise InputError(f"{path}: corrupt after its start: {_reason(error)}") from None

    return RawSource(
        n_channels=info.channels,
        blocks=blocks,
        sample_rate=float(info.samplerate),
        n_frames=info.frames,
        unit_per_count=unit_per_count,
        needs_full_scale=True,
        log=(f"read {info.format} {info.subtype}, {info.channels} channels at {info.samplerate} Hz",),
    )


def _require_whole(path: Path) -> None:
    """Refuse a WAV, RF64, W64 or AIFF file that ends before the length its header states.

    The library reads such files as if they were shorter. A length of zero or all ones means that the recorder did not
    know it when it wrote the header: then what is there is the recording.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(48)
    unknown = {0, 0xFFFFFFFF, 0xFFFFFFFFFFFFFFFF}
    stated, own = 0, 8  # what the length does not count
    if head[:4] == b"RIFF":
        stated = int.from_bytes(head[4:8], "little")
    elif head[:4] == b"RF64" and head[12:16] == b"ds64":
        stated = int.from_bytes(head[20:28], "little")
    elif head[:4] == b"FORM":
        stated = int.from_bytes(head[4:8], "big")
    elif head[:4] == b"riff":  # W64 counts its own header
        stated, own = int.from_bytes(head[16:24], "little"), 0
    if stated not in unknown and size < stated + own:
        raise InputError(f"{path}: truncated: {size} bytes of the {stated + own} that its header states")


def _reason(error: Exception) -> str:
    return str(error).split(":")[-1].strip().rstrip(".")
