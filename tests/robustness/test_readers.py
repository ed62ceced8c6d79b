"""Readers on damaged, invented and hostile files: samples that are finite, or one line that names the file."""

from __future__ import annotations

import os
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

import vibekit as vk
from tests.robustness import files
from tests.robustness.contract import command, tried, within
from tests.robustness.profile import MORE, ROUNDS, SLOW_ROUNDS
from tests.robustness.targets import AUDIO, TARGETS, commands_on_damaged, read_bytes, read_damaged, sheet_text
from vibekit.errors import InputError
from vibekit.recording import source

Case = tuple[str, Callable[[bytes], bytes]]
FULL_SCALE = ("--full-scale", "50 g")


@pytest.mark.parametrize("name", sorted(files.SOUND))
def test_the_sound_file_that_is_damaged_below_is_read(name: str, tmp_path: Path) -> None:
    path = files.written(tmp_path, f"r{files.SOUND[name][0]}", files.sound(name))
    audio = path.suffix in AUDIO
    calibration = vk.Calibration.full_scale("1 m/s2") if audio else None
    rate = None if audio else float(files.RATE)
    unit = "m/s2" if name == "txt bare" else None  # all others say it themselves
    recording = vk.read(path, calibration=calibration, unit=unit, sample_rate=rate, includes_gravity=False)
    assert recording.sample_rate == pytest.approx(files.RATE, rel=1e-6)
    gain = 9.80665 if recording.origin.calibration.origin == "unit g" else 1.0
    assert recording.samples == pytest.approx(gain * files.samples()[:, : recording.n_samples], abs=5e-3)


@settings(ROUNDS, max_examples=5 * ROUNDS.max_examples)
@given(TARGETS["readers"][0])
def test_a_damaged_recording_is_read_or_refused(case: Case) -> None:
    read_damaged(case)


@settings(ROUNDS, max_examples=2 * ROUNDS.max_examples)
@given(TARGETS["tables"][0])
def test_any_table_is_read_or_refused(content: bytes) -> None:
    read_bytes(".csv", content)


@settings(ROUNDS, max_examples=4 * ROUNDS.max_examples)
@given(TARGETS["sheets"][0])
def test_any_sheet_is_loaded_or_refused(case: tuple[str, bytes]) -> None:
    sheet_text(case)


@settings(SLOW_ROUNDS)
@given(TARGETS["commands"][0])
def test_commands_on_damaged_recordings_keep_the_contract(case: tuple[str, str, Callable[[bytes], bytes]]) -> None:
    commands_on_damaged(case)


MEGABYTE = 1 << 20
_ROWS = b"1,2,3,4\n" * 100_000


@pytest.mark.parametrize(
    "content",
    [
        b"\n" * MEGABYTE,
        b"," * MEGABYTE,
        b'"' * MEGABYTE,
        b"# x\n" * (MEGABYTE // 4),
        b"9" * MEGABYTE,
        b"[" * 120_000 + b",x [g],y [g],z [g]\n" + _ROWS,
        b"_" * 120_000 + b",x [g],y [g],z [g]\n" + _ROWS,
        b"(" + b" " * 60_000 + b"_" * 60_000 + b",x [g],y [g],z [g]\n" + _ROWS,
        b"1," * 60_000 + b"1\n" + b"1," * 60_000 + b"1\n",
        b"time [s],x [g],y [g],z [g]\n" + b"".join(b"%d,1,2,3\n" % i**2 for i in range(40_000)),
        b"time [s],x [g],y [g],z [g]\n" + b"".join(b"%d.0,1,2,3\n" % (i // 2 * 1000 + i % 2) for i in range(60_000)),
        b"time [ns],x [g],y [g],z [g]\n" + b"".join(b"%d,1,2,3\n" % i for i in range(60_000)),
        b"time [s],x [g],y [g],z [g]\n" + b"".join(b"%d.5,1,2,3\n" % i for i in range(60_000)) + b"1e300,1,2,3\n",
        b"\xff\xfe" + bytes(range(256)) * 4096,
        b"\xff" * MEGABYTE,
    ],
    ids=lambda content: repr(content[:12]),
)
def test_a_megabyte_of_anything_ends_soon(content: bytes, tmp_path: Path) -> None:
    path = files.written(tmp_path, "r.csv", content)
    for word in ("check", "grade", "speed") if MORE > 1 else ("check",):
        command(word, path, "--unit", "g", "--sample-rate", "1000")


@pytest.mark.parametrize("rate", ["0.001", "8", "25", "100"])
@pytest.mark.parametrize("word", ["check", "grade", "speed", "spectrum", "diagnose", "exposure"])
def test_any_sample_rate_is_answered(word: str, rate: str, tmp_path: Path) -> None:
    rows = "\n".join(f"{i % 7 - 3},{i % 5 - 2},{i % 3 - 1}" for i in range(4000))
    path = files.written(tmp_path, "r.csv", f"x [g],y [g],z [g]\n{rows}\n".encode())
    outcome = command(word, path, "--sample-rate", rate, "--json")
    assert outcome.code in (0, 4)
    assert command(word, path, "--sample-rate", rate).code == outcome.code


@pytest.mark.parametrize("rate", ["20", "25", "100"])
@pytest.mark.parametrize("kind", ["order", "envelope"])
def test_any_spectrum_of_few_bins_is_answered(kind: str, rate: str, tmp_path: Path) -> None:
    rows = "\n".join(f"{i % 7 - 3},{i % 5 - 2},{i % 3 - 1}" for i in range(4000))
    path = files.written(tmp_path, "r.csv", f"x [g],y [g],z [g]\n{rows}\n".encode())
    assert command("spectrum", path, "--kind", kind, "--sample-rate", rate, "--json").code in (0, 4)


@pytest.mark.parametrize("rate", [0, 0xFFFFFFFF, 0x7FFFFFFF, 2_000_000])
def test_a_rate_that_no_sensor_has_is_refused(rate: int, tmp_path: Path) -> None:
    header = bytearray(files.sound("wav 16"))
    header[24:28] = struct.pack("<I", rate)
    path = files.written(tmp_path, "r.wav", bytes(header))
    assert command("grade", path, *FULL_SCALE).code == 3


def test_values_that_no_sensor_gives_are_refused_with_their_place(tmp_path: Path) -> None:
    path = files.written(tmp_path, "r.csv", b"x [m/s2],y [m/s2],z [m/s2]\n" + b"1,2,3\n" * 5000 + b"1,1e300,1\n")
    outcome = command("grade", path, "--sample-rate", "1000")
    assert outcome.code == 3
    assert "sample 5000" in outcome.err


def test_what_is_not_finite_in_a_tachometer_channel_is_refused(tmp_path: Path) -> None:
    import soundfile

    rows = np.zeros((4000, 4))
    rows[77, 3] = np.nan
    soundfile.write(tmp_path / "r.wav", rows, 1000, subtype="FLOAT")
    outcome = command("speed", tmp_path / "r.wav", *FULL_SCALE, "--axes", "x,y,z,tach")
    assert outcome.code == 3
    assert "sample 77" in outcome.err


def test_a_pickle_is_never_opened(tmp_path: Path) -> None:
    marker = tmp_path / "ran"

    class Evil:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            return os.system, (f"touch {marker}",)

    np.savez(tmp_path / "r.npz", x=np.array([Evil(), 1, 2], dtype=object))
    assert command("check", tmp_path / "r.npz", "--unit", "g", "--sample-rate", "100").code == 3
    assert not marker.exists()


def test_small_files_that_unpack_to_gigabytes_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit is lowered from 1 GiB so that the bombs can be small; HDF5 claims its size without holding it."""
    import h5py
    import pyarrow as pa
    import soundfile
    from pyarrow import parquet

    silence = np.zeros((2_000_000, 3), dtype=np.float32)
    np.savez_compressed(tmp_path / "r.npz", acceleration=silence)
    soundfile.write(tmp_path / "r.flac", silence, 1000)
    parquet.write_table(pa.table(dict.fromkeys("xyz", silence[:, 0])), tmp_path / "r.parquet", compression="zstd")
    with h5py.File(tmp_path / "r.h5", "w") as file:
        file.create_dataset("acceleration", shape=(3, 10**12), chunks=(3, 10**5), dtype="f4")
    with within(20):
        assert isinstance(tried(vk.open_recording, tmp_path / "r.h5", unit="g", sample_rate=1000.0), InputError)
    monkeypatch.setattr(source, "_UNPACKED_BYTES", MEGABYTE)
    for name in ("r.npz", "r.flac", "r.parquet"):
        options = FULL_SCALE if name == "r.flac" else ("--unit", "g", "--sample-rate", "1000")
        outcome = command("check", tmp_path / name, *options)
        assert outcome.code == 3, name
        assert "would unpack" in outcome.err, name


def test_a_zip_that_lies_about_its_sizes(tmp_path: Path) -> None:
    path = tmp_path / "r.npz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("acceleration.npy", bytes(5_000_000))
        archive.writestr("../../escape.npy", b"\x93NUMPY")
        archive.writestr("x.txt", b"no array")
    outcome = command("check", path, "--unit", "g", "--sample-rate", "1000")
    assert outcome.code == 3
    assert not (tmp_path.parent.parent / "escape.npy").exists()


def test_a_data_set_that_lies_in_another_file_is_refused(tmp_path: Path) -> None:
    import h5py

    (tmp_path / "secret.bin").write_bytes(bytes(range(256)) * 100)
    with h5py.File(tmp_path / "r.h5", "w") as file:
        place = (str(tmp_path / "secret.bin"), 0, 24_000)
        file.create_dataset("acceleration", shape=(3, 1000), dtype="f8", external=[place])
    outcome = command("check", tmp_path / "r.h5", "--unit", "g", "--sample-rate", "1000")
    assert outcome.code == 3
    assert "other files" in outcome.err


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
@pytest.mark.parametrize("place", ["recording", "sidecar", "tool", "bench", "task", "log", "table"])
@pytest.mark.parametrize("kind", ["pipe", "device", "folder", "loop"])
def test_what_is_no_file_is_not_waited_for(place: str, kind: str, tmp_path: Path) -> None:
    path = files.written(tmp_path, "r.wav", files.sound("wav 16"))
    names = {"recording": "p.wav", "sidecar": "r.toml", "log": "l.sqlite", "table": "t.csv", "task": "g.json"}
    odd = tmp_path / names.get(place, "odd.toml")
    if kind == "pipe":
        os.mkfifo(odd)
    elif kind == "device":
        odd.symlink_to("/dev/zero")
    elif kind == "folder":
        odd.mkdir()
    else:
        odd.symlink_to(odd.name)
    words: dict[str, list[str | Path]] = {
        "recording": ["check", odd, *FULL_SCALE],
        "sidecar": ["check", path, *FULL_SCALE],
        "tool": ["check", path, *FULL_SCALE, "--tool", odd],
        "bench": ["rank", odd, "--jobs", "1"],
        "task": ["exposure", f"{odd}@1h"],
        "log": ["log", "list", "--log", odd],
        "table": ["log", "import", odd, "--log", tmp_path / "new.sqlite"],
    }
    outcome = command(*words[place])
    assert outcome.code in ((0, 3) if (place, kind) == ("sidecar", "loop") else (3,)), outcome


NAMES = [
    "a\nb.wav",
    "\x1b[31mred.wav",
    "<script>alert(1)</script>.wav",
    "=1+1.wav",
    "\u202egpj.wav",
    "%s{0}$x.wav",
    "-x.wav",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_data_on_the_terminal_and_in_the_page(name: str, tmp_path: Path) -> None:
    (tmp_path / "r").mkdir()
    try:
        files.written(tmp_path / "r", name.replace("/", "\u2215"), files.sound("wav 16"))
    except OSError:
        pytest.skip("no such name on this file system")
    folder, page = tmp_path / "r", tmp_path / "page.html"
    assert command("check", folder, *FULL_SCALE).code == 0
    document = command("check", folder, *FULL_SCALE, "--json").document
    assert document["recordings"][0]["file"] == name.replace("/", "\u2215")
    command("report", folder, *FULL_SCALE, "--out", page)
    text = page.read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text


@pytest.mark.skipif(os.name != "posix", reason="names of bytes")
def test_a_name_that_is_no_text_is_said_to_be_so(tmp_path: Path) -> None:
    folder = tmp_path / "r"
    folder.mkdir()
    bad = os.fsencode(folder) + b"/bad\xff.wav"
    try:
        Path(os.fsdecode(bad)).write_bytes(files.sound("wav 16"))
    except OSError:
        pytest.skip("no such name on this file system")
    assert command("check", folder, *FULL_SCALE).code == 3
    assert command("check", os.fsdecode(bad), *FULL_SCALE).code == 2
