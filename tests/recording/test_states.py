"""What the tool does when: bursts between handling, idling, coast-down, a gentler tool, lost time; against known edges.

The truth is that of `tests.benchmarks.bursts`: a_hv over the samples with the trigger on, weighted with the analogue
curve of ISO 5349-1:2001 Annex A by one FFT over the padded whole. That route is held against SciPy here.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

import vibekit as vk
from tests.benchmarks.bursts import GATES, TOOLS, Case, Gate, burst_case, edge_errors, judged, switched, weighted
from tests.documents import notice_of
from vibekit.recording.recording import Origin
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.states import time_structure
from vibekit.recording.steps import StepEnergies

GRINDER, SANDER, DRILL = TOOLS
RATE = 3200.0


def pulled(*parts: tuple[float, bool]) -> np.ndarray:
    return np.concatenate([np.full(round(seconds * RATE), state) for seconds, state in parts])


def times(found: vk.VibrationMagnitude) -> dict[str, float]:
    return {state.state: state.time_s for state in found.states}


def test_the_truth_against_scipy() -> None:
    """The transfer function of ISO 5349-1 eq. A.1 and A.2 as a cascade, by scipy.signal.lsim at a high rate."""
    rate, q = 25_600.0, 2**0.5
    t = np.arange(round(2 * rate)) / rate
    burst = np.where((t > 0.5) & (t < 0.8), np.sin(2 * np.pi * 60 * t), 0.0)
    w1, w2, w3 = 2 * np.pi * 10**0.8, 2 * np.pi * 10**3.1, 100.0
    below = ([1, 0, 0], [1, q * w1, w1**2])
    above, slope = ([w2**2], [1, q * w2, w2**2]), ([w3, w3**2], [1, w3 / 0.64, w3**2])
    expected = burst
    for part in (below, above, slope):
        _, expected, _ = scipy.signal.lsim(part, expected, t)
    found = weighted(burst[None], rate)[0]
    assert np.sum(found**2) == pytest.approx(np.sum(np.square(expected)), rel=1e-3)
    on = (t > 0.5) & (t < 0.8)
    assert np.sum(found[on] ** 2) == pytest.approx(np.sum(np.square(expected[on])), rel=1e-3)


@pytest.mark.parametrize("handling", [0.0, 1.6, 3.0])
@pytest.mark.parametrize("tool", [GRINDER, SANDER, DRILL], ids=lambda tool: tool.name)
def test_bursts_of_a_second_between_rests(tool: object, handling: float) -> None:
    """Trigger on 1 s, off 2 s: no time is left to chance, whatever the hand does between."""
    result = judged(burst_case(tool, 1.0, 2.0, handling, 11))  # type: ignore[arg-type]
    assert result.a_hv == pytest.approx(0.0, abs=0.02)
    assert result.on_s == pytest.approx(0.0, abs=0.09)
    assert result.energy == pytest.approx(0.0, abs=0.09)


@pytest.mark.parametrize("handling", [0.0, 1.6])
@pytest.mark.parametrize(("on_s", "off_s"), [(0.2, 0.2), (0.4, 0.4), (0.3, 0.7)])
@pytest.mark.parametrize("gate", GATES, ids=lambda gate: gate.name)
def test_a_tool_switched_within_50_ms(gate: Gate, on_s: float, off_s: float, handling: float) -> None:
    """One speed, faded in and out: no burst is told longer or shorter than it was, and no hand counts as a tool."""
    case = burst_case(GRINDER, on_s, off_s, handling, 21, gate)
    up, down, missed = edge_errors(case)
    assert missed == 0
    assert abs(np.mean(down) - np.mean(up)) < 8.0  # ms
    result = judged(case)
    assert result.on_s == pytest.approx(0.0, abs=0.03)
    assert result.a_hv == pytest.approx(0.0, abs=0.025)
    assert result.energy > -0.02


def test_slow_edges_of_short_pulls_are_said() -> None:
    """Pulls of 0.4 s on a tool that coasts for half a second or more: the time is in doubt, and the reader is told."""
    said = judged(burst_case(GRINDER, 0.4, 2.0, 0.0, 12)).said
    assert "time_edges" in said
    assert "time_edges" not in judged(burst_case(GRINDER, 0.4, 2.0, 0.0, 12, GATES[0])).said


def test_a_coasting_tool_pulled_up_again_is_not_on_meanwhile() -> None:
    """Pulls of 1 s, 0.7 s apart, the tool still turning fast: the coast-down between them is no time with it on."""
    result = judged(burst_case(GRINDER, 1.0, 0.7, 0.0, 1))
    assert result.on_s == pytest.approx(0.0, abs=0.1)
    assert result.energy == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("on_s", [0.3, 0.4])
def test_short_bursts_do_not_vanish(on_s: float) -> None:
    """The worst that could happen to them: a median over a second takes no notice, and the tool looks harmless."""
    result = judged(burst_case(DRILL, on_s, 0.7, 0.3, 12))
    assert result.a_hv == pytest.approx(0.0, abs=0.04)
    assert result.on_s == pytest.approx(0.0, abs=0.12)


def test_states_of_a_course_with_load_and_rest() -> None:
    """On 5 s, of which 2.5 s at a quarter of the force, then coasting down to rest; all parts make up the whole."""
    case = switched(GRINDER, pulled((2, False), (8, True), (6, False)), RATE, np.random.default_rng(5), 0.0)
    samples, t = case.recording.samples.copy(), np.arange(case.on.size) / RATE
    samples[:, (t > 4) & (t < 6.5)] *= 0.2
    found = vk.grade(vk.Recording(samples, RATE))
    held = times(found)
    assert held["on"] + held["idling"] == pytest.approx(8.0, abs=0.15)
    assert held["idling"] == pytest.approx(2.5, abs=0.3)
    assert 0.3 < held["coast-down"] < 2.2
    assert sum(held.values()) == pytest.approx(found.duration_s, abs=0.01)
    by_name = {state.state: state.a_hv_mps2 for state in found.states}
    assert by_name["idling"] == pytest.approx(0.2 * (by_name["on"] or 0), rel=0.1)
    assert found.to_dict()["recordings"][0]["states"][0] == {
        "state": "on",
        "time_s": held["on"],
        "a_hv_mps2": by_name["on"],
    }


def test_energy_outside_is_stated() -> None:
    """Three quarters of the time off, in a hand at 3 m/s²: what lies there is said as a share, and named."""
    case = switched(GRINDER, pulled((6, False), (8, True), (20, False)), RATE, np.random.default_rng(7), 3.0)
    found = vk.grade(case.recording)
    total = np.square(weighted(case.recording.samples, RATE)).sum(axis=0)
    outside = 100 * total[~case.on].sum() / total.sum()
    assert found.row()["energy_outside_pct"] == pytest.approx(outside, abs=3.0)
    assert notice_of(found.notices, "vibration_while_off").severity == "caution"
    assert found.a_hv_mps2 == pytest.approx(case.a_hv, rel=0.02)


def test_a_much_gentler_tool_is_not_lost() -> None:
    """Two tools in one recording, one eight times as harsh: no energy of the other is dropped, and it is said."""
    on = pulled((3, False), (10, True), (4, False))
    harsh = switched(GRINDER, on, RATE, np.random.default_rng(1), 0.0, a_hv=8.0)
    gentle = switched(DRILL, pulled((3, False), (60, True), (4, False)), RATE, np.random.default_rng(2), 0.0, a_hv=1.0)
    both = vk.Recording(np.concatenate([harsh.recording.samples, gentle.recording.samples], axis=1), RATE)
    found = vk.grade(both)
    energy = harsh.energy + gentle.energy
    assert (found.a_hv_mps2 or 0) ** 2 * found.trigger_on_s == pytest.approx(energy, rel=0.04)
    assert found.trigger_on_s > 60
    if "unclear" in times(found):
        assert notice_of(found.notices, "time_unclear").severity == "caution"


def test_a_background_has_one_state() -> None:
    """A recording said to be with the tool off is no tool, whatever bumps it holds."""
    quiet = 0.01 * np.random.default_rng(3).standard_normal((3, round(12 * RATE)))
    quiet[:, 9600:11200] += 5 * np.sin(2 * np.pi * 80 * np.arange(1600) / RATE)
    found = vk.grade(vk.Recording(quiet, RATE, origin=Origin(facts=RecordingFacts(condition="off"))))
    assert list(times(found)) == ["on"] and found.trigger_on_s == found.duration_s


@pytest.mark.parametrize("values", [0.0, 1e-4, 3.0])
@pytest.mark.parametrize("n", [1, 2, 5, 640])
def test_nothing_happens(values: float, n: int) -> None:
    rows = [np.full(n, max(values, 1e-12))] * 4
    found = time_structure(StepEnergies(1 / 64, *rows))
    assert found.single_state and found.on_s == pytest.approx(n / 64)


def test_a_tool_on_throughout_is_graded_over_all_of_it() -> None:
    """Noise of a loaded tool with lines: no part may be taken for rest."""
    for seed in range(4):
        case: Case = switched(SANDER, np.ones(round(15 * RATE), dtype=bool), RATE, np.random.default_rng(seed), 0.3)
        running = vk.Recording(case.recording.samples[:, round(2 * RATE) :], RATE)
        found = vk.grade(running)
        assert found.trigger_on_s == pytest.approx(running.duration_s) and "off" not in times(found)
