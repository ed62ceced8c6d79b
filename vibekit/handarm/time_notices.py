"""What is to be said of the time that a magnitude is over: parts of a recording, energy outside, too little in all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from vibekit.errors import Notice
from vibekit.recording.conditions import is_off, plain_term

LEAST_IN_ALL_S = 60.0  # ISO 5349-2:2001 5.4 (from memory): at least 1 min over all samples
_MUCH_DOUBT_PCT = 3.0  # of the time with the trigger on: 1.5 % of A(8)
_MUCH_OUTSIDE_PCT = 5.0  # of the energy: 2.5 % of A(8)


class StateTime(Protocol):
    """What the tool did, for how long, and how it shook."""

    @property
    def state(self) -> str: ...  # noqa: D102
    @property
    def time_s(self) -> float: ...  # noqa: D102
    @property
    def a_hv_mps2(self) -> float | None: ...  # noqa: D102


class TimedRun(Protocol):
    """A graded recording and the time it is over."""

    @property
    def tool(self) -> str | None: ...  # noqa: D102
    @property
    def condition(self) -> str | None: ...  # noqa: D102
    @property
    def a_hv_mps2(self) -> float | None: ...  # noqa: D102
    @property
    def trigger_on_s(self) -> float: ...  # noqa: D102


def time_notices(states: Sequence[StateTime], single_state: bool, doubt_s: float = 0.0) -> tuple[Notice, ...]:
    """Say over what time the magnitude holds where that is not the whole recording, and what lies outside it.

    `doubt_s` is by how much the time with the trigger on may be longer or shorter.
    """
    if single_state:
        return ()
    triggered = [s for s in states if s.state in ("on", "idling", "unclear")]
    on_s, inside = sum(s.time_s for s in triggered), _energy(triggered)
    notices = [Notice("trigger_on_part", "info", f"graded over the {on_s:.1f} s with the trigger on", on_s)]
    notices += [_unclear(s, on_s) for s in triggered if s.state == "unclear"]
    if 100.0 * doubt_s > _MUCH_DOUBT_PCT * on_s:
        notices.append(_slow_edges(on_s, doubt_s))
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
        f"{state.time_s:.1f} s at {state.a_hv_mps2 or 0.0:.2g} m/s² may be a gentler tool, a machine nearby or the "
        "tool slowing down between short pulls: counted as trigger on, so that no energy is lost",
        state.time_s,
        on_s,
        "see it with --plot; record each tool by itself",
    )


def _slow_edges(on_s: float, doubt_s: float) -> Notice:
    return Notice(
        "time_edges",
        "caution",
        f"the tool runs up or coasts down slowly for such short pulls: the {on_s:.1f} s with the trigger on may be "
        f"{doubt_s:.1f} s more or less",
        100.0 * doubt_s / on_s,
        _MUCH_DOUBT_PCT,
        "record longer pulls, or time them otherwise",
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


def short_in_all(runs: Iterable[TimedRun]) -> list[Notice]:
    """Return what is to be said of tool and condition whose recordings have under a minute with the trigger on in all.

    A recording of the background, and one that cannot be graded for its own reasons, are left out.
    """
    seconds: dict[str, list[float]] = {}
    for run in runs:
        if run.a_hv_mps2 is not None and not is_off(run.condition):
            what = ", ".join(fact for fact in (run.tool, plain_term(run.condition)) if fact)
            seconds.setdefault(what, []).append(run.trigger_on_s)
    return [_short(what, on_s) for what, on_s in seconds.items() if sum(on_s) < LEAST_IN_ALL_S]


def _short(what: str, on_s: Sequence[float]) -> Notice:
    who, over = f"{what}: " if what else "", "" if len(on_s) == 1 else f", over {len(on_s)} recordings"
    message = f"{who}{sum(on_s):.1f} s with the trigger on in all{over}, where ISO 5349-2 asks for at least a minute"
    return Notice("short_in_all", "info", message, sum(on_s), LEAST_IN_ALL_S, "record the same work for longer")
