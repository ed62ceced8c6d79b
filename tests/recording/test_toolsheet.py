"""The tool sheet: speeds from gear ratios by hand, and sheets of tools that cannot exist."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from vibekit.errors import InputError
from vibekit.recording.toolsheet import ToolSheet, load_tool, parse_tool

GRINDER: dict[str, Any] = {
    "tool": {"tag": "T-17", "kind": "small angle grinder", "mass_kg": 2.1, "supply": "mains 50 Hz", "hours_used": 0},
    "shaft": [{"name": "armature", "rated_rpm": 30400, "fan_blades": 9}, {"name": "spindle"}],
    "mesh": [{"driver": "armature", "driven": "spindle", "driver_teeth": 12, "driven_teeth": 38}],
    "bearing": [
        {"name": "front", "shaft": "spindle", "kind": "ball", "balls": 8, "ball_mm": 3.97, "pitch_mm": 17.5},
        {"name": "rear", "shaft": "spindle", "kind": "bushing", "contact_deg": 0},
    ],
    "accessory": {"shaft": "spindle", "kind": "grinding disc", "mass_kg": 0.2, "diameter_mm": 125},
}


def sheet(**tables: Any) -> ToolSheet:
    return parse_tool({"tool": {"tag": "T"}, **tables}, "t.toml")


def train(*meshes: tuple[str, str, int | None, int | None], **rated: float | None) -> ToolSheet:
    names = dict.fromkeys([*rated, *(n for m in meshes for n in m[:2])])
    shafts = [{"name": n} | ({"rated_rpm": rated[n]} if rated.get(n) else {}) for n in names]
    keys = ("driver", "driven", "driver_teeth", "driven_teeth")
    rows = [{k: v for k, v in zip(keys, m, strict=True) if v is not None} for m in meshes]
    return sheet(shaft=shafts, mesh=rows)


def refused(match: str, **tables: Any) -> None:
    with pytest.raises(InputError, match=match) as caught:
        sheet(**tables)
    assert str(caught.value).startswith("t.toml")
    assert "None" not in str(caught.value)


def test_a_whole_sheet() -> None:
    """30400 rpm through 12:38 teeth is 9600 rpm; both in turns per second."""
    tool = parse_tool(GRINDER, "t.toml")
    assert tool.rated_hz == pytest.approx({"armature": 30400 / 60, "spindle": 9600 / 60})
    assert (tool.tag, tool.kind, tool.mass_kg, tool.hours_used, tool.line_hz) == (
        "T-17",
        "small angle grinder",
        2.1,
        0.0,
        50.0,
    )
    assert tool.accessory is not None
    assert (tool.accessory.mass_kg, tool.accessory.diameter_mm, tool.output_shaft) == (0.2, 125.0, "spindle")
    assert [(b.name, b.kind, b.balls, b.ball_mm, b.contact_deg) for b in tool.bearings] == [
        ("front", "ball", 8, 3.97, 0.0),
        ("rear", "bushing", None, None, 0.0),
    ]
    assert tool.shaft("armature").fan_blades == 9
    with pytest.raises(InputError, match=r"T-17.*'wheel'.*\['armature', 'spindle'\]"):
        tool.shaft("wheel")


def test_a_train_is_followed_from_any_shaft() -> None:
    """Ratios multiply along the train (12:38, then 20:30) and turn round on the way back."""
    tool = train(("b", "c", 20, 30), ("a", "b", 12, 38), ("c", "d", None, 9), b=3800.0)
    assert tool.ratio("c", "a") == pytest.approx(12 / 38 * 20 / 30)
    assert tool.ratio("a", "c") == pytest.approx(38 / 12 * 30 / 20)
    assert tool.ratio("a", "a") == 1.0
    assert tool.ratio("d", "a") is None
    assert tool.rated_hz == pytest.approx({"b": 3800 / 60, "a": 3800 / 60 * 38 / 12, "c": 3800 / 60 * 20 / 30})


def test_what_a_shaft_is_rated_at_wins_over_the_teeth() -> None:
    tool = train(("a", "b", 10, 20), a=10000.0, b=4900.0)
    assert tool.rated_hz == pytest.approx({"a": 10000 / 60, "b": 4900 / 60})


@pytest.mark.parametrize(("rpm", "fits"), [(5245, True), (5255, False), (4765, True), (4755, False)])
def test_rated_speeds_must_agree_with_the_teeth_to_a_twentieth(rpm: float, fits: bool) -> None:
    """10:20 teeth: neither speed may lie more than 5 % (own rule) from what the other and the teeth give."""
    if fits:
        assert train(("a", "b", 10, 20), a=10000.0, b=rpm).rated_hz["b"] == rpm / 60
        return
    with pytest.raises(InputError, match=rf"'b' is rated {rpm} rpm, the teeth give 5000|the teeth give {2 * rpm} rpm"):
        train(("a", "b", 10, 20), a=10000.0, b=rpm)
    with pytest.raises(InputError, match="the teeth give"):
        train(("z", "a", None, None), ("a", "b", 10, 20), z=None, a=10000.0, b=rpm)


def test_without_a_rated_speed_nothing_turns() -> None:
    assert train(("a", "b", 10, 20)).rated_hz == {}
    late = train(("a", "b", 10, 20), a=None, b=3000.0)
    assert late.rated_hz == pytest.approx({"a": 100.0, "b": 50.0})


@pytest.mark.parametrize(
    ("supply", "hz"),
    [("mains 50 Hz", 50.0), ("Mains, 60Hz", 60.0), ("16.7 hz", 16.7), ("battery", None), (None, None), ("50", None)],
)
def test_mains_frequency(supply: str | None, hz: float | None) -> None:
    assert parse_tool({"tool": {"tag": "T"} | ({"supply": supply} if supply else {})}, "s").line_hz == hz


def test_the_output_shaft() -> None:
    """As the accessory says, else the last driven, else the last named; none where no shaft is."""
    shafts = [{"name": n} for n in "abc"]
    meshes = [{"driver": "a", "driven": "c"}, {"driver": "a", "driven": "b"}]
    assert sheet(shaft=shafts, mesh=meshes, accessory={"shaft": "a"}).output_shaft == "a"
    assert sheet(shaft=shafts, mesh=meshes, accessory={"mass_kg": 1}).output_shaft == "b"
    assert sheet(shaft=shafts).output_shaft == "c"
    assert sheet().output_shaft is None


SHAFTS = [{"name": "a"}, {"name": "b"}, {"name": "c"}]


def mesh(*pairs: str) -> list[dict[str, str]]:
    return [{"driver": p[0], "driven": p[1]} for p in pairs]


@pytest.mark.parametrize("pairs", [("ab", "bc", "ca"), ("ab", "ba"), ("aa",), ("ab", "cb", "ac")])
def test_a_train_that_bites_its_own_tail(pairs: tuple[str, ...]) -> None:
    refused("closes a cycle", shaft=SHAFTS, mesh=mesh(*pairs))


@pytest.mark.parametrize("pairs", [("ab", "bc"), ("ab", "ac"), ("ac", "bc"), ("bc", "ab")])
def test_trees_are_trains(pairs: tuple[str, ...]) -> None:
    assert len(sheet(shaft=SHAFTS, mesh=mesh(*pairs)).meshes) == 2


def test_sheets_that_name_what_is_not_there() -> None:
    refused("shaft 'a' stands twice", shaft=[{"name": "a"}, {"name": "b"}, {"name": "a"}])
    refused("mesh a-x names shaft 'x'", shaft=SHAFTS, mesh=mesh("ax"))
    refused("mesh x-a names shaft 'x'", shaft=SHAFTS, mesh=mesh("xa"))
    refused("bearing 'front' names shaft 'x'", shaft=SHAFTS, bearing=[{"name": "front", "shaft": "x"}])
    refused("accessory names shaft 'x'", shaft=SHAFTS, accessory={"shaft": "x"})
    refused(r"unknown table 'gears'; known are", shaft=SHAFTS, gears=1, zip=2)
    refused(r"mesh must be written as \[\[mesh\]\]", mesh={"driver": "a"})
    refused(r"\[\[shaft\]\] 2: name is missing", shaft=[{"name": "a"}, {}])
    refused(r"\[accessory\]: unknown key 'disc'", accessory={"disc": 1})
    refused(r"\[\[bearing\]\] 1: unknown key 'size'", bearing=[{"size": 1}])
    refused(r"\[\[mesh\]\] 1: unknown key 'teeth'", mesh=[{"teeth": 1}])
    for tag in ("", "  "):
        with pytest.raises(InputError, match=r"t.toml: \[tool\]: tag must not be empty"):
            parse_tool({"tool": {"tag": tag}}, "t.toml")
    with pytest.raises(InputError, match=r"t.toml: \[tool\]: tag is missing"):
        parse_tool({}, "t.toml")


def bearing(**facts: Any) -> ToolSheet:
    return sheet(shaft=SHAFTS, bearing=[{"name": "front", "shaft": "a", **facts}])


@pytest.mark.parametrize("balls", [2, 3, 5, 8, 20])
def test_balls_must_fit_the_pitch_circle(balls: int) -> None:
    """Centres stand on a regular polygon of side D·sin(π/n): balls of that diameter touch, larger ones do not fit."""
    touching = 30.0 * math.sin(math.pi / balls)
    fits = min(touching, 30.0) * (1 - 1e-9)
    assert bearing(balls=balls, ball_mm=fits, pitch_mm=30.0).bearings[0].ball_mm == fits
    with pytest.raises(InputError, match=rf"{balls} balls of .* mm do not fit a 30 mm circle"):
        bearing(balls=balls, ball_mm=touching * 1.001, pitch_mm=30.0)


def test_a_ball_as_wide_as_its_circle() -> None:
    with pytest.raises(InputError, match="do not fit"):
        bearing(ball_mm=30.0, pitch_mm=30.0)
    assert bearing(ball_mm=29.9, pitch_mm=30.0).bearings[0].pitch_mm == 30.0
    assert bearing(ball_mm=40.0).bearings[0].ball_mm == 40.0
    assert bearing(pitch_mm=40.0, balls=8).bearings[0].balls == 8


def test_what_a_bearing_may_be() -> None:
    for kind in ("ball", "needle", "roller", "bushing"):
        assert bearing(kind=kind).bearings[0].kind == kind
    assert bearing(balls=2, contact_deg=89.9).bearings[0].contact_deg == 89.9
    for facts, words in (
        ({"kind": "magnetic"}, "'magnetic' must be one of ball, needle, roller, bushing"),
        ({"contact_deg": 90}, "contact_deg 90 must be below 90"),
        ({"balls": 1}, "balls 1 must be at least 2"),
    ):
        with pytest.raises(InputError, match=f"bearing 'front': .*{words}"):
            bearing(**facts)


def test_a_sheet_in_a_file(tmp_path: Path) -> None:
    file = tmp_path / "t.toml"
    file.write_text('[tool]\ntag = "T-1"\n[[shaft]]\nname = "s"\nrated_rpm = 600\n')
    assert load_tool(str(file)).rated_hz == {"s": 10.0}
    file.write_text('[tool]\ntag = "T-1"\nweight = 2\n')
    with pytest.raises(InputError, match=r"t\.toml: \[tool\]: unknown key 'weight'; known are declared"):
        load_tool(file)
