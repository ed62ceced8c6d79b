"""Small sound recordings in every format, and the ways in which they are damaged."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import strategies as st

RATE = 800
SECONDS = 3


@lru_cache(maxsize=1)
def samples() -> np.ndarray[Any, np.dtype[np.float64]]:
    """Return three axes of a 50 Hz shake with noise, shape (3, n), peak below 1."""
    rng = np.random.default_rng(5)
    t = np.arange(RATE * SECONDS) / RATE
    shake = np.stack([np.sin(2 * np.pi * 50 * t + p) for p in (0, 1, 2)])
    return np.asarray(0.3 * shake + 0.02 * rng.standard_normal(shake.shape))


def _audio(kind: str, subtype: str) -> bytes:
    import soundfile

    target = io.BytesIO()
    soundfile.write(target, samples().T, RATE, format=kind, subtype=subtype)
    return target.getvalue()


def _text(header: str, delimiter: str, decimal: str, stamp: Callable[[int], str]) -> bytes:
    lines = [header] if header else []
    for i, row in enumerate(samples().T[: 2 * RATE]):
        values = [stamp(i), *(f"{v:.5f}" for v in row)]
        lines.append(delimiter.join(v.replace(".", decimal) for v in values if v))
    return "\n".join(lines).encode()


def _npz() -> bytes:
    target = io.BytesIO()
    np.savez_compressed(target, **dict(zip("xyz", samples(), strict=True)), sample_rate_hz=RATE, unit="g")
    return target.getvalue()


def _mat() -> bytes:
    import scipy.io

    target = io.BytesIO()
    scipy.io.savemat(target, {"acceleration": samples(), "fs": RATE, "unit": "g"}, do_compression=True)
    return target.getvalue()


def _hdf5() -> bytes:
    import h5py

    target = io.BytesIO()
    with h5py.File(target, "w") as file:
        data = file.create_dataset("run/acceleration", data=samples(), compression="gzip")
        data.attrs["fs"], data.attrs["unit"] = RATE, "g"
    return target.getvalue()


def _parquet() -> bytes:
    import pyarrow as pa
    from pyarrow import parquet

    target = io.BytesIO()
    columns = {"time [ms]": np.arange(samples().shape[1]) * 1000 / RATE}
    columns |= {f"{axis} [g]": row for axis, row in zip("xyz", samples(), strict=True)}
    parquet.write_table(pa.table(columns), target)
    return target.getvalue()


def _universal() -> bytes:
    """Return universal file 58: three data sets, each a header of 11 lines and values in E13.5."""
    lines = []
    for direction, row in enumerate(samples(), start=1):
        values = row[: 2 * RATE]
        lines += ["    -1", "    58", "run", "NONE", "NONE", "NONE", "NONE"]
        lines.append(f"{1:5d}{0:10d}{0:5d}{0:10d} {'NONE':10s}{1:10d}{direction:4d} {'NONE':10s}{0:10d}{0:4d}")
        lines.append(f"{2:10d}{values.size:10d}{1:10d}{0.0:13.5E}{1 / RATE:13.5E}{0.0:13.5E}")
        for kind, label, unit in (
            (17, "Time", "s"),
            (12, "Acceleration", "m/s2"),
            (0, "NONE", "NONE"),
            (0, "NONE", "NONE"),
        ):
            lines.append(f"{kind:10d}    0    0    0 {label:20s} {unit:20s}")
        lines += ["".join(f"{v:13.5E}" for v in values[i : i + 6]) for i in range(0, values.size, 6)]
        lines.append("    -1")
    return ("\n".join(lines) + "\n").encode()


SOUND: dict[str, tuple[str, Callable[[], bytes]]] = {
    "wav 16": (".wav", lambda: _audio("WAV", "PCM_16")),
    "wav 24": (".wav", lambda: _audio("WAV", "PCM_24")),
    "wav float": (".wav", lambda: _audio("WAV", "FLOAT")),
    "wav double": (".wav", lambda: _audio("WAV", "DOUBLE")),
    "w64": (".w64", lambda: _audio("W64", "PCM_16")),
    "rf64": (".rf64", lambda: _audio("RF64", "PCM_16")),
    "flac": (".flac", lambda: _audio("FLAC", "PCM_16")),
    "aiff": (".aiff", lambda: _audio("AIFF", "PCM_16")),
    "caf": (".caf", lambda: _audio("CAF", "FLOAT")),
    "csv": (".csv", lambda: _text("time [s],x [g],y [g],z [g]", ",", ".", lambda i: f"{i / RATE:.6f}")),
    "csv comma": (".csv", lambda: _text("time [ms];x [g];y [g];z [g]", ";", ",", lambda i: f"{1e3 * i / RATE:.3f}")),
    "tsv iso": (
        ".tsv",
        lambda: _text(
            "time\tx [m/s2]\ty [m/s2]\tz [m/s2]",
            "\t",
            ".",
            lambda i: f"2026-03-07T10:15:{i / RATE:09.6f}".replace(" ", "0"),
        ),
    ),
    "txt bare": (".txt", lambda: _text("", " ", ".", lambda i: "")),
    "npz": (".npz", _npz),
    "mat": (".mat", _mat),
    "hdf5": (".h5", _hdf5),
    "universal": (".uff", _universal),
    "parquet": (".parquet", _parquet),
}


@lru_cache(maxsize=len(SOUND))
def sound(name: str) -> bytes:
    """Return a sound file of that kind."""
    return SOUND[name][1]()


_LENGTHS = st.sampled_from([0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF])
_TEXT_PARTS = st.sampled_from(
    [
        b"nan",
        b"inf",
        b"1e999",
        b"-1e308",
        b"9" * 400,
        b'"',
        b"\x00",
        b"\r",
        b"\n\n",
        b";",
        b",",
        b"\xff",
        b"=1+1",
        b"\xef\xbb\xbf",
        b"#",
        b"\x1b[31m",
        b"<script>",
        b"9999-99-99T99:99:99",
        b"(" * 300,
        b" " * 300,
    ]
)


@st.composite
def damages(draw: st.DrawFn) -> Callable[[bytes], bytes]:
    """Return one to four changes of a file: bytes and lengths overwritten, parts cut, doubled, moved or put in."""
    changes = [draw(_change()) for _ in range(draw(st.integers(1, 4)))]

    def damaged(data: bytes) -> bytes:
        for change in changes:
            data = change(data)
        return data

    return damaged


@st.composite
def _change(draw: st.DrawFn) -> Callable[[bytes], bytes]:
    kind = draw(st.sampled_from(["byte", "length", "cut", "end", "double", "put", "zero", "part"]))
    near_start = draw(st.booleans())  # headers are where the interesting bytes are
    place = draw(st.floats(0, 1, exclude_max=True))
    size = draw(st.integers(1, 64))
    filler = draw(st.one_of(st.binary(min_size=1, max_size=16), _TEXT_PARTS))
    number = draw(_LENGTHS)
    order = draw(st.sampled_from(["<", ">"]))
    width = draw(st.sampled_from(["H", "I", "Q"]))

    def change(data: bytes) -> bytes:
        at = int(place * (min(len(data), 200) if near_start else len(data)))
        packed = struct.pack(order + width, number & {"H": 0xFFFF, "I": 0xFFFFFFFF}.get(width, 0xFFFFFFFF))
        return {
            "byte": data[:at] + filler[:1] + data[at + 1 :],
            "length": data[:at] + packed + data[at + len(packed) :],
            "cut": data[:at] + data[at + size :],
            "end": data[:at],
            "double": data[: at + size] + data[at:],
            "put": data[:at] + filler + data[at:],
            "zero": data[:at] + bytes(size) + data[at + size :],
            "part": data[at:],
        }[kind]

    return change


def written(folder: Path, name: str, content: bytes) -> Path:
    """Write a recording alone in its folder, no sidecar beside it."""
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_bytes(content)
    return path
