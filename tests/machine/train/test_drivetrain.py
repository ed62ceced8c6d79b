"""Drive train lines against published bearing and gear tables (tests/references/bearings.csv, gears.csv)."""

from __future__ import annotations

import pytest

from tests.reference import rows
from vibekit.machine.train.drivetrain import (
    SLIP_TOLERANCE,
    bearing_orders,
    expected_lines,
    hunting_tooth_order,
    mesh_order,
    shaft_speeds,
)
from vibekit.recording.toolsheet import ToolSheet, parse_tool

GRINDER = {
    "tool": {"tag": "T-1", "supply": "mains 50 Hz"},
    "shaft": [
        {"name": "armature", "rated_rpm": 28000, "commutator_bars": 24, "fan_blades": 9},
        {"name": "spindle"},
    ],
    "mesh": [{"driver": "armature", "driven": "spindle", "driver_teeth": 12, "driven_teeth": 38}],
    "bearing": [
        {"name": "spindle front", "shaft": "spindle", "kind": "ball", "balls": 9, "ball_mm": 7.94, "pitch_mm": 39.04},
        {"name": "spindle rear", "shaft": "spindle", "kind": "bushing"},
    ],
}


def grinder() -> ToolSheet:
    return parse_tool(GRINDER, "test")


@pytest.mark.parametrize("row", rows("bearings"), ids=lambda r: f"{r['bearing'][:8]} {r['quantity']}")
def test_bearing_rates_against_published_table(row: dict[str, str]) -> None:
    orders = bearing_orders(int(row["n"]), float(row["d"]), float(row["D"]), float(row["contact_deg"]))
    rates = {
        "BPFO": orders.outer_race,
        "BPFI": orders.inner_race,
        "BSF": orders.rolling_element,
        "BSF2": 2 * orders.rolling_element,
        "FTF": orders.cage,
    }
    measured = rates[row["quantity"]] * float(row["shaft_hz"])
    assert measured == pytest.approx(float(row["value_computed_hz"]), abs=6e-6, rel=1.5e-6)  # speed printed to 6 digits
    if row["published"]:
        assert measured == pytest.approx(float(row["published"]), rel=2e-3)


@pytest.mark.parametrize("row", rows("gears"), ids=lambda r: r["case"])
def test_gear_rates_against_table(row: dict[str, str]) -> None:
    driver, driven, hz = int(row["Zp"]), int(row["Zg"]), float(row["pinion_hz"])
    assert mesh_order(driver) * hz == pytest.approx(float(row["GMF_hz=Zp*fp"]), rel=1e-6)
    hunting = hunting_tooth_order(driver, driven) * hz
    assert hunting == pytest.approx(float(row["hunting_tooth_hz=GMF*NA/(Zp*Zg)"]), rel=1e-5)


def test_race_rates_add_up_to_the_number_of_balls() -> None:
    # every ball passes either the outer or the inner race per cage turn: BPFO + BPFI = n, BPFO = n · FTF (kinematics)
    orders = bearing_orders(9, 0.3126, 1.537)
    assert orders.outer_race + orders.inner_race == pytest.approx(9)
    assert orders.outer_race == pytest.approx(9 * orders.cage)


def test_impossible_bearing_is_refused() -> None:
    with pytest.raises(ValueError, match="no bearing"):
        bearing_orders(8, 20.0, 17.5)


def test_lines_of_the_grinder_stand_where_the_gear_table_says() -> None:
    case = next(r for r in rows("gears") if r["case"] == "angle grinder style bevel")
    lines = {line.name: line for line in expected_lines(grinder(), {"armature": float(case["pinion_hz"])})}
    spindle = float(case["wheel_hz"])
    mesh = float(case["GMF_hz=Zp*fp"])
    assert lines["spindle 1x"].frequency_hz == pytest.approx(spindle, rel=1e-6)
    assert lines["mesh armature-spindle"].frequency_hz == pytest.approx(mesh, rel=1e-6)
    assert lines["mesh armature-spindle -1 spindle"].frequency_hz == pytest.approx(mesh - spindle, rel=1e-6)
    assert lines["2x mesh armature-spindle +2 armature"].order == pytest.approx(26)
    assert lines["armature commutator"].order == 24
    assert lines["armature fan"].order == 9
    assert lines["spindle 1/2x"].order == 0.5
    assert lines["mains 2x"].frequency_hz == 100
    assert lines["mains 2x"].shaft is None


def test_bearing_lines_carry_the_slip_tolerance_and_the_factor_two_of_the_rolling_element() -> None:
    lines = {line.name: line for line in expected_lines(grinder(), {"spindle": 1.0})}
    assert lines["spindle front outer race"].order == pytest.approx(3.584, abs=2e-3)  # same geometry in mm as the table
    assert lines["spindle front rolling element"].order == pytest.approx(4.713, abs=5e-3)
    assert lines["spindle front outer race"].tolerance == SLIP_TOLERANCE
    side = lines["spindle front inner race +1 spindle"]
    assert side.order == pytest.approx(lines["spindle front inner race"].order + 1)  # type: ignore[operator]
    assert not [name for name in lines if name.startswith("spindle rear")]  # a bushing has no rolling elements


def test_unknown_teeth_predict_no_mesh() -> None:
    data = {**GRINDER, "mesh": [{"driver": "armature", "driven": "spindle"}]}
    lines = expected_lines(parse_tool(data, "test"), {"armature": 400.0})
    assert {line.shaft for line in lines} == {"armature", None}
    assert not [line for line in lines if line.kind in ("mesh", "sideband", "hunting tooth")]


def test_speeds_follow_the_train_and_lines_stop_at_the_limit() -> None:
    speeds = shaft_speeds(grinder(), "spindle", 100.0)
    assert speeds == {"armature": pytest.approx(100.0 * 38 / 12), "spindle": pytest.approx(100.0)}
    lines = expected_lines(grinder(), {"spindle": 100.0}, max_hz=1000.0)
    assert max(line.frequency_hz for line in lines) <= 1000.0
    assert [line.frequency_hz for line in lines] == sorted(line.frequency_hz for line in lines)
