"""The plan of a measurement and the background, by hand: ranges, folds, bands, floors."""

from __future__ import annotations

import pytest

from tests.documents import notice_of, sound
from vibekit.errors import InputError
from vibekit.recording.background import floor_notice
from vibekit.recording.limits import band_covered, folded_hz, lines_beyond, shaft_lines
from vibekit.recording.plan import SensorPlan, plan_sensor
from vibekit.recording.timing import Timing
from vibekit.recording.toolsheet import parse_tool

GRINDER = parse_tool(
    {
        "tool": {"tag": "T-1", "declared_vibration_mps2": 6.0},
        "shaft": [{"name": "armature", "rated_rpm": 30000}, {"name": "spindle"}],
        "mesh": [{"driver": "armature", "driven": "spindle", "driver_teeth": 10, "driven_teeth": 30}],
    },
    "sheet",
)  # 500 Hz and 166.67 Hz; the spindle's double is 333.33 Hz


def plan(rate: float, reach: float | None = 100.0, band: tuple[float, float] | None = None) -> SensorPlan:
    return plan_sensor(GRINDER, rate, reach, band, lambda hz: 16.0 / hz)


def test_a_plan_by_hand() -> None:
    """At 800 Hz the band ends at 0.45·800 = 360; 500 Hz folds to 300; 100 m/s² peak is 70.7 r.m.s., weighted 16/f."""
    document = sound(plan(800.0).to_dict(), "check")
    found = document["plan"]
    assert document["recordings"] == []
    assert {k: v for k, v in found.items() if k not in ("lines", "band_covered_hz")} == {
        "tool": "T-1",
        "range_mps2": 100.0,
        "sample_rate_hz": 800.0,
        "least_sample_rate_hz": pytest.approx(1250 / 0.45),
    }
    assert found["band_covered_hz"] == (0.0, pytest.approx(360.0))
    rms = 100.0 / 2**0.5
    lines = (
        ("spindle 1x", 500 / 3, True, None),
        ("spindle 2x", 1000 / 3, True, None),
        ("armature 1x", 500, False, 300),
    )
    for line, (name, hz, carried, folds) in zip(found["lines"], lines, strict=True):
        assert line == {
            "name": name,
            "frequency_hz": pytest.approx(hz),
            "carried": carried,
            "folds_to_hz": folds if folds is None else pytest.approx(folds),
            "wh": pytest.approx(16 / hz),
            "max_rms_mps2": pytest.approx(rms),
            "max_weighted_mps2": pytest.approx(rms * 16 / hz),
        }


def test_what_a_plan_warns_of() -> None:
    notices = plan(800.0).notices
    beyond = notice_of(notices, "band_misses_lines")
    assert (beyond.severity, beyond.value, beyond.limit) == ("refusal", pytest.approx(360.0), pytest.approx(500.0))
    assert "armature 1x 500 Hz" in beyond.message and "folds to 300 Hz" in beyond.message
    assert beyond.remedy and "2778 Hz" in beyond.remedy
    small = notice_of(notices, "range_too_small")  # 70.7·16/166.7 = 6.79 m/s² is under 1.5·6
    assert (small.severity, small.value, small.limit) == ("caution", pytest.approx(70.7107 * 0.096, rel=1e-5), 9.0)
    assert "167 Hz" in small.message and "6.79" in small.message and "declared at 6 m/s²" in small.message
    assert small.remedy
    part = notice_of(notices, "band_incomplete")
    assert (part.severity, part.value, part.limit) == ("caution", pytest.approx(360.0), 1250.0)
    assert part.remedy and "2778 Hz" in part.remedy


def test_what_a_plan_does_not_warn_of() -> None:
    assert plan(1250 / 0.45, 132.6).notices == ()  # 132.6/√2·0.096 = 9.001
    assert {n.code for n in plan(1250 / 0.45, 132.5).notices} == {"range_too_small"}
    assert {n.code for n in plan(6400.0, None, (2.0, 1249.0)).notices} == {"band_incomplete"}
    lost = notice_of(plan(6400.0, None, (2.0, 400.0)).notices, "band_misses_lines")
    assert lost.message.endswith("this sensor carries")
    near = notice_of(plan(1400.0, None, (2.0, 400.0)).notices, "band_misses_lines")  # 500 is under half the rate
    assert near.message.endswith("this sensor carries")
    assert plan(1000.0, None).lines[2].folds_to_hz is None  # exactly half the rate still stands where it is
    low = plan(6400.0, None, (200.0, 400.0))
    assert [line.carried for line in low.lines] == [False, True, False]
    assert [line.max_rms_mps2 for line in low.lines] == [line.max_weighted_mps2 for line in low.lines] == [None] * 3
    undeclared = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "s", "rated_rpm": 9000}]}, "sheet")
    assert plan_sensor(undeclared, 6400.0, 1.0, None, lambda _: 0.1).notices == ()


def test_no_plan_without_a_speed() -> None:
    with pytest.raises(InputError, match=r"T-2.*rated_rpm"):
        plan_sensor(parse_tool({"tool": {"tag": "T-2"}}, "sheet"), 6400.0, 1.0, None, lambda _: 1.0)


@pytest.mark.parametrize(
    ("frequency", "rate", "apparent"), [(300, 1000, 300), (500, 1000, 500), (700, 1000, 300), (2300, 1000, 300)]
)
def test_folding(frequency: float, rate: float, apparent: float) -> None:
    """Sampling theorem: the distance from the nearest multiple of the rate."""
    assert folded_hz(frequency, rate) == pytest.approx(apparent)


def test_lines_and_the_end_of_the_band() -> None:
    assert shaft_lines(GRINDER) == [
        ("armature 1x", pytest.approx(500.0)),
        ("spindle 1x", pytest.approx(500 / 3)),
        ("spindle 2x", pytest.approx(1000 / 3)),
    ]
    assert lines_beyond(GRINDER, (0.0, 500.0)) == []
    assert [name for name, _ in lines_beyond(GRINDER, (0.0, 499.9))] == ["armature 1x"]
    top = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "s", "rated_rpm": 75000}]}, "sheet")
    assert lines_beyond(top, (0.0, 1000.0)) == [("s 1x", 1250.0)]  # Wh reaches to 1250 Hz, itself included
    assert shaft_lines(parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "s"}]}, "sheet")) == []


def test_the_slower_of_two_clocks_sets_the_band() -> None:
    """0.40 of the rate where samples are stamped (BMI088 driver comment), of the mean rate if that is lower."""
    late = Timing(180.0, 0.005, 0.001, 0.03, (), 0, False)
    assert band_covered(200.0, None, late) == (0.0, pytest.approx(72.0))
    assert band_covered(150.0, None, late) == (0.0, pytest.approx(60.0))
    assert band_covered(200.0, (1.0, 50.0), late) == (1.0, 50.0)


@pytest.mark.parametrize(
    ("level", "floor", "near"), [(5.98, 2.0, True), (6.0, 2.0, False), (1.0, 0.0, False), (0.0, 0.0, False)]
)
def test_a_level_near_its_background(level: float, floor: float, near: bool) -> None:
    """Powers add: at three times the floor the tool has sqrt(1 - 1/9) = 94 % of the value (own rule)."""
    found = floor_notice("r.wav", level, floor)
    assert (found is not None) == near
    if near:
        notice = notice_of([found], "near_background")
        assert (notice.severity, notice.value, notice.limit) == ("caution", pytest.approx(level / floor), 3.0)
        assert notice.message.startswith("r.wav: 5.98 m/s² is only 3 times the background of 2 m/s²")
        assert notice.remedy
