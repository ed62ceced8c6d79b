"""`vibekit balance` as the outside calls it."""

from __future__ import annotations

import json

import pytest

from tests.cli.inprocess import run

ONE_PLANE = ["balance", "--initial", "7@160", "--trial", "100@0", "--response", "5@70"]
FOUR_RUNS = "balance --initial 10 --trial 50@0 --response 7 --trial 50@120 --response 12 --trial 50@240 --response 18"


def test_one_plane_json() -> None:
    options = ["--radius-mm", "60", "--rotor-mass-kg", "0.35", "--rpm", "11000", "--json"]
    code, out, err = run(*[*ONE_PLANE, *options])
    document = json.loads(out)
    assert (code, err) == (0, "")
    assert (document["document"], document["version"]) == ("balance", 1)
    assert document["correction_g"] == pytest.approx(81.373, abs=5e-4)
    assert document["residual_g_mm"] == pytest.approx(4882.4, abs=0.1)
    assert document["grade_mm_s"] > 0


def test_four_runs_text() -> None:
    code, out, _ = run(*FOUR_RUNS.split())
    assert code == 0
    assert "59.3" in out and "41.7" in out
    assert "guard" in out and "unplug" in out


def test_two_planes_readings_per_option_or_by_comma() -> None:
    trials = ["--trial", "10@270", "--trial", "12@180", "--json"]
    apart = ["--initial", "8.5@60", "--initial", "6.5@205"]
    apart += [part for r in ("6@125", "4.5@230", "6@35", "10.5@160") for part in ("--response", r)]
    joined = ["--initial", "8.5@60,6.5@205", "--response", "6@125,4.5@230", "--response", "6@35, 10.5@160"]
    documents = [json.loads(run(*["balance", *given, *trials])[1]) for given in (apart, joined)]
    assert documents[0] == documents[1]
    assert documents[0]["correction_g"] == pytest.approx([10.0561, 5.8774], abs=5e-5)


@pytest.mark.parametrize(
    "arguments",
    [
        ["balance", "--initial", "seven", "--trial", "100@0", "--response", "5@70"],
        ["balance", "--initial", "7@160@2", "--trial", "100@0", "--response", "5@70"],
        ["balance", "--initial", "7@160", "--trial", "100", "--response", "5@70"],
        ["balance", "--initial", "7@160", "--trial", "100@0"],
        ["balance", "--initial", "nan@160", "--trial", "100@0", "--response", "5@70"],
        [*ONE_PLANE, "--rpm", "-5"],
        [*ONE_PLANE, "--radius-mm", "0"],
        ["balance"],
    ],
)
def test_usage_errors(arguments: list[str]) -> None:
    code, out, err = run(*arguments)
    assert (code, out) == (2, "")
    assert err


def test_trial_without_effect_ends_with_4() -> None:
    code, out, _ = run(*["balance", "--initial", "7@160", "--trial", "9@0", "--response", "7@160", "--json"])
    document = json.loads(out)
    assert code == 4
    assert document["correction_g"] is None
    assert any(n["severity"] == "refusal" for n in document["notices"])
