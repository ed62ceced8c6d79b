"""Files of named arrays: what they may hold, what is refused and in which words; slices against NumPy's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io

import vibekit as vk
from tests.recording.test_formats import RATE, TRUE, mat, npz, universal
from vibekit.errors import InputError
from vibekit.recording.readers_arrays import _rows, _sorted, _time_responses, open_arrays
from vibekit.recording.sidecar import RecordingFacts

NONE = RecordingFacts()


def save(folder: Path, **arrays: Any) -> Path:
    np.savez(folder / "a.npz", **arrays)
    return folder / "a.npz"


def test_a_source_says_what_it_is(tmp_path: Path) -> None:
    source = open_arrays(npz(tmp_path), NONE)
    assert (source.n_channels, source.n_frames, source.sample_rate) == (3, TRUE.shape[1], RATE)
    assert (source.names, source.unit, source.unit_hint) == (("x", "y", "z"), "m/s2", "")
    assert source.log == ("read NumPy npz, channels from x, y, z",)
    assert open_arrays(mat(tmp_path), NONE).log == ("read MATLAB file, channels from x, y, z",)
    plain = open_arrays(save(tmp_path, only=TRUE), NONE)
    assert (plain.names, plain.unit, plain.sample_rate, plain.n_channels) == (None, None, None, 3)
    assert plain.log == ("read NumPy npz, channels from only",)


@pytest.mark.parametrize("layout", ["long", "wide", "each"])
@pytest.mark.parametrize(
    ("size", "first", "last"), [(700, 0, None), (1, 17, 20), (4000, 2990, 9999), (1000, 500, 2500)]
)
def test_blocks_are_slices(tmp_path: Path, layout: str, size: int, first: int, last: int | None) -> None:
    arrays = {
        "long": {"acceleration": TRUE.T},
        "wide": {"acceleration": TRUE},
        "each": dict(zip("xyz", TRUE, strict=True)),
    }
    blocks = list(open_arrays(save(tmp_path, **arrays[layout]), NONE).blocks(size, first, last))
    np.testing.assert_array_equal(np.concatenate(blocks), TRUE.T[first:last])
    assert all(len(block) == size for block in blocks[:-1]) and 0 < len(blocks[-1]) <= size


@pytest.mark.parametrize(
    ("array", "words"),
    [
        (np.ones(3, dtype=complex), r"a\.npz: array 'v' holds complex128, not real numbers"),
        (np.ones(3, dtype=bool), r"array 'v' holds bool, not real numbers"),
        (np.ones((2, 3, 4)), r"a\.npz: array 'v' has shape \(2, 3, 4\): it must be one channel or channels by time"),
        (np.ones((65, 66)), r"array 'v' has shape \(65, 66\)"),
    ],
)
def test_arrays_that_are_no_channels(array: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        _rows(Path("a.npz"), "v", array)


def test_the_longer_side_is_time() -> None:
    for shape, channels, frames in (((64, 100), 64, 100), ((100, 64), 64, 100), ((2, 3), 2, 3), ((3, 3), 3, 3)):
        array = np.arange(shape[0] * shape[1]).reshape(shape)
        rows = _rows(Path("a"), "v", array)
        assert [len(row) for row in rows] == [frames] * channels
        across = array.T if shape[0] < shape[1] else array  # as many either way: rows are time
        np.testing.assert_array_equal(np.stack([row[1:3] for row in rows], axis=1), across[1:3])
    for kind in (np.int16, np.uint8, np.float32):
        assert len(_rows(Path("a"), "v", np.ones(7, dtype=kind))) == 1


def test_arrays_and_single_values() -> None:
    found = _sorted("k", {"x": np.ones(2), "n": np.array([5]), "e": np.empty(0), "t": np.array(["a", "b"]), "u": "g"})
    assert list(found.arrays) == ["x"] and found.values == {"n": 5, "u": "g"} and found.kind == "k"
    found = _sorted("k", {"Rig/FS": 100.0, "a.sample_rate": 50.0, "Unit": "mg"})
    assert found.value(("sample_rate", "fs")) == ("a.sample_rate", 50.0)  # in the order asked for
    assert found.value(("fs",)) == ("Rig/FS", 100.0)
    assert found.value(("unit", "units")) == ("Unit", "mg")
    assert found.value(("rate",)) is None


@pytest.mark.parametrize("name", ["sample_rate_hz", "sample_rate", "SampleRate", "fs", "sr"])
def test_names_of_the_rate(tmp_path: Path, name: str) -> None:
    assert open_arrays(save(tmp_path, x=TRUE[0], **{name: np.int64(800)}), NONE).sample_rate == 800.0


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan"), float("inf"), "fast"])
def test_rates_that_are_none(tmp_path: Path, rate: Any) -> None:
    with pytest.raises(InputError, match=r"a\.npz: fs is .*: it must be a sample rate in Hz"):
        open_arrays(save(tmp_path, x=TRUE[0], fs=rate), NONE)
    assert open_arrays(save(tmp_path, x=TRUE[0], fs=0.5), NONE).sample_rate == 0.5


def test_which_array_is_which(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"channels differ in length: x 3000, y 2999$"):
        open_arrays(save(tmp_path, x=TRUE[0], y=TRUE[1, :-1]), NONE)
    with pytest.raises(InputError, match=r"which array is what: it holds a 3000, b 3x3000: name .* --axes x=a or axes"):
        open_arrays(save(tmp_path, a=TRUE[0], b=TRUE), NONE)
    with pytest.raises(InputError, match=r"it holds no arrays: name them as in --axes x=NAME"):
        open_arrays(save(tmp_path, fs=100.0), NONE)
    many = {f"v{i:02d}": TRUE[0, :5] for i in range(40)}
    with pytest.raises(InputError, match=r"\(40 in all\): name") as caught:  # the first of them are listed
        open_arrays(save(tmp_path, **many), NONE)
    assert "v20" not in str(caught.value)
    with pytest.raises(InputError, match=r"array 'b' holds 3 channels, y needs one"):
        open_arrays(save(tmp_path, a=TRUE[0], b=TRUE), RecordingFacts(axes=("x=a", "y=b")))
    with pytest.raises(InputError, match=r"has no array 'c': it holds a 3000"):
        open_arrays(save(tmp_path, a=TRUE[0]), RecordingFacts(axes=("x=c",)))
    source = open_arrays(save(tmp_path, acceleration=TRUE, other=TRUE[0]), NONE)
    assert (source.n_channels, source.log) == (3, ("read NumPy npz, channels from acceleration",))


def test_structs_and_cells_of_matlab(tmp_path: Path) -> None:
    """A struct's fields are NAME.FIELD at any depth; cells hold no signal; numbers of 1 x 1 are single values."""
    cells = np.empty(2, dtype=object)
    cells[:] = [TRUE[0], "text"]
    rig = {"x": TRUE[0], "inner": {"fs": 640.0, "y": TRUE[1]}, "cells": cells}
    scipy.io.savemat(tmp_path / "a.mat", {"rig": rig, "unit": "mg"})
    source = open_arrays(tmp_path / "a.mat", NONE)
    assert (source.names, source.sample_rate, source.unit) == (("x", "y"), 640.0, "mg")
    assert source.log == ("read MATLAB file, channels from rig.x, rig.inner.y",)
    np.testing.assert_array_equal(np.concatenate(list(source.blocks(999, 0, None))), TRUE[:2].T)
    (tmp_path / "a.mat").write_bytes(b"MATLAB 5.0 MAT-file but no more")
    with pytest.raises(InputError, match=r"a\.mat: cannot be read as MATLAB file: "):
        open_arrays(tmp_path / "a.mat", NONE)


def test_hdf5_groups_attributes_and_what_lies_elsewhere(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    path, elsewhere, virtual = (tmp_path / f"{name}.h5" for name in "abc")
    with h5py.File(path, "w") as file:
        file["run/x"], file["run/y"], file["empty"] = TRUE[0], TRUE[1], np.empty(0)
        file["run"].attrs["fs"], file["run/x"].attrs["units"] = 320.0, "g"
        file["run/x"].attrs["MATLAB_class"] = "double"
        file["note"] = np.array([3.0])
    source = open_arrays(path, NONE)
    assert (source.names, source.sample_rate, source.unit) == (("x", "y"), 320.0, "g")
    assert source.log == ("read HDF5, channels from run/x, run/y",)
    np.testing.assert_array_equal(np.concatenate(list(source.blocks(1000, 10, 2010))), TRUE[:2, 10:2010].T)
    with h5py.File(elsewhere, "w") as file:
        file.create_dataset("x", (100,), "f8", external=[(str(tmp_path / "x.bin"), 0, 800)])
        file["x"][:] = 1.0
    with pytest.raises(InputError, match=r"b\.h5: dataset 'x' lies in other files: store it in this one"):
        open_arrays(elsewhere, NONE)
    with h5py.File(virtual, "w") as file:
        file["y"] = TRUE[0]
        layout = h5py.VirtualLayout((TRUE.shape[1],), "f8")
        layout[:] = h5py.VirtualSource(str(virtual), "y", (TRUE.shape[1],))
        file.create_virtual_dataset("x", layout)
    with pytest.raises(InputError, match="dataset 'x' lies in other files"):
        open_arrays(virtual, NONE)
    path = tmp_path / "d.h5"
    path.write_bytes(b"\x89HDF\r\n\x1a\n cut")
    with pytest.raises(InputError, match=r"d\.h5: cannot be read as HDF5: "):
        open_arrays(path, NONE)


def responses(*changes: dict[str, Any]) -> list[dict[str, Any]]:
    whole = {"func_type": 1, "abscissa_inc": 1 / 640, "ordinate_axis_units_lab": " g ", "data": [1.0, 2.0]}
    return [{**whole, "rsp_dir": i, **change} for i, change in enumerate(changes, 1)]


def test_sets_of_a_universal_file(tmp_path: Path) -> None:
    """Directions 1 to 3 are x, y, z, also negative ones; twice the same, or none, and the sets are counted."""
    path = tmp_path / "a.uff"
    path.write_text("    -1\n    58\n    -1\n")
    items = _time_responses(path, responses({}, {"rsp_dir": -2}, {}))
    assert list(items) == ["sample_rate_hz", "x", "y", "z", "unit"]
    assert items["sample_rate_hz"] == pytest.approx(640.0) and items["unit"] == "g"
    assert items["z"].tolist() == [1.0, 2.0]
    for directions in ((1, 1), (0, 1), (3, 4)):
        items = _time_responses(path, responses(*({"rsp_dir": d} for d in directions)))
        assert list(items)[1:3] == ["set1", "set2"]
    one = _time_responses(path, responses({"func_type": 0}, {"func_type": 2}, {"func_type": 12}))
    assert list(one) == ["sample_rate_hz", "x", "unit"]  # others are spectra and responses in frequency
    assert "unit" not in _time_responses(path, responses({}, {"ordinate_axis_units_lab": "N"}))
    for sets in (responses({"func_type": 4}), responses({}, {"abscissa_inc": 0.1}), responses({"abscissa_inc": 0.0})):
        with pytest.raises(InputError, match=r"a\.uff: holds no time responses \(set 58, function type 1\) of one"):
            _time_responses(path, sets)
    path.write_text("    -1\n    58\n")
    with pytest.raises(InputError, match=r"a\.uff: truncated: the last data set is not closed"):
        _time_responses(path, responses({}))


def test_a_whole_universal_file(tmp_path: Path) -> None:
    source = open_arrays(universal(tmp_path), NONE)
    assert (source.names, source.unit, source.sample_rate) == (("x", "y", "z"), "m/s2", pytest.approx(RATE))
    assert source.log == ("read universal file 58, channels from x, y, z",)
    (tmp_path / "a.uff").write_text("nothing of the kind\n")
    with pytest.raises(InputError, match=r"a\.uff: "):
        open_arrays(tmp_path / "a.uff", NONE)


def test_the_unit_from_gravity_takes_the_first_4096_samples(tmp_path: Path) -> None:
    """1 g on z at rest, in a file that says no unit; a stated unit or two axes leave nothing to propose."""
    rest = np.zeros((3, 6000))
    rest[2, :4096] = 1.0
    assert "in g" in open_arrays(save(tmp_path, acceleration=rest), NONE).unit_hint
    rest[2, 1000:4096] = 0.0
    assert open_arrays(save(tmp_path, acceleration=rest), NONE).unit_hint == ""
    rest[2] = 1.0
    assert open_arrays(save(tmp_path, acceleration=rest[1:]), NONE).unit_hint == ""
    assert open_arrays(save(tmp_path, acceleration=rest, unit="g"), NONE).unit_hint == ""
    with pytest.raises(vk.InputError, match="gravity gives in g"):
        vk.read(save(tmp_path, acceleration=rest, fs=100.0))
