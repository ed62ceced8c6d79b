"""Sidecars and the strict reading of tables: every kind of value, what is refused, what keeps its place."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from vibekit.errors import InputError, UsageError
from vibekit.recording.sidecar import (
    RecordingFacts,
    axis_names,
    enter_in_sidecar,
    load_sidecar,
    parse_sidecar,
    sidecar_path,
)
from vibekit.recording.tables import MOST_SHEET_BYTES, from_table, load_toml, read_small_text


@dataclass(frozen=True)
class Everything:
    """One field of every kind that sheets use."""

    name: str
    flag: bool | None = None
    whole: int | None = None
    real: float | None = None
    zero: float | None = field(default=None, metadata={"allow_zero": True})
    signed: float | None = field(default=None, metadata={"any_sign": True})
    words: tuple[str, ...] | None = None
    band: tuple[float, ...] | None = None
    when: datetime | None = None
    many: tuple[int, ...] = field(default_factory=tuple)


def table(**values: Any) -> Everything:
    return from_table(Everything, {"name": "n", **values}, "s.toml")


@pytest.mark.parametrize(
    ("key", "value", "expected"),
    [
        ("flag", True, True),
        ("whole", 3, 3),
        ("whole", 3.0, 3),
        ("real", 3, 3.0),
        ("real", 0.25, 0.25),
        ("real", 1e12, 1e12),
        ("zero", 0, 0.0),
        ("signed", -2.5, -2.5),
        ("signed", 0, 0.0),
        ("words", ["x", "y"], ("x", "y")),
        ("words", [], ()),
        ("band", [2, 3000], (2.0, 3000.0)),
        ("when", datetime(2026, 3, 7, 10, 15, tzinfo=UTC), datetime(2026, 3, 7, 10, 15, tzinfo=UTC)),
        ("when", "2026-03-07T10:15:00+00:00", datetime(2026, 3, 7, 10, 15, tzinfo=UTC)),
        ("many", [1, 2], (1, 2)),
    ],
)
def test_a_value_of_its_kind(key: str, value: Any, expected: Any) -> None:
    found = getattr(table(**{key: value}), key)
    assert found == expected and type(found) is type(expected)
    other = [getattr(table(**{key: value}), name) for name in ("flag", "real", "when") if name != key]
    assert set(other) == {None}


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("name", 3, "must be text in quotes, not 3"),
        ("flag", 1, "must be true or false, not 1"),
        ("flag", "true", "must be true or false"),
        ("whole", 3.5, "must be a whole number, not 3.5"),
        ("whole", True, "must be a finite number, not True"),
        ("real", "3", "must be a finite number, not '3'"),
        ("real", float("nan"), "must be a finite number"),
        ("real", float("inf"), "must be a finite number"),
        ("real", 1.001e12, "must be a finite number"),
        ("real", -1.001e12, "must be a finite number"),
        ("real", 0, "must be greater than zero, not 0"),
        ("real", -0.5, "must be greater than zero, not -0.5"),
        ("zero", -0.5, "must be greater than zero"),
        ("words", "x,y", "must be a list"),
        ("words", ["x", 3], "must be text in quotes"),
        ("band", [2, "3"], "must be a finite number"),
        ("when", "soon", "must be a date and time such as 2026-03-07T10:15:00Z, not 'soon'"),
        ("when", date(2026, 3, 7), "must be a date and time"),
        ("when", 3, "must be a date and time"),
        ("size", 3, "unknown key 'size'; known are band, flag, many, name, real, signed, when, whole, words, zero"),
        pytest.param("real", 10**5000, "a number of thousands of digits", id="huge"),
        ("real", "x" * 200, "must be a finite number, not 'x{79}$"),
    ],
)
def test_a_value_of_no_use(key: str, value: Any, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        table(**{key: value})
    assert str(caught.value).startswith("s.toml: ")
    assert key in str(caught.value)


def test_no_table_and_no_name() -> None:
    for value in ([], "x", 3):
        with pytest.raises(InputError, match=r"s\.toml: must be a table of keys and values"):
            from_table(Everything, value, "s.toml")
    with pytest.raises(InputError, match=r"s\.toml: name is missing"):
        from_table(Everything, {"real": 1.0}, "s.toml")
    assert table().many == ()


def test_text_of_a_sheet(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    for content, words in (
        (None, "no such file"),
        (b"\xff\xfe\x00", "cannot be read as text: write it in UTF-8"),
        (b"x" * (MOST_SHEET_BYTES + 1), f"{MOST_SHEET_BYTES + 1} bytes: larger than such a text may be"),
        (b"a = ", "not valid TOML: Invalid value"),
        (b"a = " + b"[" * 100_000, "without end"),
        (b"a = 1" + b"0" * 5000, "not valid TOML"),
    ):
        if content is not None:
            file.write_bytes(content)
        with pytest.raises(InputError, match=words) as caught:
            load_toml(file)
        assert str(file) in str(caught.value) and "\n" not in str(caught.value)
    with pytest.raises(InputError, match="not a file"):
        read_small_text(tmp_path)
    with pytest.raises(InputError, match="x: cannot be read: File name too long"):
        read_small_text(tmp_path / ("x" * 300))
    with pytest.raises(InputError, match=r"5 bytes: larger than such a text may be \(4\)"):
        file.write_bytes(b"a = 1")
        read_small_text(file, 4)
    file.write_bytes(b"\xef\xbb\xbfa = '\xc2\xb2'")
    assert load_toml(file) == {"a": "²"}
    file.write_bytes(b"# " + b"x" * (MOST_SHEET_BYTES - 2))
    assert load_toml(file) == {}


def test_facts_and_sensor() -> None:
    facts, sensor = parse_sidecar(
        {
            "recording": {
                "axes": ["x", "-"],
                "run": 0,
                "shaft_power_w": 0,
                "spindle_rpm": 0,
                "includes_gravity": False,
            },
            "sensor": {"range": "50 g", "band_hz": [0, 3000], "mass_g": 12},
        },
        "r.toml",
    )
    assert (facts.axes, facts.run, facts.shaft_power_w, facts.spindle_rpm) == (("x", "-"), 0, 0.0, 0.0)
    assert (facts.includes_gravity, facts.tach_pulses_per_rev, facts.calibration_uncertainty_pct) == (False, 1.0, None)
    assert (sensor.range, sensor.band_hz, sensor.mass_g, sensor.mounting) == ("50 g", (0.0, 3000.0), 12.0, None)
    assert parse_sidecar({}, "r.toml")[0] == RecordingFacts()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"recordings": {}, "sensor": {}}, "unknown table 'recordings'; known are recording, sensor"),
        ({"zip": {}, "a": {}}, "unknown table 'a'"),
        ({"sensor": {"band_hz": [2]}}, r"\[sensor\]: band_hz must be two rising frequencies"),
        ({"sensor": {"band_hz": [2, 3, 4]}}, "two rising"),
        ({"sensor": {"band_hz": [300, 300]}}, "two rising"),
        ({"sensor": {"band_hz": [300, 20]}}, "two rising"),
        ({"sensor": {"weight": 3}}, r"\[sensor\]: unknown key 'weight'"),
        ({"recording": {"speed": 3}}, r"\[recording\]: unknown key 'speed'"),
        ({"recording": 3}, r"\[recording\]: must be a table"),
    ],
)
def test_sidecars_of_no_use(data: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=rf"^r\.toml: .*{words}"):
        parse_sidecar(data, "r.toml")


def test_channel_names() -> None:
    def named(*axes: str) -> Any:
        return axis_names(RecordingFacts(axes=axes))

    assert axis_names(RecordingFacts()) is None
    assert named("x", "y") is None
    assert named("x=Accel 1", " y = b=c ") == (("x", "Accel 1"), ("y", "b=c"))
    for axes in (("x=a", "y"), ("x=a", "y=")):
        with pytest.raises(UsageError, match="write every axis as x=NAME, or none"):
            named(*axes)


def test_where_a_sidecar_stands() -> None:
    assert sidecar_path(Path("a/run.1.wav")) == Path("a/run.1.toml")
    with pytest.raises(InputError, match=r"'\.': not a file"):
        sidecar_path(Path())


def test_defaults_under_what_the_sidecar_says(tmp_path: Path) -> None:
    defaults = {"recording": {"operator": "A", "run": 1}, "sensor": {"mass_g": 3.0}}
    file = tmp_path / "r.wav"
    facts, sensor = load_sidecar(file, defaults)
    assert (facts.operator, facts.run, sensor.mass_g) == ("A", 1, 3.0)
    (tmp_path / "r.toml").write_text('[recording]\nrun = 2\ncondition = "off"\n')
    facts, sensor = load_sidecar(file, defaults)
    assert (facts.operator, facts.run, facts.condition, sensor.mass_g) == ("A", 2, "off", 3.0)
    assert load_sidecar(file)[0] == RecordingFacts(run=2, condition="off")
    assert load_sidecar(tmp_path / "r.toml", defaults)[0].run == 1  # a sheet is not its own sidecar
    (tmp_path / "r.toml").write_text("recording = 3\n")
    with pytest.raises(InputError, match=r"r\.toml: \[recording\]: must be a table"):
        load_sidecar(file, defaults)


def test_parts_of_the_uncertainty_are_merged_one_by_one(tmp_path: Path) -> None:
    defaults = {"recording": {"uncertainty": {"mounting_pct": 3, "operator_pct": 6}}}
    (tmp_path / "r.toml").write_text("[recording.uncertainty]\noperator_pct = 0\n")
    stated = load_sidecar(tmp_path / "r.wav", defaults)[0].uncertainty
    assert (stated.mounting_pct, stated.operator_pct, stated.position_pct) == (3.0, 0.0, None)
    (tmp_path / "r.toml").write_text("[recording]\nuncertainty = 5\n")
    with pytest.raises(InputError, match=r"\[recording\]: uncertainty: must be a table"):
        load_sidecar(tmp_path / "r.wav", defaults)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("", '[recording]\nfull_scale = "50 g"\n'),
        ("[sensor]\nmass_g = 3", '[recording]\nfull_scale = "50 g"\n\n[sensor]\nmass_g = 3\n'),
        ("[recording]\nrun = 1\n", '[recording]\nfull_scale = "50 g"\nrun = 1\n'),
        (
            '[sensor]\nrange = "1 g"\n [recording] \n full_scale = "1 g" # old\nrun = 1',
            '[sensor]\nrange = "1 g"\n [recording] \nfull_scale = "50 g"\nrun = 1\n',
        ),
        ("\ufeff[recording]\n", '[recording]\nfull_scale = "50 g"\n'),
        ('[recording]\nfull_scale = "1 g" # k=2\n', '[recording]\nfull_scale = "50 g"\n'),
    ],
)
def test_a_fact_is_entered_where_it_belongs(tmp_path: Path, before: str, after: str) -> None:
    file, recording = tmp_path / "r.toml", tmp_path / "r.wav"
    file.write_text(before, encoding="utf-8")
    assert enter_in_sidecar(recording, {"full_scale": "50 g"}) == file
    assert file.read_text(encoding="utf-8") == after


def test_facts_in_a_file_that_is_not_there_yet(tmp_path: Path) -> None:
    entered = enter_in_sidecar(tmp_path / "r.wav", {"position": "½ g", "calibration_uncertainty_pct": 3.5})
    assert entered.read_text(encoding="utf-8").splitlines() == [
        "[recording]",
        "calibration_uncertainty_pct = 3.5",
        'position = "½ g"',
    ]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["r.toml"]


def test_facts_old_and_new_together(tmp_path: Path) -> None:
    file = tmp_path / "r.toml"
    file.write_text('[recording]\nrun = 1\nfull_scale = "1 g"\n')
    enter_in_sidecar(tmp_path / "r.wav", {"operator": "A", "full_scale": "50 g"})
    assert file.read_text() == '[recording]\noperator = "A"\nrun = 1\nfull_scale = "50 g"\n'


def test_what_cannot_be_entered_safely_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "r.toml"
    with pytest.raises(InputError, match="name the recording, not its sidecar"):
        enter_in_sidecar(file, {"run": 1})
    file.write_text('recording = {full_scale = "1 g"}\n')
    with pytest.raises(InputError, match='enter full_scale = "2 g", run = 2 by hand'):
        enter_in_sidecar(tmp_path / "r.wav", {"full_scale": "2 g", "run": 2})
    file.write_text("[recording]\nspeed = 1\n")
    with pytest.raises(InputError, match="unknown key"):
        enter_in_sidecar(tmp_path / "r.wav", {"run": 1})
    file.write_text("[recording]\nrun = 1\n")
    with pytest.raises(InputError, match=r"r\.toml: \[recording\]: run must be a finite number"):
        enter_in_sidecar(tmp_path / "r.wav", {"run": "one"})
    assert file.read_text() == "[recording]\nrun = 1\n"
