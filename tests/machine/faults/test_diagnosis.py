"""The diagnosis: physics of its features against tables, real bearings, sample recordings, and what it must not say."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import vibekit as vk
from tests.reference import rows
from vibekit.bench.plots_diagnosis import plot_diagnosis
from vibekit.errors import InputError, UsageError
from vibekit.machine.faults.diagnosis import Diagnosis
from vibekit.machine.faults.evidence import residual_unbalance_g_mm
from vibekit.machine.faults.fault_words import FAULT_WORDS, separated_by
from vibekit.machine.faults.feature_words import feature_words
from vibekit.machine.faults.judgement import (
    INSTEAD,
    KNOTS,
    ROLE,
    Closing,
    FaultModel,
    classes,
    judgement_table,
    kind_word,
    probability,
    read_priors,
    seen_in,
)
from vibekit.machine.faults.rolling import bearing_features
from vibekit.machine.lines.views import Line, views_of
from vibekit.machine.speed.estimate import estimate_speed
from vibekit.recording.toolsheet import ToolSheet, parse_tool

SAMPLES = Path(__file__).parents[3] / "sample_recordings"
REAL = Path(os.environ.get("VIBEKIT_REAL_DATA", "absent"))
needs_real = pytest.mark.skipif(not REAL.is_dir(), reason="VIBEKIT_REAL_DATA names no folder")

FAULT_NAMES = {
    "healthy",
    *("imbalance.accessory", "imbalance.armature", "spindle.bent", "gear.wear", "gear.eccentric", "gear.tooth"),
    *("bushing.worn", "bearing.outer_race", "bearing.inner_race", "bearing.rolling_element", "bearing.cage"),
    *("mount.loose", "electrical.commutation", "electrical.mains", "resonance"),
}


@pytest.mark.parametrize("row", rows("unbalance_force"), ids=lambda row: f"{row['U_g_mm']} g·mm {row['rpm']} rpm")
def test_residual_unbalance_inverts_the_force_table(row: dict[str, str]) -> None:
    """F = U·ω² (computed table): a free body of 2 kg turned round by that force shakes with F/m in each direction."""
    force, hz = float(row["F_N=U*1e-6*omega^2"]), float(row["rpm"]) / 60
    each = force / 2.0 / np.sqrt(2.0)  # r.m.s. in each of the two directions across the shaft
    line = Line("spindle 1x", 1.0, hz, float(np.hypot(each, each)), 40.0, "y", (0.0, each, each))
    assert residual_unbalance_g_mm(line, 2.0) == pytest.approx(float(row["U_g_mm"]), rel=2e-3)


def test_every_fault_of_the_contract_has_words() -> None:
    assert set(FAULT_WORDS) == FAULT_NAMES
    assert separated_by("bushing.worn", "mount.loose") == separated_by("mount.loose", "bushing.worn")


def test_log_odds_add_up_and_unknown_features_weigh_nothing() -> None:
    ordinary = {"loaded, fast": {"a": (0.0, 1.0), "b": (10.0, 5.0)}}
    rising, bent = [0.5 * knot for knot in KNOTS], [max(0.0, knot - 1.0) for knot in KNOTS]
    model = FaultModel(-1.0, {"a": bent, "b": rising}, ordinary)
    assert model.log_odds(model.standardised({"a": 2.5, "b": 20.0}, "loaded", 100.0)) == pytest.approx(-1 + 1.5 + 1)
    assert model.log_odds(model.standardised({}, None, 100.0)) == -1.0
    assert model.log_odds(model.standardised({"b": 1e9}, None, 100.0)) == pytest.approx(-1 + 0.5 * KNOTS[-1])
    assert probability(0.0) == 0.5


def test_recordings_of_one_condition_are_averaged_and_both_conditions_added() -> None:
    model = FaultModel(-1.0, {}, {}, (0.25, 0.8, 0.4))
    assert model.shares(["loaded", None, "loaded"]) == (0.0, (1 / 3, 1 / 3, 1 / 3))
    assert model.shares(["no load", "loaded", "idle"]) == (0.25, (0.4, 0.4, 0.4))
    assert model.shares(["No-load", None, "Unloaded"]) == (0.25, (0.4, 0.4, 0.4))


def test_conditions_that_a_tool_was_seen_in() -> None:
    assert seen_in(["no load", "idle"]) == "no load"
    assert seen_in(["loaded", None]) == "loaded"  # what is not said is taken as under load
    assert seen_in([None, "no load"]) == "both"


def test_silence_about_a_fault_is_no_clean_bill() -> None:
    table = judgement_table()
    clean = [-6.0] * 20
    for seen in ("both", "no load", "loaded"):
        assert table.healthy_log_odds(clean, ["gear.wear"], seen) < table.healthy_log_odds(clean, [], seen)


def test_without_masses_the_level_itself_is_weighed() -> None:
    model = FaultModel(
        0.0,
        {"grade": [2.0 * knot for knot in KNOTS]},
        {"loaded, fast": {"grade": (0.0, 1.0), "one_level": (10.0, 5.0)}},
    )
    assert model.log_odds(model.standardised({"one_level": 20.0}, None, 100.0)) == pytest.approx(4.0)
    assert model.log_odds(model.standardised({"one_level": 20.0, "grade": 1.0}, None, 100.0)) == pytest.approx(2.0)


def test_tools_are_compared_with_their_like() -> None:
    assert classes(None, 150.0, "small angle grinder") == ("loaded, fast, grinder", "loaded, fast")
    assert classes("No load", 15.0, None) == ("no load, slow, other", "no load, slow")
    assert kind_word("straight grinder") == "die grinder"


def test_levels_are_compared_within_one_kind_only() -> None:
    """What a grinder makes as a sound tool is no measure for a tool of an unknown kind."""
    rising = list(KNOTS)
    ordinary = {"loaded, fast": {"a": (0.0, 1.0)}, "loaded, fast, grinder": {"a": (0.0, 1.0), "level_1000": (0.0, 1.0)}}
    model = FaultModel(0.0, {"a": rising, "level_1000": rising}, ordinary)
    values = {"a": 1.0, "level_1000": 4.5}
    assert model.log_odds(model.standardised(values, None, 100.0, "angle grinder")) == pytest.approx(5.5)
    assert model.log_odds(model.standardised(values, None, 100.0, "kettle")) == pytest.approx(1.0)
    for model in judgement_table().faults.values():
        for name, features in model.ordinary.items():
            assert any(f.startswith("level_") for f in features) <= (name.count(",") == 2)


def test_what_a_rival_explains_is_no_proof() -> None:
    """Bayes' rule for causes that exclude each other (share 1): exp(L) / (1 + Σ exp(L)); each alone at share 0."""
    log_odds = {"a": 2.0, "b": 1.0, "c": -3.0}
    total = 1.0 + sum(np.exp(list(log_odds.values())))
    ends = {"one": Closing((0.0, 1.0, 1.0), (0.0, 1.0)), "any": Closing((0.0, 1.0, 0.0), (0.0, 1.0))}
    table = replace(judgement_table(), closings=ends)
    exclusive, alone = table.beside_rivals(log_odds, "one"), table.beside_rivals(log_odds, "any")
    for fault, value in log_odds.items():
        assert probability(exclusive[fault]) == pytest.approx(np.exp(value) / total)
        assert alone[fault] == value
    for seen in ("both", "no load", "loaded"):
        given = judgement_table().beside_rivals(log_odds, seen)
        assert given["a"] < judgement_table().beside_rivals({"a": 2.0}, seen)["a"]


def test_the_table_is_complete() -> None:
    table = judgement_table()
    assert set(table.faults) == set(ROLE) == set(FAULT_WORDS) - {"healthy"}
    for model in table.faults.values():
        for condition in ("loaded", "no load"):
            for hz in (15.0, 150.0):
                compared = {name for name in model.curves if not name.startswith("level_")}
                assert compared <= set(model.ordinary[classes(condition, hz, None)[1]])
        assert all(feature_words(feature) for feature in [*model.curves, *INSTEAD.values()])
        for curve in model.curves.values():
            assert len(curve) == len(KNOTS)
            assert curve[KNOTS.index(0.0)] == 0.0  # what is ordinary tells nothing


@pytest.fixture(scope="module")
def accessory() -> Diagnosis:
    return vk.diagnose(vk.read(SAMPLES / "t12-no-load.wav"))


def test_document_has_the_contracts_keys(accessory: Diagnosis) -> None:
    document = accessory.to_dict()
    assert {"document", "version", "recordings", "speed", "findings", "not_testable", "verdict", "notices"} <= set(
        document
    )
    chances = [finding["probability"] for finding in document["findings"]]
    assert chances == sorted(chances, reverse=True)
    assert "healthy" in {finding["fault"] for finding in document["findings"]}
    first = document["findings"][0]
    assert {"fault", "probability", "severity", "where", "evidence", "rivals", "look_for"} <= set(first)
    evidence = first["evidence"][0]
    keys = {"line", "order", "frequency_hz", "amplitude_mps2", "over_floor_db", "axis", "supports"}
    assert keys <= set(evidence)
    assert {"fault", "reason"} == set(document["not_testable"][0])


def test_an_unbalanced_disc_is_named_with_its_size(accessory: Diagnosis) -> None:
    """The sample's truth: 100 g·mm added, 133 g·mm in all on the spindle."""
    first = accessory.findings[0]
    assert first.fault == "imbalance.accessory"
    assert first.where == "spindle"
    assert 40 < first.severity.unbalance_g_mm < 400  # a free body is assumed: right within a factor of three
    assert "resonance" in first.rivals


def test_cautions_come_with_every_diagnosis(accessory: Diagnosis) -> None:
    text = " ".join(notice["message"] for notice in accessory.to_dict()["notices"])
    assert "unplug" in text
    assert "guard" in text


def test_a_phone_cannot_tell() -> None:
    diagnosis = vk.diagnose(vk.read(SAMPLES / "t11-phone.csv"))
    assert diagnosis.findings == ()
    assert diagnosis.verdict.startswith("cannot tell")
    assert {fault for fault, _ in diagnosis.not_testable} == set(FAULT_WORDS) - {"healthy"}
    assert "refusal" in {notice.severity for notice in diagnosis.notices}


def test_recordings_of_different_tools_are_refused() -> None:
    with pytest.raises(UsageError, match="different tools"):
        vk.diagnose([vk.read(SAMPLES / "t11-no-load.wav"), vk.read(SAMPLES / "t12-no-load.wav")])
    with pytest.raises(UsageError, match="no recording"):
        vk.diagnose([])


def test_without_a_sheet_what_is_missing_is_said() -> None:
    recording = vk.read(SAMPLES / "t12-no-load.wav")
    bare = replace(recording, origin=replace(recording.origin, tool=None))
    reasons = dict(vk.diagnose(bare).not_testable)
    assert "[[mesh]]" in reasons["gear.wear"]
    assert "[[bearing]]" in reasons["bushing.worn"]


def rig(rpm: float, balls: int, ball_mm: float, pitch_mm: float) -> ToolSheet:
    return parse_tool(
        {
            "tool": {"tag": "rig"},
            "shaft": [{"name": "rotor", "rated_rpm": rpm}],
            "bearing": [
                {
                    "name": "drive end",
                    "shaft": "rotor",
                    "kind": "ball",
                    "balls": balls,
                    "ball_mm": ball_mm,
                    "pitch_mm": pitch_mm,
                }
            ],
        },
        "rig",
    )


def places(recording: vk.Recording, sheet: ToolSheet) -> dict[str, float]:
    """Return how far each place of the bearing stands over the noise in the envelope [dB]."""
    speed = estimate_speed(recording, sheet)
    views = views_of(recording, speed, "rotor", sheet)
    assert views is not None
    return {place: notes.values["pulse_comb"] for place, notes in bearing_features(views, sheet.bearings[0]).items()}


CWRU = rig(1797, 9, 7.940, 39.04)  # 6205: 0.3126 in, 1.537 in (geometry from memory)
MFPT = rig(1500, 8, 5.969, 31.62)  # 0.235 in, 1.245 in (geometry from memory)


@needs_real
@pytest.mark.parametrize(
    ("file", "axes", "rate", "sheet", "place"),
    [
        ("bearing_a/12k_DE_IR007_0hp_105.mat", "x=X105_DE_time", 12000, CWRU, "inner_race"),
        ("bearing_a/12k_DE_OR007at6_0hp_130.mat", "x=X130_DE_time", 12000, CWRU, "outer_race"),
        ("bearing_b/InnerRaceFault_vload_1.mat", "x", None, MFPT, "inner_race"),
        ("bearing_b/OuterRaceFault_vload_1.mat", "x", None, MFPT, "outer_race"),
    ],
)
def test_real_bearings_with_known_faults(file: str, axes: str, rate: float, sheet: ToolSheet, place: str) -> None:
    """Open data with the fault in the file's name; none was used for fitting."""
    recording = vk.read(REAL / file, axes=[axes], unit="g", sample_rate=rate)
    heights = places(recording, sheet)
    assert max(heights, key=lambda p: heights[p]) == place
    assert heights[place] > 3.0
    findings = vk.diagnose(recording, sheet).findings
    assert findings[0].fault == f"bearing.{place}"


@needs_real
def test_a_real_healthy_bearing_comes_out_healthy() -> None:
    file = REAL / "bearing_a" / "48k_normal_0hp_97.mat"
    diagnosis = vk.diagnose(vk.read(file, axes=["x=X097_DE_time"], unit="g", sample_rate=48000), CWRU)
    assert diagnosis.findings[0].fault == "healthy"
    assert all(finding.probability < 0.5 for finding in diagnosis.findings[1:])
    assert dict(diagnosis.not_testable)["spindle.bent"].endswith("record three axes")


@needs_real
def test_a_real_healthy_bearing_shows_no_race() -> None:
    file = REAL / "bearing_a" / "48k_normal_0hp_97.mat"
    heights = places(vk.read(file, axes=["x=X097_DE_time"], unit="g", sample_rate=48000), CWRU)
    assert heights["outer_race"] < 1.5
    assert heights["inner_race"] < 1.5


def test_priors_from_own_teardowns_shift_the_odds(tmp_path: Path, accessory: Diagnosis) -> None:
    (tmp_path / "priors.toml").write_text(
        '[prior."imbalance.accessory"]\nlog_odds_shift = -2.0\nproposed = 0.1\nteardowns = 12\n'
    )
    shifts = read_priors(tmp_path / "priors.toml")
    shifted = vk.diagnose(vk.read(SAMPLES / "t12-no-load.wav"), priors=shifts)

    def odds(diagnosis: Diagnosis) -> float:
        chance = next(f.probability for f in diagnosis.findings if f.fault == "imbalance.accessory")
        return float(np.log(chance / (1 - chance)))

    assert odds(shifted) == pytest.approx(odds(accessory) - 2.0)


@pytest.mark.parametrize("text", ["[x]\n", '[prior."rust"]\nlog_odds_shift = 1\n', '[prior."gear.wear"]\nshift = 1\n'])
def test_bad_priors(tmp_path: Path, text: str) -> None:
    (tmp_path / "priors.toml").write_text(text)
    with pytest.raises(InputError):
        read_priors(tmp_path / "priors.toml")


def test_a_diagnosis_is_drawn(accessory: Diagnosis, tmp_path: Path) -> None:
    for name in ("d.png", "d.svg"):
        plot_diagnosis(accessory.to_dict(), tmp_path / name)
    drawn = (tmp_path / "d.svg").read_text(encoding="utf-8")
    assert "accessory out of balance" in drawn and "log-odds" in drawn
    assert (tmp_path / "d.png").read_bytes().startswith(b"\x89PNG")
