"""Delimited text: any delimiter, spelling, order and time base gives the same recording; flaws are named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings, strategies as st
from numpy.typing import NDArray

import vibekit as vk
from vibekit.units import STANDARD_GRAVITY

RATE = 500.0
TRUE = np.round(np.random.default_rng(3).standard_normal((3, 40)) * 7.3, 6)

AXIS_NAMES = ["x", "X", "a{}", "acc_{}", "acc{}", "Acc{}", "acceleration {}", "Acceleration_{}", "accel-{}", "{}-axis"]
AXIS_NAMES += ["Accelerometer {}", "Linear Acceleration {}", "a_{}", "{}"]
UNITS = {
    "m/s2": ["m/s2", "m/s²", "m/s^2", "m/s**2", "m s-2", "m·s⁻²", "M/S2"],
    "g": ["g", "G", "gn"],
    "mg": ["mg"],
}
FRAMES = ["{} [{}]", "{} ({})", "{}({})", "{}_[{}]"]
TIMES = {1.0: ["s", "sec", "seconds"], 1e-3: ["ms", "msec"], 1e-6: ["us", "µs", "μs"], 1e-9: ["ns"]}
FACTOR = {"m/s2": 1.0, "g": STANDARD_GRAVITY, "mg": STANDARD_GRAVITY / 1000}

FAST = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def write(path: Path, content: str | bytes, encoding: str = "utf-8") -> Path:
    path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
    return path


def stamps(unit_s: float, start_s: float = 0.0, n: int = TRUE.shape[1]) -> list[str]:
    ticks = [start_s + i / RATE for i in range(n)]
    return [f"{t:.3f}" if unit_s == 1.0 else str(round(t / unit_s)) for t in ticks]


def table(header: list[str] | None, columns: list[list[str]], delimiter: str = ",", eol: str = "\n") -> str:
    lines = [delimiter.join(row) for row in zip(*columns, strict=True)]
    return eol.join([delimiter.join(header), *lines] if header else lines) + eol


def plain(samples: NDArray[np.float64] = TRUE, header: str = "time [s],x [m/s2],y [m/s2],z [m/s2]") -> str:
    columns = [stamps(1.0, n=samples.shape[1]), *([repr(float(v)) for v in row] for row in samples)]
    return table(header.split(","), columns)


@FAST
@given(data=st.data())
def test_one_recording_however_it_is_written(tmp_path: Path, data: st.DataObject) -> None:
    """Property: delimiter, decimal mark, line ends, BOM, comments, spelling, unit, time base, order change nothing."""
    delimiter, decimal = data.draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]))
    unit = data.draw(st.sampled_from(sorted(UNITS)))
    name = data.draw(st.sampled_from(AXIS_NAMES[2:]))
    frame = data.draw(st.sampled_from(FRAMES))
    upper = data.draw(st.booleans())
    time_unit = data.draw(st.sampled_from(sorted(TIMES)))
    time_name = data.draw(st.sampled_from(["time", "Time", "timestamp", "t"]))
    time_label = frame.format(time_name, data.draw(st.sampled_from(TIMES[time_unit])))
    columns = {time_label: [t.replace(".", decimal) for t in stamps(time_unit)]}
    label_of = {}
    for axis, row in zip("xyz", TRUE, strict=True):
        label = frame.format(name.format(axis.upper() if upper else axis), data.draw(st.sampled_from(UNITS[unit])))
        label_of[label] = axis
        columns[label] = [f"{v:.6f}".replace(".", decimal) for v in row]
    if data.draw(st.booleans()):
        columns["temperature"] = ["21" for _ in TRUE[0]]
    order = data.draw(st.permutations(sorted(columns)))
    text = table(list(order), [columns[key] for key in order], delimiter, data.draw(st.sampled_from(["\n", "\r\n"])))
    text = data.draw(st.sampled_from(["", "# logger 3\n# started by hand, at noon\n"])) + text
    file = write(tmp_path / "r.csv", text, data.draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"])))
    recording = vk.read(file)
    assert recording.axes == tuple(label_of[key] for key in order if key in label_of)
    assert recording.sample_rate == pytest.approx(RATE, rel=1e-9)
    by_axis = dict(zip(recording.axes, recording.samples, strict=True))
    for axis, row in zip("xyz", TRUE, strict=True):
        np.testing.assert_array_equal(by_axis[axis], row * FACTOR[unit])


@pytest.mark.parametrize(
    ("header", "unit", "time", "unit_s"),
    [
        ("ax,ay,az", "m/s2", "time_ns", 1e-9),
        ("acc_x (g),acc_y (g),acc_z (g)", None, "time_ms", 1e-3),
        ("X [m/s^2],Y [m/s^2],Z [m/s^2]", None, "t (s)", 1.0),
        ("x_mps2,y_mps2,z_mps2", None, "timestamp_us", 1e-6),
    ],
)
def test_usual_spellings(tmp_path: Path, header: str, unit: str | None, time: str, unit_s: float) -> None:
    columns = [stamps(unit_s), *([repr(float(v)) for v in row] for row in TRUE)]
    recording = vk.read(write(tmp_path / "r.csv", table([time, *header.split(",")], columns)), unit=unit)
    np.testing.assert_array_equal(recording.samples, TRUE * (STANDARD_GRAVITY if "(g)" in header else 1.0))
    assert recording.sample_rate == pytest.approx(RATE)


def test_units_may_differ_by_column(tmp_path: Path) -> None:
    recording = vk.read(write(tmp_path / "r.csv", plain(header="time [s],x [m/s2],y [m/s²],z [g]")))
    np.testing.assert_allclose(recording.samples, TRUE * np.array([[1], [1], [STANDARD_GRAVITY]]), rtol=1e-15)


def test_header_in_two_lines_and_iso_time(tmp_path: Path) -> None:
    iso = [f"2026-03-07T10:15:{i / RATE:06.3f}Z" for i in range(TRUE.shape[1])]
    columns = [iso, *([repr(float(v)) for v in row] for row in TRUE)]
    text = "time;x;y;z\n;m/s2;m/s2;m/s2\n" + table(None, columns, ";")
    recording = vk.read(write(tmp_path / "r.csv", text))
    np.testing.assert_array_equal(recording.samples, TRUE)
    assert recording.sample_rate == pytest.approx(RATE)


@FAST
@given(
    date=st.sampled_from(["2026-03-07T", "2026-03-07 ", ""]),
    zone=st.sampled_from(["", "Z", "+01:00", "-0530", "+02"]),
    decimals=st.integers(3, 9),
    mark=st.sampled_from(".,"),
    delimiter=st.sampled_from(";\t,"),
    header=st.booleans(),
)
def test_times_of_day_in_the_ways_of_iso_8601(
    tmp_path: Path, date: str, zone: str, decimals: int, mark: str, delimiter: str, header: bool
) -> None:
    """Property: date or not, T or blank, zone, decimals, point or comma (ISO 8601-1 4.2.2.4): one recording.

    At 400 Hz a stamp in milliseconds is off by half of one: that is how it is written, not jitter of the clock.
    """
    mark = "." if delimiter == "," else mark
    texts = [f"{date}10:15:{round(i / 400, 3):0{decimals + 3}.{decimals}f}" for i in range(40)]
    stamped = [(text + (zone if date else "")).replace(".", mark) for text in texts]
    columns = [stamped, *([f"{v:.6f}".replace(".", mark) for v in row] for row in TRUE)]
    text = table(["time", "x [m/s2]", "y [m/s2]", "z [m/s2]"] if header else None, columns, delimiter)
    recording = vk.read(write(tmp_path / "r.csv", text), unit="m/s2")
    if decimals == 3:
        assert recording.origin.timing is not None and not recording.origin.timing.resampled
        np.testing.assert_array_equal(recording.samples, TRUE)
    assert recording.sample_rate == pytest.approx(400, rel=0.02)  # the ends are rounded as well
    assert recording.axes == ("x", "y", "z")


def test_blanks_comments_inside_and_blank_lines(tmp_path: Path) -> None:
    columns = [stamps(1.0), *([repr(float(v)) for v in row] for row in TRUE)]
    lines = table(["time", "x", "y", "z"], columns, "   ").splitlines()
    lines.insert(9, "# a remark, with commas")
    lines.insert(20, "")
    recording = vk.read(write(tmp_path / "r.txt", "\n".join(lines)), unit="m/s2")
    np.testing.assert_array_equal(recording.samples, TRUE)


def test_same_numbers_as_numpy(tmp_path: Path) -> None:
    """Reference reader: numpy.loadtxt, bit for bit."""
    file = write(tmp_path / "r.csv", plain(np.random.default_rng(1).standard_normal((3, 500))))
    expected = np.loadtxt(file, delimiter=",", skiprows=1)[:, 1:].T
    np.testing.assert_array_equal(vk.read(file).samples, expected)


def test_blocks_and_ranges_agree_with_the_whole(tmp_path: Path) -> None:
    file = write(tmp_path / "r.csv", plain())
    whole = vk.read(file).samples
    parts = [block.acceleration for block in vk.open_recording(file).blocks(7)]
    assert [p.shape[1] for p in parts] == [7, 7, 7, 7, 7, 5]
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)
    np.testing.assert_array_equal(vk.read(file, start_s=0.02, stop_s=0.05).samples, whole[:, 10:25])


def test_columns_picked_by_name(tmp_path: Path) -> None:
    file = write(tmp_path / "r.csv", plain(header="time [s],front [g],side [g],up [g]"))
    with pytest.raises(vk.InputError, match="front"):
        vk.read(file)
    recording = vk.read(file, axes=["x=up", "y=front"])
    np.testing.assert_allclose(recording.samples, 9.80665 * TRUE[[2, 0]])
    assert recording.axes == ("x", "y")


def test_what_was_found_is_in_the_log(tmp_path: Path) -> None:
    text = plain(header="time,ax,ay,az").replace(",", ";").replace(".", ",")
    recording = vk.read(write(tmp_path / "r.csv", text), unit="m/s2")
    log = " ".join(recording.origin.log)
    assert "semicolon" in log and "decimal comma" in log and "500 Hz" in log
    assert "time_unit_assumed" in {n.code for n in recording.origin.notices}


def test_unit_is_proposed_from_gravity_never_chosen(tmp_path: Path) -> None:
    rest = np.array([[0.1], [0.0], [9.79]]) + 0.01 * TRUE
    with pytest.raises(vk.InputError, match="gravity gives in m/s2"):
        vk.read(write(tmp_path / "r.csv", plain(rest, "time [s],x,y,z")))


@pytest.mark.parametrize(
    ("edit", "message"),
    [
        (lambda t: t.replace("\n0.020,", "\n0.020,abc"), "line 12.*'abc"),
        (lambda t: t.replace("\n0.020,", "\n0.020,nan,0,0\n0.021,"), "sample 10 of x"),
        (lambda t: t.replace("\n0.020,", "\n0.020,inf,0,0\n0.021,"), "sample 10 of x"),
        (lambda t: t.replace("\n0.020,", "\n0.020,,0,0\n0.021,"), "sample 10 of x"),
        (lambda t: t + "0.080,1", "line 42.*columns"),
        (lambda t: t.replace("\n0.050,", "\n0.010,"), "backwards at sample 25"),
        (lambda t: t.replace("[s]", "[fortnight]").replace("0.0", "1"), "'fortnight' is no unit of time that is read"),
        (lambda t: "nothing here\n", "no table"),
        (lambda t: t.splitlines()[0] + "\n", "no table"),
        (lambda t: t.replace("x [m/s2],y [m/s2],z [m/s2]", "gx,gy,gz"), "none is named x, y or z"),
    ],
)
def test_bad_text_is_one_line_that_names_the_place(tmp_path: Path, edit: object, message: str) -> None:
    file = write(tmp_path / "r.csv", edit(plain()))  # type: ignore[operator]
    with pytest.raises(vk.InputError, match=message) as caught:
        vk.read(file)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"\x00\x01\x02" * 50])
def test_empty_and_binary_files(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(vk.InputError):
        vk.read(write(tmp_path / "r.csv", content), unit="g")
