"""What a file says against what its sidecar and the options say: the same, or refused with both sides named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.io

import vibekit as vk
from tests.cli.inprocess import run
from tests.documents import said

G = 9.80665  # standard gravity, exact by definition
VALUES = np.round(np.random.default_rng(3).standard_normal((400, 3)), 4)


def text(path: Path, header: str, sidecar: str = "", step: float = 0.01, sep: str = ",", point: str = ".") -> Path:
    rows = [
        sep.join([f"{i * step:.9f}".replace(".", point), *(f"{v:.4f}".replace(".", point) for v in row)])
        for i, row in enumerate(VALUES)
    ]
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    if sidecar:
        path.with_suffix(".toml").write_text(f"[recording]\n{sidecar}\n")
    return path


@pytest.mark.parametrize(
    ("header", "sidecar", "options", "sides"),
    [
        ("time [s],x [mm/s],y [mm/s],z [mm/s]", 'unit = "m/s2"', {}, ("mm/s", "acceleration is read")),
        ("time [s],x [mm/s],y [mm/s],z [mm/s]", 'full_scale = "1 g"', {}, ("mm/s", "acceleration is read")),
        ("time [s],x [V],y [V],z [V]", 'unit = "m/s2"', {}, ("V", "m/s2", "--full-scale")),
        ("time [s],x [mV],y [mV],z [mV]", "", {}, ("mV", "what 1 mV is")),
        ("time [s],x [counts],y [counts],z [counts]", "", {"unit": "g"}, ("counts", "(g)")),
        ("time [s],x [g],y [g],z [g]", "", {"unit": "m/s2"}, ("g", "--unit says m/s2")),
        ("time [s],x [m/s^2],y [m/s^2],z [m/s^2]", 'unit = "g"', {}, ("m/s2", "the sidecar g")),
        ("time [s],x [m/s2],y [m/s2],z [m/s2]", 'full_scale = "50 g"', {}, ("m/s2", "full_scale 50 g")),
        ("time [s],x,y,z", 'unit = "g"\nfull_scale = "50 g"', {}, ("unit g", "full_scale 50 g")),
        ("time [s],x [g],y [m/s2],z [V]", "", {}, ("V, g, m/s2", "of one kind")),
        ("time [s],x [ft/s2],y [ft/s2],z [ft/s2]", 'unit = "m/s2"', {}, ("ft/s2", "acceleration is read")),
        ("time [s],x [m/s2],y [m/s2],tach [m/s2]", "", {}, ("'tach [m/s2]'", "m/s2", "--axes")),
        ("time [week],x [g],y [g],z [g]", "", {}, ("'time [week]'", "'week'")),
        ("time [s],x [g],y [g],z [g]", "sample_rate_hz = 200", {}, ("100 Hz", "in the sidecar says 200 Hz")),
        ("time [s],x [g],y [g],z [g]", "", {"sample_rate": 50.0}, ("100 Hz", "--sample-rate says 50 Hz")),
        ("time [s],x [g],y [g],z [g]", "axes = []", {}, ("axes is empty",)),
        ("time [s],x [g],y [g],z [g]", 'full_scale = ""', {}, ("full_scale", "''")),
        ("time [s],x [g],y [g],z [g]", 'unit = ""', {}, ("unit ''",)),
    ],
)
def test_two_sides_that_differ_are_both_named(
    tmp_path: Path, header: str, sidecar: str, options: dict[str, object], sides: tuple[str, ...]
) -> None:
    path = text(tmp_path / "r.csv", header, sidecar)
    with pytest.raises(vk.InputError) as caught:
        vk.read(path, **options)  # type: ignore[arg-type]
    message = str(caught.value)
    assert "\n" not in message and len(message.replace(str(tmp_path), "")) <= 200
    for side in sides:
        assert side in message, message


@pytest.mark.parametrize(
    ("header", "sidecar", "options", "gain"),
    [
        ("time [s],x [g],y [g],z [g]", 'unit = "g"', {}, G),
        ("time [s],x [m/s^2],y [m/s²],z [m/s/s]", 'unit = "m/s2"\nfull_scale = "1 m/s2"', {}, 1.0),
        ("time [s],x [g],y [g],z [g]", 'full_scale = "9.80665 m/s2"', {}, G),
        ("time [s],x [mm/s2],y [mm/s2],z [mm/s2]", "", {}, 1e-3),
        ("time [s],x [V],y [V],z [V]", 'full_scale = "10 g"', {}, 10 * G),
        ("time [s],x [counts],y [counts],z [counts]", "", {"calibration": vk.Calibration.full_scale("2 m/s2")}, 2.0),
        ("time [s],x,y,z", 'unit = "g"', {}, G),
        ("time [s],x [g],y [g],z [g]", "sample_rate_hz = 102", {}, G),  # a nominal rate
        ("time (utc),x [g],y [g],z [g]", "", {}, G),
    ],
)
def test_two_sides_that_agree(
    tmp_path: Path, header: str, sidecar: str, options: dict[str, object], gain: float
) -> None:
    found = vk.read(text(tmp_path / "r.csv", header, sidecar), includes_gravity=False, **options)  # type: ignore[arg-type]
    np.testing.assert_allclose(found.samples, gain * VALUES.T)
    assert found.sample_rate == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("unit", "seconds"),
    [("min", 60.0), ("minutes", 60.0), ("h", 3600.0), ("hours", 3600.0), ("ms", 1e-3), ("s", 1.0), ("ns", 1e-9)],
)
@pytest.mark.parametrize("style", ["time [{}]", "t ({})", "time_{}"])
def test_units_of_time(tmp_path: Path, unit: str, seconds: float, style: str) -> None:
    """100 Hz, written in each unit; `time [min]` was once read as seconds."""
    step = 0.01 / seconds
    header = f"{style.format(unit)},x [g],y [g],z [g]"
    rows = [f"{i * step:.12g}," + ",".join(f"{v:.4f}" for v in row) for i, row in enumerate(VALUES)]
    path = tmp_path / "r.csv"
    path.write_text("\n".join([header, *rows]) + "\n")
    assert vk.read(path).sample_rate == pytest.approx(100.0, rel=1e-6)


def test_a_name_that_only_ends_like_a_unit(tmp_path: Path) -> None:
    path = text(tmp_path / "r.csv", "time [s],x_min,y_min,z_min")
    with pytest.raises(vk.InputError, match="none is named x, y or z"):
        vk.read(path, unit="g")


def test_what_goes_before_the_header_is_said(tmp_path: Path) -> None:
    path = text(tmp_path / "r.csv", "time [s],x [front],y,z", 'unit = "g"\naxes = ["y", "x", "z"]')
    found = vk.read(path)
    notices = {n.code: n for n in found.origin.notices}
    for notice in notices.values():
        said(notice)
    assert "'front' is no unit" in notices["header_remark"].message
    assert "axes_renamed" in notices


def test_a_bench_sheet_is_not_meant_against_a_file_that_knows(tmp_path: Path) -> None:
    from vibekit.recording.readers import open_recording

    path = text(tmp_path / "r.csv", "time [s],x [g],y [g],z [g]")
    shared = {"recording": {"unit": "m/s2", "full_scale": "50 g", "sample_rate_hz": 6400.0}}
    found = open_recording(path, defaults=shared)
    assert found.origin.calibration.mps2_per_unit == G and found.sample_rate == pytest.approx(100.0)
    (notice,) = (n for n in found.origin.notices if n.code == "unit_of_file")
    assert "g" in said(notice).message and "m/s2" in notice.message


@pytest.mark.parametrize("kind", ["npz", "mat"])
@pytest.mark.parametrize(("unit", "gain"), [("g", G), ("m/s^2", 1.0), ("V", None), ("mm/s", None), ("", 0.0)])
def test_units_in_files_of_arrays(tmp_path: Path, kind: str, unit: str, gain: float | None) -> None:
    path = tmp_path / f"r.{kind}"
    arrays = {**dict(zip("xyz", VALUES.T, strict=True)), "sample_rate_hz": 100.0, "unit": unit}
    if kind == "npz":
        np.savez(path, **arrays)
    else:
        scipy.io.savemat(path, arrays)
    if gain == 0.0:
        with pytest.raises(vk.InputError, match="does not say its unit"):
            vk.read(path)
    elif gain is None:
        with pytest.raises(vk.InputError, match=f"says its unit is {unit}"):
            vk.read(path, unit="m/s2")
    else:
        np.testing.assert_allclose(vk.read(path).samples, gain * VALUES.T)
        with pytest.raises(vk.InputError, match=r"the file says its unit is .*--unit says mg"):
            vk.read(path, unit="mg")
        with pytest.raises(vk.InputError, match=r"the file says 100 Hz, --sample-rate says 50 Hz"):
            vk.read(path, sample_rate=50.0)


@pytest.mark.parametrize("option", ["--full-scale", "--axes", "--unit"])
def test_empty_options(tmp_path: Path, option: str) -> None:
    path = text(tmp_path / "r.csv", "time [s],x [g],y [g],z [g]")
    code, out, err = run("grade", str(path), option, "")
    assert code in (2, 3) and out == "" and err.count("\n") == 1, err


def test_utf_16_with_decimal_commas(tmp_path: Path) -> None:
    path = text(tmp_path / "r.csv", "time [s];x [m/s²];y [m/s²];z [m/s²]", sep=";", point=",")
    path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))
    np.testing.assert_allclose(vk.read(path).samples, VALUES.T)
