"""What the checks find travels with the grade: refused, or said with direction and size; truth by one transform."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import vibekit as vk
from tests.benchmarks.one_look import RATE, TRUE, Case, a_hv, flaws, made, stretches, tool
from tests.documents import notice_of, sound
from vibekit.recording.measures import measure
from vibekit.recording.recording import Recording

REFUSED = {
    ("flat tops", "at 0.5 of the peak"): "check_clipping",
    ("at end of known range", "at 0.5 of the peak"): "check_clipping",
    ("DC shift", "1 of the r.m.s."): "check_dc_shift",
    ("samples held, 20 ms", "45 % of the time"): "check_dropouts",
    ("zeros, 50 ms", "30 % of the time"): "check_dropouts",
    ("every sample repeated", "3 times"): "check_dropouts",
    ("stuck sensor", "0.6 of full scale"): "check_alive",
    ("stuck sensor", "0.6 of full scale, last bit moves"): "check_alive",
    ("sensor band", "200 to 2500 Hz"): "band_misses_lines",
}
DOUBTED = {
    ("soft limit", "knee at 0.6 of the peak"): "check_soft_clipping",
    ("DC shift", "0.5 of the r.m.s."): "check_dc_shift",
    ("samples held, 20 ms", "0.2 % of the time"): "check_dropouts",
    ("z axis", "gain 0, noise 0"): "check_axes",
    ("y copies x", "gain 1"): "check_axes",
    ("mains pick-up", "4 m/s²"): "check_hum",
}


@cache
def cases() -> dict[tuple[str, str], Case]:
    return {(name, size): case for name, size, case in flaws()}


def test_a_sound_recording_keeps_its_number() -> None:
    found = vk.grade(made(Case(tool())))
    assert found.a_hv_mps2 == pytest.approx(TRUE, rel=0.01)
    assert found.row()["checks"] == {"verdict": "sound", "not_passed": []}
    assert not [n for n in found.notices if n.severity != "info"]


@pytest.mark.parametrize("flaw", REFUSED, ids="-".join)
def test_what_check_fails_has_no_value(flaw: tuple[str, str]) -> None:
    found = vk.grade(made(cases()[flaw]))
    notice = notice_of(found.notices, REFUSED[flaw])
    assert notice.severity == "refusal" and notice.remedy
    assert found.a_hv_mps2 is None and found.expanded_uncertainty_mps2 is None
    row = sound(found.to_dict(), "grade")["recordings"][0]
    assert row["checks"]["verdict"] == "refused" and not row["gradeable"]


@pytest.mark.parametrize("flaw", DOUBTED, ids="-".join)
def test_what_check_doubts_names_the_side_and_enters_u(flaw: tuple[str, str]) -> None:
    """The true value lies where the check says, and within the expanded uncertainty."""
    found = vk.grade(made(cases()[flaw]))
    notice = notice_of(found.notices, DOUBTED[flaw])
    assert notice.severity == "caution" and "the true a_hv" in notice.message
    (check,) = (c for c in found.checked.doubts() if f"check_{c.name}" == notice.code)
    low, high = check.true_above_pct or (0.0, 0.0)
    assert found.a_hv_mps2 is not None and found.expanded_uncertainty_mps2 is not None
    assert low - 1.0 <= 100 * (TRUE / found.a_hv_mps2 - 1) <= high + 1.0
    assert abs(TRUE - found.a_hv_mps2) < found.expanded_uncertainty_mps2
    part = next(p for p in found.budget if p.name == check.name.replace("_", " "))
    # a rectangle from low to high about the value told: its mean square (JCGM 100:2008, 4.3.7 and F.2.4.5)
    points = np.linspace(low, high, 20_001) / 100
    assert part.relative == pytest.approx(float(np.sqrt(np.mean(points**2))), rel=1e-3)


def test_shocks_and_what_lies_above_the_bands_are_said() -> None:
    shocks = vk.grade(made(cases()["repeated shocks", "800 m/s², 3 a second"]))
    assert "not made for shocks" in notice_of(shocks.notices, "check_shocks").message
    above = vk.grade(made(cases()["above 1250 Hz", "100 m/s² at 2.2 kHz"]))
    assert notice_of(above.notices, "above_1250_hz").severity == "info"


@pytest.fixture(scope="module")
def long() -> np.ndarray:
    return tool(seconds=400.0)


def test_of_a_long_recording_only_a_part_is_looked_at_closely(long: np.ndarray) -> None:
    found = vk.grade(Recording(long, RATE))
    assert found.a_hv_mps2 == pytest.approx(a_hv(long), rel=0.01)
    assert "throughout" in notice_of(found.notices, "looked_at_part").message
    assert not [n for n in found.notices if n.severity != "info"]
    assert measure(Recording(long, RATE)).closely_s < 100


@pytest.mark.parametrize("at_s", [3.0, 101.3, 237.9, 399.0])
def test_what_happens_anywhere_in_a_long_recording_is_found(long: np.ndarray, at_s: float) -> None:
    """One second that is twice as loud and cut off; or one of which a tenth is held. Looked at closely is a fifth."""
    second = slice(round(at_s * RATE), round((at_s + 1.0) * RATE))
    loud, top = long.copy(), 1.1 * np.abs(long).max(axis=1)[:, None]
    loud[:, second] = np.clip(3 * loud[:, second], -top, top)
    assert notice_of(vk.grade(Recording(loud, RATE)).notices, "check_clipping")
    held = long.copy()
    held[:, second] = stretches(long[:, second], 0.1, 0.02, "held")
    assert notice_of(vk.grade(Recording(held, RATE)).notices, "check_dropouts")
