"""Audio files whose header and length contradict each other. Sound files by soundfile; headers changed byte by byte."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

import vibekit as vk
from tests.documents import said

N = 4000
SAMPLES = (0.3 * np.random.default_rng(0).standard_normal((N, 3))).clip(-1, 1)
SCALE = vk.Calibration.full_scale("1 m/s2")


def sound(folder: Path, suffix: str = "wav", subtype: str = "PCM_16") -> bytes:
    path = folder / f"sound.{suffix}"
    soundfile.write(path, SAMPLES, 800, subtype=subtype, format="RF64" if suffix == "rf64" else None)
    return path.read_bytes()


def length(content: bytes, riff: int | None, data: int) -> bytes:
    """Return a WAV with other lengths in its header (RIFF and data)."""
    at = content.index(b"data") + 4
    head = content[:4] + (content[4:8] if riff is None else struct.pack("<I", riff)) + content[8:at]
    return head + struct.pack("<I", data) + content[at + 4 :]


def align(content: bytes, value: int) -> bytes:
    at = content.index(b"fmt ") + 20
    return content[:at] + struct.pack("<H", value) + content[at + 2 :]


WHOLE: list[tuple[str, Callable[[bytes], bytes], str | None]] = [
    ("as it is", lambda b: b, None),
    ("nothing stated", lambda b: length(b, 0, 0), "length_unstated"),
    ("only the data's length missing", lambda b: length(b, None, 0), "length_unstated"),
    ("all ones", lambda b: length(b, 0xFFFFFFFF, 0xFFFFFFFF), "length_unstated"),
    ("a chunk after the samples", lambda b: b + b"LIST" + struct.pack("<I", 10) + b"INFOabcdef", None),
    ("odd bytes at the end", lambda b: b + b"\1\2\3", "bytes_left_out"),
    ("room kept for more", lambda b: b + bytes(9999), "bytes_left_out"),
]


@pytest.mark.parametrize(("edit", "code"), [row[1:] for row in WHOLE], ids=[row[0] for row in WHOLE])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_read_to_its_end_and_said(
    tmp_path: Path, edit: Callable[[bytes], bytes], code: str | None, subtype: str
) -> None:
    content = sound(tmp_path, subtype=subtype)
    truth = soundfile.read(tmp_path / "sound.wav")[0]
    path = tmp_path / "r.wav"
    path.write_bytes(edit(content))
    found = vk.read(path, calibration=SCALE)
    np.testing.assert_allclose(found.samples, truth.T, atol=1e-9)
    own = [n for n in found.origin.notices if n.code != "axes_assumed"]
    assert [n.code for n in own] == ([code] if code else [])
    for notice in own:
        said(notice)
    later = vk.read(path, calibration=SCALE, start_s=2.0, stop_s=3.0)
    np.testing.assert_allclose(later.samples, truth[1600:2400].T, atol=1e-9)


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda b: length(b, None, N // 4 * 6), "header states 1000 samples, the file has room for 4000"),
        (lambda b: length(b, 36 + N // 4 * 6, N // 4 * 6), "header states 1000 samples, the file has room for 4000"),
        (lambda b: b[:-500], "truncated: .* bytes of the .* that its header states"),
        (lambda b: length(b, None, 6 * N + 600), "truncated"),
        (lambda b: align(b, 8), "3 channels of 16 bits are not 8 bytes a frame"),
        (lambda b: length(b, 0, 0)[: b.index(b"data") + 8], "holds no samples"),
    ],
)
def test_a_header_that_contradicts_its_file(tmp_path: Path, edit: Callable[[bytes], bytes], words: str) -> None:
    path = tmp_path / "r.wav"
    path.write_bytes(edit(sound(tmp_path)))
    with pytest.raises(vk.InputError, match=words) as caught:
        vk.read(path, calibration=SCALE)
    assert "\n" not in str(caught.value)


def test_other_kinds(tmp_path: Path) -> None:
    content = sound(tmp_path, "rf64", "PCM_24")
    assert vk.read(tmp_path / "sound.rf64", calibration=SCALE).n_samples == N
    at = content.index(b"ds64") + 16
    (tmp_path / "short.rf64").write_bytes(content[:at] + struct.pack("<Q", 9000) + content[at + 8 :])
    with pytest.raises(vk.InputError, match="header states 1000 samples, the file has room for 4000"):
        vk.read(tmp_path / "short.rf64", calibration=SCALE)
    content = sound(tmp_path, "flac", "PCM_24")
    (tmp_path / "cut.flac").write_bytes(content[: len(content) // 2])
    with pytest.raises(vk.InputError, match=r"corrupt|truncated|ends"):
        vk.read(tmp_path / "cut.flac", calibration=SCALE)
    open_end = content[:21] + bytes([content[21] & 0xF0]) + bytes(4) + content[26:]
    (tmp_path / "open.flac").write_bytes(open_end)
    with pytest.raises(vk.InputError, match="its header states no length"):
        vk.read(tmp_path / "open.flac", calibration=SCALE)
    for suffix in ("w64", "aiff", "caf"):
        sound(tmp_path, suffix)
        assert vk.read(tmp_path / f"sound.{suffix}", calibration=SCALE).n_samples == N


def test_the_sample_rate_of_a_header_is_not_another(tmp_path: Path) -> None:
    sound(tmp_path)
    with pytest.raises(vk.InputError, match=r"the file says 800 Hz, --sample-rate says 1600 Hz: one of them is wrong"):
        vk.read(tmp_path / "sound.wav", calibration=SCALE, sample_rate=1600.0)
