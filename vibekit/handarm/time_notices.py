"""What is to be said of the time that a magnitude is over: parts of a recording, energy outside, too little in all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from vibekit.errors import Notice

LEAST_IN_ALL_S = 60.0  # ISO 5349-2:2001 5.4 (from memory): at least 1 min over all samples
_MUCH_OUTSIDE_PCT = 5.0  # of the energy: 2.5 % of A(8)


class StateTime(Protocol):
    """What the tool did, for how long, and how it shook."""

    @property
    def state(self) -> str: ...  # noqa: D102
    @property
    def time_s(self) -> float: ...  # noqa: D102
    @property
    def a_hv_mps2(self) -> float | None: ...  # noqa: D102


def time_notices(states: Sequence[StateTime], single_state: bool) -> tuple[Notice, ...]:
    """Say over what time the magnitude holds where that is not the whole recording, and what lies outside it."""
    if single_state:
        return ()
    triggered = [s for s in states if s.state in ("on", "idling", "unclear")]
    on_s, inside = sum(s.time_s for s in triggered), _energy(triggered)
    notices = [Notice("trigger_on_part", "info", f"graded over the {on_s:.1f} s with the trigger on", on_s)]
    notices += [_unclear(s, on_s) for s in triggered if s.state == "unclear"]
    outside = _energy(s for s in states if s.state == "off")
    if (share := 100.0 * outside / (inside + outside) if outside > 0 else 0.0) >= _MUCH_OUTSIDE_PCT:
        notices.append(_outside(share, next(s.time_s for s in states if s.state == "off")))
    return tuple(notices)


def _energy(states: Iterable[StateTime]) -> float:
    return sum((s.a_hv_mps2 or 0.0) ** 2 * s.time_s for s in states)


def _unclear(state: StateTime, on_s: float) -> Notice:
    return Notice(
        "time_unclear",
        "caution",
        f"{state.time_s:.1f} s at {state.a_hv_mps2 or 0.0:.2g} m/s² may be a gentler tool or a machine nearby: counted "
        "as trigger on, so that no energy is lost",
        state.time_s,
        on_s,
        "see it with --plot; record each tool by itself",
    )


def _outside(share_pct: float, off_s: float) -> Notice:
    return Notice(
        "vibration_while_off",
        "caution",
        f"{share_pct:.0f} % of the weighted energy lies in the {off_s:.1f} s with the trigger off, most of it slow as "
        "of a hand that moves the tool: it is not counted",
        share_pct,
        _MUCH_OUTSIDE_PCT,
        "see it with --plot; count it in where the tool ran",
    )


def short_in_all(on_s: Sequence[float], who: str = "") -> tuple[Notice, ...]:
    """Return a caution where all recordings of one kind of work have less than a minute with the trigger on."""
    total = sum(on_s)
    if not on_s or total >= LEAST_IN_ALL_S:
        return ()
    over = "in all" if len(on_s) == 1 else f"over {len(on_s)} recordings"
    message = f"{who}{total:.3g} s with the trigger on {over}: ISO 5349-2 asks for a minute at least"
    return (Notice("short_in_all", "caution", message, total, LEAST_IN_ALL_S, "record the same work for longer"),)
