"""Which of the speeds that a recording speaks for is the shaft's: the chance of each, and of none of them.

Eleven signs that mechanics gives, each with a weight, and what was known before. Its lines stand (1), above all once,
twice and three times per turn (2), and they speak against it where these are missing (3). A slow shaft carries fast
parts: the slower the likelier (4). It is no whole multiple of a slower comb that stands, surely not where that one's
turn is as loud (5), nor where it is fainter (6); nor at no whole multiple of it, as gears and bearings on it are (7);
nor the cage of a bearing on a faster one, at 0.34 to 0.46 of it (8). Unbalance shakes the whole tool: its once-per-turn
is louder than its multiples (9) rather than fainter (10), and every second or third of its lines is not much louder
than those between, as where a loose shaft shows halves and thirds of its orders (11). With a rated speed, one read by
hand, or neither: the same signs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.speed.judge import Scored
from vibekit.machine.speed.told import Rival
from vibekit.machine.tracks.target import Target
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import ToolSheet

# Log odds per unit of each sign, and of "none of them": fitted by tests/benchmarks/speed_fit.py
WEIGHTS = (0.236, 0.405, 0.495, -1.29, -4.05, -2.11, -2.21, -5.11, 0.0959, 0.1, -0.178)
NONE = 3.7  # fitted 3.4; more noise was tried than stands in the fit
_PER_UNUSUAL = 1.4  # per log of how unusual a speed is beside the rated one, fitted with them
_NONE_READ = 1.8  # where a speed was read by hand: so near to it chance finds little
_MOST_GAIN, _MOST_FIRST = 80.0, 12.0  # more of a sign says no more
_STANDS, _STANDS_FIRST = (
    8.0,
    4.0,
)  # gain, and that of the first three orders, from which a comb is rather there than not
_AS_LOUD_DB, _FAINT_DB = -6.0, -22.0  # once-per-turn of a slower comb beside that of its multiple
_MOST_OVER_DB, _UNEVEN_DB = 20.0, 5.0
_SLOW_HZ = 25.0  # slower is no likelier: few shafts of handheld tools turn more slowly (common practice, no source)
_NEEDED, _LOUDER_DB = 6.0, 6.0  # gain of a cage's comb that chance explains; once-per-turn of its shaft over its own
_WHOLE = 0.008  # of the quotient: a whole multiple
_FASTEST_MULTIPLE = 9
CAGE = (0.34, 0.46)  # of the shaft's speed: (1 - ball/pitch diameter)/2 and a per cent of slip
_ONE = 0.01  # of the speed: closer candidates are one
_CANDIDATES = 40
_READ_WITHIN, _READ_TAIL = 0.01, 0.02  # of a speed read by hand: its doubt; chance that it was of another moment
_RIVALS = 4
_LEAST_CHANCE = 0.01  # of a rival that is named


@dataclass(frozen=True)
class Candidate:
    """A speed with what the recording says of it, and the chance that it is the shaft's."""

    scored: Scored
    chance: float


def candidates(found: Sequence[Scored], target: Target) -> tuple[Candidate, ...]:
    """Return the different speeds among `found` with their chances, likeliest first; what is missing to 1 is none."""
    ranked = distinct(found)
    if not ranked:
        return ()
    known = np.array([_as_read(s.hz, target) - _PER_UNUSUAL * target.unusual(s.hz) for s in ranked])
    odds = signs(ranked) @ np.array(WEIGHTS) + known
    none = _NONE_READ if target.read_hz else NONE
    weights = np.exp(odds - max(none, float(odds.max())))
    chances = weights / (weights.sum() + np.exp(none - max(none, float(odds.max()))))
    return tuple(Candidate(ranked[i], float(chances[i])) for i in np.argsort(-chances))


def distinct(found: Sequence[Scored]) -> list[Scored]:
    """Return the speeds that are no other's neighbour, best first."""
    ranked: list[Scored] = []
    for one in sorted(found, key=lambda s: -s.gain):
        if len(ranked) < _CANDIDATES and all(abs(one.hz / other.hz - 1.0) > _ONE for other in ranked):
            ranked.append(one)
    return ranked


def signs(ranked: Sequence[Scored]) -> FloatArray:
    """Return the signs of each speed, shape (n, len(WEIGHTS))."""
    names = ("hz", "gain", "first", "level", "over", "uneven")
    hz, gain, first, level, over, uneven = (np.array([getattr(s, name) for s in ranked]) for name in names)
    stands = _logistic((gain - _STANDS) / 2.0) * _logistic(first - _STANDS_FIRST)
    times = hz[:, None] / hz[None, :]  # of each speed (rows) to every other
    whole = np.round(times)
    multiple = (whole >= 2) & (whole <= _FASTEST_MULTIPLE) & (np.abs(times - whole) < _WHOLE * whole)
    louder = level[None, :] - level[:, None]  # every other (columns) over each speed
    of_loud, of_faint = multiple & (louder > _AS_LOUD_DB), multiple & (louder <= _AS_LOUD_DB) & (louder > _FAINT_DB)
    cage = _cage(times) & (louder > _AS_LOUD_DB)
    # A shaft that shakes the tool explains its cage's lines with its own, and twice the cage's
    carries = ((_cage(times) | _cage(times / 2.0)) & (louder > _LOUDER_DB)).T * _logistic(first - _STANDS_FIRST)[
        :, None
    ]
    of_cage = (carries * (gain[None, :] - _NEEDED)).max(axis=1)

    def stand(which: NDArray[np.bool_]) -> FloatArray:
        return np.asarray((stands[None, :] * which).max(axis=1))

    return np.stack(
        [
            np.minimum(np.where(of_cage > 0.0, np.maximum(gain, of_cage), gain), _MOST_GAIN),
            np.clip(first, 0.0, _MOST_FIRST),
            np.clip(first, -_MOST_FIRST, 0.0),
            np.log(np.maximum(hz, _SLOW_HZ) / 100.0),
            stand(of_loud),
            stand(of_faint),
            stand((times > 1.03) & ~multiple),
            np.maximum(stand(cage), carries.max(axis=0)),
            np.clip(over, 0.0, _MOST_OVER_DB),
            np.clip(over, -_MOST_OVER_DB, 0.0),
            np.clip(uneven - _UNEVEN_DB, 0.0, _MOST_OVER_DB),
        ],
        axis=1,
    )


def _cage(times: FloatArray) -> NDArray[np.bool_]:
    return np.asarray((times > CAGE[0]) & (times < CAGE[1]))


def _logistic(x: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(x, -50.0, 50.0))))


def _as_read(hz: float, target: Target) -> float:
    """Return the log of how likely a speed is beside one read by hand: that one, or one of another moment."""
    if target.read_hz is None:
        return 0.0
    off = (hz / target.read_hz - 1.0) / _READ_WITHIN
    return float(np.log(np.exp(-0.5 * off**2) + _READ_TAIL))


def rivals(ranked: Sequence[Candidate], tool: ToolSheet | None, of: str | None) -> tuple[Rival, ...]:
    """Return the speeds behind the likeliest, with their chances and how they relate to it."""
    first, *others = ranked
    least = min(_LEAST_CHANCE, 0.1 * (1.0 - first.chance))
    named = [c for c in others if c.chance > least][:_RIVALS]
    return tuple(
        Rival(
            c.scored.hz,
            f"chance {c.chance:.2g} against {first.chance:.2g}; " + relation(c.scored.hz / first.scored.hz, tool, of),
        )
        for c in named
    )


def relation(ratio: float, tool: ToolSheet | None, of: str | None) -> str:
    """Return in words how a rival speed relates to the chosen one."""
    for shaft in tool.shafts if tool and of else ():
        turns = tool.ratio(shaft.name, of) if tool and of else None
        if turns is not None and shaft.name != of and abs(ratio / turns - 1.0) < 0.015:
            return f"it would take the {shaft.name}'s lines for the {of}'s"
    if tool is None and CAGE[0] < ratio < CAGE[1]:
        return "the cage of a bearing on a shaft turns at such a share of it"
    if tool is None and CAGE[0] < 1.0 / ratio < CAGE[1]:
        return "lines chosen would be those of a bearing's cage on a shaft that turns so fast"
    simple = Fraction(ratio).limit_denominator(4)
    if simple > 0 and simple.numerator <= 5 and abs(ratio / float(simple) - 1.0) < 0.012:
        if simple < 1:
            return f"at {simple} of the speed, lines that should stand between those found are missing"
        return f"at {simple} times the speed, lines that stand are left unexplained"
    return "another set of lines, or another shaft" if not tool else "other lines of the recording"
