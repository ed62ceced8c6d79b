"""The recording and its parts: blocks, streams, gravity taken out, files that unpack to too much, calibrations."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal

from tests.documents import said
from vibekit.errors import InputError, RecordingLimitError, UsageError
from vibekit.recording.atomic import atomic
from vibekit.recording.calibration import Calibration
from vibekit.recording.gravity import gravity_removed, is_gravity, without_gravity
from vibekit.recording.recording import Origin, Recording, RecordingStream
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.source import damage_named, rebatch, require_plausible_size
from vibekit.recording.toolsheet import ToolSheet

TOOL = ToolSheet("T-1")


def recording(n: int = 10, rate: float = 4.0) -> Recording:
    samples = np.arange(3.0 * n).reshape(3, n)
    origin = Origin("r.wav", tool=TOOL)
    return Recording(samples, rate, origin=origin, tach=np.arange(n) / 2, sound=-np.arange(float(n)))


def test_a_recording_knows_its_length_and_keeps_its_samples() -> None:
    found = recording()
    assert (found.n_samples, found.duration_s, found.axes, found.weighted) == (10, 2.5, ("x", "y", "z"), False)
    assert found.tool is TOOL
    with pytest.raises(ValueError, match="read-only"):
        found.samples[0, 0] = 1.0
    assert Recording(np.arange(4.0), 1.0, ("x",)).samples.shape == (1, 4)
    for kind in (np.int16, np.float32):
        assert Recording(np.zeros((3, 4), dtype=kind), 1.0).samples.dtype == np.float64
    mine = np.zeros((3, 5))
    assert Recording(mine, 1.0).samples.dtype == np.float64
    mine[0, 0] = 1.0  # the caller's own array stays writable


@pytest.mark.parametrize(
    ("samples", "rate", "axes", "words"),
    [
        (np.zeros((2, 5)), 1.0, ("x", "y", "z"), r"recording: samples of shape \(2, 5\) do not fit axes"),
        (np.zeros((3, 5, 1)), 1.0, ("x", "y", "z"), "do not fit"),
        (np.zeros((3, 0)), 1.0, ("x", "y", "z"), "recording: holds no samples"),
        (np.zeros((3, 5)), 0.0, ("x", "y", "z"), "sample rate 0.0 must be greater than zero"),
        (np.zeros((3, 5)), -1.0, ("x", "y", "z"), "sample rate"),
        (np.zeros((3, 5)), np.nan, ("x", "y", "z"), "sample rate"),
        (np.zeros((3, 5)), np.inf, ("x", "y", "z"), "sample rate"),
        (np.array([[0, 1, np.inf, np.nan]]), 1.0, ("x",), "recording: sample 2 is not finite"),
        (np.array([[0, 1, 2, 3], [0, np.nan, 0, 0]]), 1.0, ("x", "y"), "sample 1 is not finite"),
    ],
)
def test_what_is_no_recording(samples: np.ndarray, rate: float, axes: tuple[str, ...], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Recording(samples, rate, axes)
    if "finite" in words:
        with pytest.raises(InputError, match=r"run\.wav: sample"):
            Recording(samples, rate, axes, Origin("run.wav"))


@pytest.mark.parametrize("size", [1, 3, 10, 99])
def test_blocks_are_the_recording_in_order(size: int) -> None:
    whole, at = recording(), 0
    for block in whole.blocks(size):
        assert block.start == at
        part = slice(at, at + size)
        np.testing.assert_array_equal(block.acceleration, whole.samples[:, part])
        assert whole.tach is not None and whole.sound is not None
        np.testing.assert_array_equal(block.tach, whole.tach[part])
        np.testing.assert_array_equal(block.sound, whole.sound[part])
        at += block.acceleration.shape[1]
    assert at == 10
    bare = next(iter(Recording(np.zeros((3, 4)), 1.0).blocks()))
    assert (bare.start, bare.acceleration.shape, bare.tach, bare.sound) == (0, (3, 4), None, None)


def stream_of(whole: Recording, n_samples: int | None) -> RecordingStream:
    return RecordingStream(whole.sample_rate, whole.axes, n_samples, whole.origin, whole.blocks)


def test_a_stream_is_read_into_the_same_recording() -> None:
    whole = recording(200_000)
    stream = stream_of(whole, whole.n_samples)
    assert [b.acceleration.shape[1] for b in stream.blocks(70_000)] == [70_000, 70_000, 60_000]
    assert next(stream.blocks()).acceleration.shape[1] == 65_536
    again = stream.read()
    for name in ("samples", "tach", "sound"):
        np.testing.assert_array_equal(getattr(again, name), getattr(whole, name))
    assert (again.sample_rate, again.axes, again.origin) == (whole.sample_rate, whole.axes, whole.origin)
    assert (stream.duration_s, stream.tool, stream.weighted) == (50_000.0, TOOL, False)
    assert stream_of(whole, None).duration_s is None


def test_a_stream_without_samples_or_other_channels() -> None:
    bare = Recording(np.zeros((3, 4)), 1.0, origin=Origin("empty.csv"))
    assert stream_of(bare, None).read().tach is None
    with pytest.raises(InputError, match=r"empty\.csv: holds no samples"):
        replace(stream_of(bare, 0), read_blocks=lambda _: iter(())).read()


def test_each_step_is_logged() -> None:
    origin = Origin().step("first").step("second")
    assert origin.log == ("first", "second")
    assert Origin().calibration.mps2_per_unit == 1.0


def test_calibrations() -> None:
    """Standard gravity, 9.80665 m/s², is exact by definition."""
    full = Calibration.full_scale("50 g")
    assert (full.mps2_per_unit, full.full_scale_mps2) == (50 * 9.80665, 50 * 9.80665)
    assert "50 g" in full.origin
    unit = Calibration.unit("mg")
    assert unit.mps2_per_unit == pytest.approx(9.80665e-3)
    assert unit.full_scale_mps2 is None and "mg" in unit.origin
    for wrong in (Calibration.full_scale, Calibration.unit):
        with pytest.raises(UsageError):
            wrong("50 V")


@pytest.mark.parametrize("size", [1, 7, 300, 5000])
def test_gravity_filter_against_scipy(size: int) -> None:
    """Reference: SciPy's second-order Butterworth over the whole signal at once, its start settled on the first second.

    With one sample per block there is no first second to take the mean of but that one sample.
    """
    rate, random = 200.0, np.random.default_rng(3)
    samples = random.standard_normal((3, 2000)) + np.array([[1.0], [-2.0], [9.81]])
    found = np.concatenate(
        [b.acceleration for b in without_gravity(Recording(samples, rate).blocks(size), rate)], axis=1
    )
    b, a = scipy.signal.butter(2, 0.5, "highpass", fs=rate)
    start = samples[:, : min(size, 200)].mean(axis=1, keepdims=True)
    expected, _ = scipy.signal.lfilter(b, a, samples, axis=1, zi=scipy.signal.lfilter_zi(b, a)[None, :] * start)
    np.testing.assert_allclose(found, expected, atol=1e-8)


def test_gravity_filter_of_a_slow_log() -> None:
    """At 1.2 samples a second the first second is the first sample; reference as above."""
    samples = 5.0 + np.random.default_rng(4).standard_normal((3, 20))
    found = np.concatenate([b.acceleration for b in without_gravity(Recording(samples, 1.2).blocks(20), 1.2)], axis=1)
    b, a = scipy.signal.butter(2, 0.5, "highpass", fs=1.2)
    start = scipy.signal.lfilter_zi(b, a)[None, :] * samples[:, :1]
    np.testing.assert_allclose(found, scipy.signal.lfilter(b, a, samples, axis=1, zi=start)[0], atol=1e-9)


@pytest.mark.parametrize(
    ("mean", "is_it"),
    [
        ([0, 0, 9.80665], True),
        ([5.66, -5.66, 5.66], True),  # 9.80
        ([0, 0, 10.29], True),  # 4.9 % over
        ([0, 0, 10.30], False),
        ([0, 0, 9.32], True),  # 4.96 % under
        ([0, 0, 9.31], False),
        ([0, 9.80665], False),  # two axes do not show the length of the vector
    ],
)
def test_gravity_is_a_vector_of_its_length(mean: list[float], is_it: bool) -> None:
    assert is_gravity(np.array(mean)) is is_it


@pytest.mark.parametrize(("stated", "severity"), [(True, "info"), (None, "caution")])
def test_gravity_taken_out_is_said(stated: bool | None, severity: str) -> None:
    origin = gravity_removed(Origin("r", facts=RecordingFacts(includes_gravity=stated), log=("read",)))
    (notice,) = origin.notices
    said(notice)
    assert (notice.code, notice.severity, notice.value) == ("gravity_removed", severity, 0.5)
    assert ("sidecar says" in notice.message) is (stated is True)
    assert (notice.remedy is None) is (stated is True)
    assert origin.log[0] == "read" and "0.5 Hz" in origin.log[1]


@pytest.mark.parametrize("size", [1, 3, 4, 7, 100])
@pytest.mark.parametrize(("first", "last"), [(0, None), (0, 12), (2, 9), (5, None), (4, 8), (11, 12), (3, 3), (0, 0)])
def test_rebatching_is_slicing(size: int, first: int, last: int | None) -> None:
    """Reference: the same frames cut from the whole with a slice."""
    whole = np.arange(24).reshape(12, 2)
    chunks = [whole[:4], whole[4:5], whole[5:5], whole[5:11], whole[11:]]
    found = list(rebatch(chunks, size, first, last))
    expected = whole[first:last]
    np.testing.assert_array_equal(np.concatenate([expected[:0], *found]), expected)
    assert all(len(block) == size for block in found[:-1])
    assert not found or 0 < len(found[-1]) <= size


def test_rebatching_stops_at_the_last_frame() -> None:
    def chunks() -> Iterator[np.ndarray]:
        yield np.zeros((5, 1))
        raise AssertionError("read on after the last frame")

    assert sum(map(len, rebatch(chunks(), 2, 0, 5))) == 5


def test_what_a_library_raises_becomes_one_line() -> None:
    for error, words in (
        (ValueError("bad\nmore"), "bad"),
        (ValueError("x" * 500), "x{160}"),
        (MemoryError(), "MemoryError"),
    ):
        line = rf"^a\.flac: cannot be read as FLAC: {words}$"
        with pytest.raises(InputError, match=line), damage_named(Path("a.flac"), "FLAC"):
            raise error
    with pytest.raises(RecordingLimitError, match="own words"), damage_named(Path("a.flac"), "FLAC"):
        raise RecordingLimitError("own words")


def test_files_that_unpack_to_too_much(tmp_path: Path) -> None:
    """1 GiB is allowed to any file, a hundredfold to a large one (no source)."""
    small, large = tmp_path / "small", tmp_path / "large"
    small.write_bytes(b"x")
    with large.open("wb") as file:
        file.truncate(20 << 20)
    require_plausible_size(small, 1 << 30)
    require_plausible_size(large, 100 * (20 << 20))
    for path, size in ((small, (1 << 30) + 1), (large, 100 * (20 << 20) + 1)):
        with pytest.raises(InputError, match=rf"{path}: {path.stat().st_size} bytes would unpack"):
            require_plausible_size(path, size)


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    with atomic(target) as temporary:
        assert temporary.parent == tmp_path and temporary.name.startswith(".a.txt.")
        assert temporary.suffix == ".tmp" and temporary.stat().st_size == 0
        temporary.write_text("new")
        assert not target.exists()
    assert target.read_text() == "new"
    before = os.umask(0)
    try:
        with atomic(target) as temporary:
            temporary.write_text("new")
    finally:
        os.umask(before)
    assert target.stat().st_mode & 0o777 == 0o644  # not writable for others, whatever the user's mask
    with pytest.raises(KeyError), atomic(target) as temporary:
        temporary.write_text("half")
        raise KeyError
    assert target.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    with (
        pytest.raises(InputError, match=r"none/a\.txt: cannot be written: No such file"),
        atomic(tmp_path / "none/a.txt"),
    ):
        pass
    with pytest.raises(UsageError, match="cannot be written"), atomic(tmp_path / "none/a.txt", UsageError):
        pass
    if Path(os.devnull).is_char_device():
        with pytest.raises(InputError, match="a device or a pipe, not a file"), atomic(Path(os.devnull)):
            pass


def test_what_the_caller_changes_later_changes_nothing() -> None:
    mine, pulses = np.ones((3, 8)), np.zeros(8)
    frozen_view = mine.view()
    frozen_view.flags.writeable = False
    found = [Recording(given, 4.0, tach=pulses, sound=pulses) for given in (mine, mine[:, :], frozen_view)]
    mine[:], pulses[:] = 7.0, 7.0
    for one in found:
        assert one.samples.max() == 1.0 and one.tach is not None and one.sound is not None
        assert one.tach.max() == one.sound.max() == 0.0
        with pytest.raises(ValueError, match="read-only"):
            one.tach[0] = 1.0
    again = replace(found[0], sample_rate=8.0)
    assert again.samples is found[0].samples  # what is frozen is not copied


@pytest.mark.parametrize("given", [{"unit": "g"}, {"calibration": Calibration.unit("g")}])
def test_a_unit_is_applied_once(given: dict[str, Any]) -> None:
    """Standard gravity, 9.80665 m/s², is exact by definition."""
    found = Recording(np.ones((3, 8)), 4.0, **given)
    np.testing.assert_array_equal(found.samples, np.full((3, 8), 9.80665))
    assert found.origin.calibration.mps2_per_unit == 9.80665 and found.origin.log == ("calibrated: unit g",)
    later = replace(replace(found, sample_rate=8.0), origin=found.origin.step("seen"))
    np.testing.assert_array_equal(later.samples, found.samples)
    assert later.origin.log == ("calibrated: unit g", "seen")
    with pytest.raises(UsageError, match="leave one out"):
        Recording(np.ones((3, 8)), 4.0, unit="g", calibration=Calibration.unit("g"))
    with pytest.raises(UsageError, match="unit 'V' is not"):
        Recording(np.ones((3, 8)), 4.0, unit="V")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"axes": ("x", "y", "tach")}, "axis 'tach' is not x, y or z"),
        ({"axes": ("x", "y", "y")}, "axis 'y' stands twice in x, y, y"),
        ({"axes": ("X", "y", "z")}, "axis 'X' is not"),
        ({"samples": np.ma.masked_equal([[1, 2, 3], [1, 2, 5], [1, 2, 7]], 5)}, "samples are masked at 2"),
        ({"tach": np.ma.masked_equal([1.0, 2.0, 3.0], 2.0)}, "tach are masked at 1"),
        ({"samples": [["1", "2", "3"]] * 3}, "are not real numbers"),
        ({"samples": np.ones((3, 3)) * 1j}, "are not real numbers"),
        ({"samples": np.full((3, 3), 1e12)}, "sample 0 is so large that no sensor gives it"),
        ({"tach": np.zeros(4)}, r"tach of shape \(4,\) does not fit 3 samples"),
        ({"sound": np.array([0.0, np.nan, 0.0])}, r"sound 1 is not finite"),
        ({"sample_rate": "4"}, "sample rate '4'"),
        ({"sample_rate": True}, "sample rate True"),
    ],
)
def test_what_else_is_no_recording(change: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Recording(**{"samples": np.ones((3, 3)), "sample_rate": 4.0, **change})


def test_a_mask_that_hides_nothing_and_a_recording_of_sound_alone() -> None:
    assert Recording(np.ma.masked_equal(np.ones((3, 4)), 5.0), 4.0).samples.tolist() == np.ones((3, 4)).tolist()
    assert Recording(np.empty((0, 4)), 4.0, (), sound=np.zeros(4)).axes == ()


@pytest.mark.parametrize("factor", [np.nan, np.inf, 0.0, -1.0, "1", None, True])
def test_a_calibration_is_a_number(factor: Any) -> None:
    with pytest.raises(UsageError, match="must be a number greater than zero"):
        Calibration(factor, "a test")
