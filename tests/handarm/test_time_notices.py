"""What is said of the time a magnitude is over. ISO 5349-2:2001 5.4 (from memory): a minute at least in all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

import vibekit as vk
from tests.documents import notice_of
from vibekit.handarm.gate import gaps_of, structure_of, trigger_on_s
from vibekit.handarm.onepass import measure
from vibekit.handarm.summary import grade_document
from vibekit.handarm.time_notices import short_in_all
from vibekit.recording.states import STATE_NAMES


@dataclass(frozen=True)
class Run:
    trigger_on_s: float
    tool: str | None = "T-1"
    condition: str | None = "loaded"
    a_hv_mps2: float | None = 3.0


@pytest.mark.parametrize(
    ("seconds", "said"), [((8.5,) * 3, True), ((19.9,) * 3, True), ((20.0,) * 3, False), ((59,), True)]
)
def test_a_minute_in_all(seconds: tuple[float, ...], said: bool) -> None:
    found = short_in_all([Run(s) for s in seconds])
    assert bool(found) is said
    if said:
        assert found[0].value == pytest.approx(sum(seconds)) and found[0].limit == 60.0
        assert found[0].message.startswith(f"T-1, loaded: {sum(seconds):.1f} s")


def test_different_work_is_not_added_up() -> None:
    runs = [Run(40), Run(40, condition="No-load"), Run(1, condition="off"), Run(5, a_hv_mps2=None)]
    assert [n.value for n in short_in_all(runs)] == [40, 40]


def test_three_short_recordings_in_a_document() -> None:
    t = np.arange(round(8.5 * 3200)) / 3200
    magnitude = vk.grade(vk.Recording(np.stack([10 * np.sin(2 * np.pi * 100 * t)] * 3), 3200.0))
    found = grade_document([magnitude] * 3)
    codes = {n["code"]: n for n in found["notices"]}
    assert "25.5 s with the trigger on in all, over 3 recordings" in codes["short_in_all"]["message"]


class Lost:
    """Timing as readers give it: start and length of every gap [s]."""

    gaps = ((4.0, 2.0), (9.0, 0.5))


def test_lost_time_is_neither_on_nor_off() -> None:
    """10 m/s² at 100 Hz for 12 s, of which 2.5 s are lost and stand as zeros: a_hv stays, on-time is what is known."""
    t = np.arange(12 * 3200) / 3200
    wave = np.stack([10 * np.sin(2 * np.pi * 100 * t)] * 3)
    for at, length in Lost.gaps:
        wave[:, (t >= at) & (t < at + length)] = 0.0
    track = measure(vk.Recording(wave, 3200.0))
    found = structure_of(track, Lost())  # type: ignore[arg-type]
    assert {STATE_NAMES[state] for state in found.states} == {"on", "unknown"}
    assert trigger_on_s(track, found) == pytest.approx(9.5, abs=1e-3)
    assert gaps_of(None) == ()


def test_the_doubt_of_the_on_time_stands_in_the_row() -> None:
    t = np.arange(12 * 3200) / 3200
    row = vk.grade(vk.Recording(np.stack([10 * np.sin(2 * np.pi * 100 * t)] * 3), 3200.0)).row()
    assert row["trigger_on_high_s"] == row["trigger_on_s"] == 12.0


def test_a_rest_beside_the_tool_is_no_doubt() -> None:
    """2 s off before and after, as usual: said as information alone."""
    t = np.arange(14 * 3200) / 3200
    on = (t > 2) & (t < 12)
    noise = 0.01 * np.random.default_rng(1).standard_normal((3, t.size))
    wave = np.stack([10 * np.sin(2 * np.pi * 100 * t + phase) * on for phase in (0.0, 1.0, 2.0)])
    found = vk.grade(vk.Recording(wave + noise, 3200.0))
    assert found.trigger_on_s == pytest.approx(10.0, abs=0.03)
    assert notice_of(found.notices, "trigger_on_part").severity == "info"
    assert {n.code for n in found.notices if n.severity != "info"} == set()
