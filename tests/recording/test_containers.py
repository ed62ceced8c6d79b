"""What containers say of themselves: times and numbers in Parquet, lengths in audio headers, why they are refused."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import vibekit as vk
from tests.recording.test_formats import FULL_SCALE, RATE, TRUE, audio
from vibekit.errors import InputError

SHORT = TRUE[:, :1600]
NANOSECONDS = 156_250 * np.arange(SHORT.shape[1])  # 6400 a second, exactly


def table(folder: Path, **columns: Any) -> Path:
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    pq.write_table(pa.table(columns), folder / "a.parquet", row_group_size=700)
    return folder / "a.parquet"


def times() -> dict[str, Any]:
    pa = pytest.importorskip("pyarrow")
    start = 1_772_878_500_000_000_000  # 2026-03-07T10:15:00Z in ns, more digits than a float holds
    return {
        "time [s]": NANOSECONDS / 1e9,
        "time [ns]": start + NANOSECONDS,
        "timestamp": pa.array(start + NANOSECONDS, pa.timestamp("ns", tz="UTC")),
        "time": pa.array((start + NANOSECONDS) // 1000, pa.timestamp("us")),
    }


@pytest.mark.parametrize("name", ["time [s]", "time [ns]", "timestamp", "time"])
def test_every_kind_of_time_in_parquet_is_the_same_clock(tmp_path: Path, name: str) -> None:
    """Stamps of microseconds round 156.25 µs to 156: the clock is even all the same."""
    pa = pytest.importorskip("pyarrow")
    axes = {f"{axis} [m/s2]": pa.array(row, pa.float64()) for axis, row in zip("xyz", SHORT, strict=True)}
    recording = vk.read(table(tmp_path, **{name: times()[name]}, **axes))
    np.testing.assert_array_equal(recording.samples, SHORT)
    assert recording.sample_rate == pytest.approx(RATE, rel=1e-5)
    timing = recording.origin.timing
    assert timing is not None and not timing.resampled and timing.gaps == ()


def test_whole_and_short_numbers_in_parquet(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    counts = np.round(SHORT[0] * 32768).astype(np.int16)
    columns = {"x [m/s2]": pa.array(counts), "y [m/s2]": pa.array(SHORT[1].astype(np.float32))}
    recording = vk.read(table(tmp_path, **columns), sample_rate=RATE)
    np.testing.assert_array_equal(recording.samples, np.stack([counts.astype(float), SHORT[1]]))
    assert "read Parquet" in recording.origin.log[0]


def test_parquet_of_no_use(tmp_path: Path) -> None:
    path = table(tmp_path, **{"x [m/s2]": np.zeros(0)})
    with pytest.raises(InputError, match=r"a\.parquet: holds no samples"):
        vk.read(path, sample_rate=RATE)
    path.write_bytes(b"PAR1 and no more of it PAR1")
    with pytest.raises(InputError, match=r"a\.parquet: cannot be read as Parquet: "):
        vk.read(path, sample_rate=RATE)


def test_what_is_missing_in_parquet(tmp_path: Path) -> None:
    """A stamp or a value that is not there is named, and no reason to take the column for something else."""
    pa = pytest.importorskip("pyarrow")
    values, place = SHORT[0].tolist(), np.arange(SHORT.shape[1])
    stamped = pa.array(times()["time [ns]"], pa.timestamp("ns", tz="UTC"), mask=place == 5)
    with pytest.raises(InputError, match=r"a\.parquet: a timestamp is missing after sample 0"):
        vk.read(table(tmp_path, timestamp=stamped, **{"x [m/s2]": SHORT[0]}))
    path = table(tmp_path, **{"x [m/s2]": pa.array([*values[:1000], None, *values[1001:]], pa.float64())})
    with pytest.raises(InputError, match=r"a\.parquet: sample 1000 of x \[m/s2\] is not finite"):
        vk.read(path, sample_rate=RATE)


def header(path: Path, at: int, value: int, order: Any = "little", size: int = 4) -> bytes:
    content = bytearray(path.read_bytes())
    content[at : at + size] = value.to_bytes(size, order)
    return bytes(content)


@pytest.mark.parametrize(
    ("form", "at", "order", "size", "own"),
    [
        ("WAV", 4, "little", 4, 8),  # RIFF: the bytes after these eight (Microsoft/IBM 1991)
        ("RF64", 20, "little", 8, 8),  # in the ds64 chunk (EBU Tech 3306)
        ("AIFF", 4, "big", 4, 8),  # FORM: big-endian (Apple 1989)
        ("W64", 16, "little", 8, 0),  # counts its own header
    ],
)
def test_a_file_shorter_than_its_header_states(
    tmp_path: Path, form: str, at: int, order: str, size: int, own: int
) -> None:
    """The stated length itself is whole; one byte more is a file cut short. Zero and all ones say: not known."""
    path = audio(tmp_path, form, "PCM_16")
    whole, true = path.stat().st_size, path.read_bytes()
    for stated in (whole - own, 0, (1 << 8 * size) - 1):
        path.write_bytes(header(path, at, stated, order, size))
        assert vk.read(path, calibration=FULL_SCALE).n_samples == TRUE.shape[1]
    for more in (1, 1000):
        path.write_bytes(header(path, at, whole - own + more, order, size))
        with pytest.raises(InputError, match=rf": truncated: {whole} bytes of the {whole + more} that its header st"):
            vk.read(path, calibration=FULL_SCALE)
    path.write_bytes(true)


def test_audio_of_no_use(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    for content, words in (
        (b"just text, no recording", r"a\.wav: is not a WAV file: its first bytes are of no such format"),
        (b"RIFF\x00\x00\x00\x00WAVEnonsense", r"a\.wav: cannot be read as WAV: [A-Z].*[a-z]$"),
    ):
        path.write_bytes(content)
        with pytest.raises(InputError, match=words):
            vk.read(path, calibration=FULL_SCALE)
    soundfile.write(path, TRUE.T[:0], RATE)
    with pytest.raises(InputError, match=r"a\.wav: holds no samples"):
        vk.read(path, calibration=FULL_SCALE)
    soundfile.write(path, TRUE.T, RATE, subtype="ULAW")
    with pytest.raises(InputError, match=r"a\.wav: encoding ULAW does not keep amplitudes: record as PCM or float"):
        vk.read(path, calibration=FULL_SCALE)


@pytest.mark.parametrize(("subtype", "bits"), [("PCM_U8", 8), ("PCM_16", 16), ("PCM_24", 24)])
def test_audio_says_what_it_is(tmp_path: Path, subtype: str, bits: int) -> None:
    """A count is full scale over 2^(bits - 1); full scale must be known to read it."""
    path = tmp_path / "a.wav"
    counts = np.arange(-100, 100) / 2.0 ** (bits - 1)
    soundfile.write(path, np.stack([counts, -counts], axis=1), 48_000, subtype=subtype)
    recording = vk.read(path, calibration=FULL_SCALE, axes=["x", "z"])
    np.testing.assert_allclose(recording.samples[0], counts, atol=1e-12)
    assert f"read WAV {subtype}, 2 channels at 48000 Hz" in recording.origin.log[0]
    assert recording.sample_rate == 48_000
    with pytest.raises(InputError, match="full"):
        vk.read(path, axes=["x", "z"])


def test_a_small_file_that_unpacks_to_an_age(tmp_path: Path) -> None:
    """Silence packs well: a header that promises far more than the bytes can hold is not believed."""
    target = io.BytesIO()
    soundfile.write(target, np.zeros((100, 1)), RATE, format="FLAC", subtype="PCM_16")
    content = bytearray(target.getvalue())
    place = content.index(b"fLaC") + 8 + 13  # STREAMINFO: 36 bits of length end at its 18th byte (RFC 9639, 8.2)
    content[place : place + 5] = bytes([content[place] | 0x0F, 0xFF, 0xFF, 0xFF, 0xFF])
    path = tmp_path / "a.flac"
    path.write_bytes(content)
    with pytest.raises(InputError, match="no recording packs like that"):
        vk.read(path, calibration=FULL_SCALE, axes=["x"])
