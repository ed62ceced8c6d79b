"""The same signal in every format gives the same recording, bit for bit where the format allows; damage is named."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io
import soundfile

import vibekit as vk

RATE = 6400
COUNTS = np.random.default_rng(5).integers(-30000, 30000, (3, 3000))
TRUE = COUNTS / 32768.0  # exact in every format, as 16-bit counts are
FULL_SCALE = vk.Calibration.full_scale("1 m/s2")


def audio(folder: Path, form: str, subtype: str) -> Path:
    path = (
        folder
        / f"a.{ {'WAV': 'wav', 'RF64': 'rf64', 'W64': 'w64', 'FLAC': 'flac', 'AIFF': 'aiff', 'CAF': 'caf'}[form] }"
    )
    soundfile.write(path, TRUE.T, RATE, format=form, subtype=subtype)
    return path


def npz(folder: Path) -> Path:
    np.savez(folder / "a.npz", x=TRUE[0], y=TRUE[1], z=TRUE[2], sample_rate_hz=RATE, unit="m/s2")
    return folder / "a.npz"


def npz_one_array(folder: Path) -> Path:
    np.savez_compressed(folder / "a.npz", acceleration=TRUE.T, sample_rate_hz=RATE, unit="m/s2")
    return folder / "a.npz"


def mat(folder: Path) -> Path:
    names = {"x": TRUE[0], "y": TRUE[1], "z": TRUE[2], "sample_rate_hz": float(RATE), "unit": "m/s2"}
    scipy.io.savemat(folder / "a.mat", names)
    return folder / "a.mat"


def mat_one_array(folder: Path) -> Path:
    scipy.io.savemat(folder / "a.mat", {"acceleration": TRUE, "sample_rate_hz": float(RATE), "unit": "m/s2"})
    return folder / "a.mat"


def hdf5(folder: Path) -> Path:
    h5py = pytest.importorskip("h5py")
    with h5py.File(folder / "a.h5", "w") as file:
        file["x"], file["y"], file["z"] = TRUE
        file.attrs["sample_rate_hz"], file.attrs["unit"] = RATE, "m/s2"
    return folder / "a.h5"


def mat73(folder: Path) -> Path:
    """MATLAB 7.3 is HDF5 behind a header of 512 bytes; arrays lie transposed in it."""
    h5py = pytest.importorskip("h5py")
    path = folder / "a.mat"
    with h5py.File(path, "w", userblock_size=512) as file:
        file["acceleration"], file["sample_rate_hz"] = TRUE, np.array([[float(RATE)]])
        file.attrs["unit"] = "m/s2"
    content = bytearray(path.read_bytes())
    content[:128] = b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM"
    path.write_bytes(content)
    return path


def universal(folder: Path) -> Path:
    pyuff = pytest.importorskip("pyuff")
    exponents = {
        f"{part}_{name}": 0
        for part in ("abscissa", "ordinate", "orddenom", "z_axis")
        for name in ("spec_data_type", "len_unit_exp", "force_unit_exp", "temp_unit_exp")
    }
    labels = {f"{part}_axis_units_lab": "NONE" for part in ("abscissa", "orddenom", "z_axis")}
    file = pyuff.UFF(str(folder / "a.uff"))
    for direction, row in enumerate(TRUE, 1):
        common: dict[str, Any] = {f"id{i}": "" for i in range(1, 6)}
        common |= {
            "ver_num": 0,
            "load_case_id": 0,
            "rsp_ent_name": "",
            "rsp_node": 1,
            "ref_ent_name": "",
            "ref_node": 0,
        }
        common |= {"ref_dir": 0, "abscissa_spacing": 1, "abscissa_min": 0.0, "abscissa_inc": 1.0 / RATE, "binary": 1}
        common |= {"z_axis_value": 0.0, "func_type": 1, "ord_data_type": 4, "num_pts": row.size, "rsp_dir": direction}
        common |= {"ordinate_axis_units_lab": "m/s^2", "data": row, "x": np.arange(row.size) / RATE}
        file.write_sets(pyuff.prepare_58(**common, **exponents, **labels), "add")
    return folder / "a.uff"


def parquet(folder: Path) -> Path:
    pa, pq = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    columns = dict(zip(("ax [m/s2]", "ay [m/s2]", "az [m/s2]"), TRUE, strict=True))
    pq.write_table(pa.table({"time [s]": np.arange(TRUE.shape[1]) / RATE, **columns}), folder / "a.parquet")
    return folder / "a.parquet"


def text(folder: Path) -> Path:
    rows = [f"{i / RATE!r},{','.join(repr(float(v)) for v in row)}" for i, row in enumerate(TRUE.T)]
    (folder / "a.csv").write_text("\n".join(["time [s],x [m/s2],y [m/s2],z [m/s2]", *rows]))
    return folder / "a.csv"


WRITERS = [npz, npz_one_array, mat, mat_one_array, hdf5, mat73, universal, parquet, text]


@pytest.mark.parametrize(
    ("form", "subtype"),
    [("WAV", s) for s in ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")]
    + [
        ("RF64", "PCM_24"),
        ("W64", "FLOAT"),
        ("FLAC", "PCM_16"),
        ("FLAC", "PCM_24"),
        ("AIFF", "PCM_16"),
        ("CAF", "PCM_24"),
    ],
)
def test_audio_formats_bit_for_bit(tmp_path: Path, form: str, subtype: str) -> None:
    """Reference reader: soundfile to float64."""
    path = audio(tmp_path, form, subtype)
    recording = vk.read(path, calibration=FULL_SCALE)
    np.testing.assert_array_equal(recording.samples, TRUE)
    np.testing.assert_array_equal(recording.samples, soundfile.read(path, always_2d=True)[0].T)
    assert recording.sample_rate == RATE


@pytest.mark.parametrize("writer", WRITERS)
def test_array_and_table_formats_bit_for_bit(tmp_path: Path, writer: Any) -> None:
    path = writer(tmp_path)
    recording = vk.read(path)
    np.testing.assert_array_equal(recording.samples, TRUE)
    assert recording.sample_rate == pytest.approx(RATE, rel=1e-9)
    assert recording.axes == ("x", "y", "z")
    blocks = [b.acceleration for b in vk.open_recording(path, start_s=0.1).blocks(700)]
    np.testing.assert_array_equal(np.concatenate(blocks, axis=1), TRUE[:, 640:])


def test_float_samples_beyond_full_scale_are_kept(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", 3 * TRUE.T, RATE, subtype="FLOAT")
    np.testing.assert_array_equal(vk.read(tmp_path / "a.wav", calibration=FULL_SCALE).samples, 3 * TRUE)


@pytest.mark.parametrize("writer", [npz, mat, hdf5, mat73, universal, parquet])
def test_damaged_files_are_one_line(tmp_path: Path, writer: Any) -> None:
    path = writer(tmp_path)
    for content in (path.read_bytes()[: path.stat().st_size // 2], b"no such format at all\n" * 9, b""):
        path.write_bytes(content)
        with pytest.raises(vk.InputError) as caught:
            vk.read(path)
        assert "\n" not in str(caught.value) and path.name in str(caught.value)


@pytest.mark.parametrize("form", ["WAV", "RF64", "W64", "AIFF", "FLAC", "CAF"])
def test_truncated_audio_is_refused(tmp_path: Path, form: str) -> None:
    path = audio(tmp_path, form, "PCM_16")
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
    with pytest.raises(vk.InputError, match=r"truncated|corrupt|malformed"):
        vk.read(path, calibration=FULL_SCALE)


def test_wav_whose_recorder_did_not_know_the_length(tmp_path: Path) -> None:
    path = audio(tmp_path, "WAV", "PCM_16")
    content = bytearray(path.read_bytes())
    content[4:8] = b"\xff\xff\xff\xff"
    path.write_bytes(content)
    np.testing.assert_array_equal(vk.read(path, calibration=FULL_SCALE).samples, TRUE)


def test_pickles_are_never_loaded(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", x=np.array([{"a": 1}], dtype=object))
    with pytest.raises(vk.InputError, match="without pickles"):
        vk.read(tmp_path / "a.npz")


def test_first_bad_sample_is_named(tmp_path: Path) -> None:
    bad = TRUE.copy()
    bad[1, 1234] = np.inf
    np.savez(tmp_path / "a.npz", acceleration=bad, sample_rate_hz=RATE)
    with pytest.raises(vk.InputError, match="sample 1234"):
        vk.read(tmp_path / "a.npz", unit="g")


def test_arrays_with_names_of_their_own(tmp_path: Path) -> None:
    struct = {"gs": TRUE[2], "sr": float(RATE)}
    scipy.io.savemat(tmp_path / "a.mat", {"Drive": TRUE[0], "Fan": TRUE[1], "rig": struct})
    with pytest.raises(vk.InputError, match=r"Drive 3000, Fan 3000, rig.gs 3000.*--axes x=Drive"):
        vk.read(tmp_path / "a.mat", unit="g")
    recording = vk.read(tmp_path / "a.mat", unit="m/s2", axes=["z=rig.gs", "x=Drive"])
    assert (recording.axes, recording.sample_rate) == (("z", "x"), RATE)
    np.testing.assert_array_equal(recording.samples, TRUE[[2, 0]])
    (tmp_path / "a.toml").write_text('[recording]\nunit = "m/s2"\naxes = ["x=Fan"]\n')
    np.testing.assert_array_equal(vk.read(tmp_path / "a.mat").samples, TRUE[[1]])
    with pytest.raises(vk.InputError, match="no array 'Motor'"):
        vk.read(tmp_path / "a.mat", unit="g", axes=["x=Motor"])


@pytest.mark.parametrize(("writer", "module"), [(hdf5, "h5py"), (mat73, "h5py"), (universal, "pyuff")])
def test_missing_package_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, writer: Any, module: str
) -> None:
    path = writer(tmp_path)
    monkeypatch.setitem(sys.modules, module, None)  # import of a module that stands as None fails
    with pytest.raises(vk.InputError, match=f"needs the package {module}: pip install"):
        vk.read(path)


@pytest.mark.skipif("VIBEKIT_REAL_DATA" not in os.environ, reason="real recordings are not here")
def test_real_arrays() -> None:
    """Lengths as SciPy reads them; rates as the folders' READMEs say."""
    folder = Path(os.environ["VIBEKIT_REAL_DATA"])
    inner = folder / "bearing_a" / "12k_DE_IR007_0hp_105.mat"
    recording = vk.read(inner, unit="g", axes=["x=X105_DE_time"], sample_rate=12000)
    expected = scipy.io.loadmat(inner)["X105_DE_time"][:, 0] * 9.80665
    np.testing.assert_array_equal(recording.samples[0], expected)
    outer = vk.read(folder / "bearing_b" / "OuterRaceFault_vload_1.mat", unit="g", axes=["x"])
    assert (outer.n_samples, outer.sample_rate) == (146484, 48828)
    assert vk.read(folder / "gear" / "Chan6.mat", unit="g", axes=["x"], sample_rate=25600).n_samples == 282624


def test_arrays_propose_their_unit_from_gravity(tmp_path: Path) -> None:
    np.savez(tmp_path / "a.npz", acceleration=TRUE.T * 0.1 + np.array([0.02, 0.0, 0.99]), sample_rate_hz=RATE)
    with pytest.raises(vk.InputError, match="gravity gives in g"):
        vk.read(tmp_path / "a.npz")
