"""Audio-type files through soundfile: WAV (also RF64, W64), FLAC, AIFF, CAF."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from vibekit.errors import InputError
from vibekit.recording.audio_length import as_read, length_notices
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
_UNKNOWN_FRAMES = 1 << 60  # the library's answer where a header leaves the length open is of that size
_BYTES = {"PCM_16": 2, "PCM_S8": 1, "PCM_U8": 1, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}


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
        info = soundfile.info(as_read(path))
    except (soundfile.LibsndfileError, OSError) as error:
        raise InputError(f"{path}: cannot be read as {path.suffix[1:].upper()}: {_reason(error)}") from None
    if info.subtype not in _COUNTS:
        raise InputError(f"{path}: encoding {info.subtype} does not keep amplitudes: record as PCM or float")
    dtype, unit_per_count = _COUNTS[info.subtype]
    frames = info.frames
    notices = length_notices(path, frames, info.channels * _BYTES[info.subtype])
    if frames >= _UNKNOWN_FRAMES:
        raise InputError(f"{path}: its header states no length, as when a recorder stops halfway: convert it to WAV")
    if frames == 0:
        raise InputError(f"{path}: holds no samples")
    require_plausible_size(path, frames * info.channels * 2)

    def blocks(size: int, first: int, last: int | None) -> Iterator[Any]:
        try:
            with soundfile.SoundFile(as_read(path)) as file:
                file.seek(first)
                left = (frames if last is None else min(last, frames)) - first
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
        n_frames=frames,
        unit_per_count=unit_per_count,
        needs_full_scale=True,
        log=(f"read {info.format} {info.subtype}, {info.channels} channels at {info.samplerate} Hz",),
        notices=notices,
    )


def _reason(error: Exception) -> str:
    return str(error).split(":")[-1].strip().rstrip(".")
