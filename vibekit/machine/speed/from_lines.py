"""Speed from lines: tracks propose, the whole recording decides among them, their multiples and ratios."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vibekit.errors import Notice
from vibekit.machine.spectra.warp import warped
from vibekit.machine.speed.folding import against_folding, folded_rivals, rate_too_low
from vibekit.machine.speed.judge import Scored, View, scored, views
from vibekit.machine.speed.told import LineSpeed, Rival, nothing_found
from vibekit.machine.speed.verdict import Candidate, candidates, rivals
from vibekit.machine.tracks.mains import mains_lines
from vibekit.machine.tracks.proposals import Heard, Track, constant, heard, steady, with_departures
from vibekit.machine.tracks.target import Target, target_of
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import hz_to_rpm

_LEAST_SAMPLES = 128  # two of the shortest frames
_SUREST, _SUREST_OPEN = 0.98, 0.9  # where no rated speed narrows it, a tool may be unlike any known (no source)
_SUREST_HIDDEN, _STANDS_FIRST = 0.5, 5.0  # where once to three times per turn hardly stand (log likelihood ratio)
LEAST_TOLD = 0.2  # chance below which a speed is not told
_LEAST_STANDS = 0.5  # chance of all candidates together below which it is said that there are none
_RIVALS, _LEAST_NAMED = 4, 0.02  # speeds named where none is told, each with at least this chance
_STEADY = 0.02  # of the speed: a track that changes more smears the mains on its clock, so that none need be left out
_MAINS_MULTIPLES, _MAINS_HZ = 20, 0.15  # the supply's own lines, and how far to either side they reach
_ONE, _NEARLY = 0.004, 0.6  # of the speed: two readings of one; of the gain on a steady clock (no source)
_NEAR = 0.01  # of a steady speed: where the lines about it are looked for


def line_speed(
    samples: FloatArray,
    sample_rate: float,
    tool: ToolSheet | None = None,
    read_hz: float | None = None,
    stamped: bool = False,
    calibrated: bool = True,
) -> tuple[LineSpeed, str | None]:
    """Return the speed that the lines in `samples`, shape (n_axes, n_samples), tell, and the shaft it belongs to.

    `read_hz` is the output shaft's speed read by other means; `stamped` says that the samples came with timestamps
    (phone and board logs, often without a low-pass before sampling); `calibrated` that they are in m/s².
    """
    target = target_of(tool, read_hz)
    refusal = rate_too_low(target, sample_rate)
    if refusal is not None:
        return nothing_found(refusal, folded_rivals(target, sample_rate)), target.of
    if samples.shape[-1] < _LEAST_SAMPLES:
        return nothing_found(_no_lines(0.0), ()), target.of
    what, track, supply = heard_with_supply(samples, sample_rate, target, tool, calibrated)
    found = speaking(what, track, supply)
    ranked = candidates(found, target)
    standing = sum(c.chance for c in ranked)
    if not ranked or standing < _LEAST_STANDS:
        return nothing_found(_no_lines(standing), _likeliest(ranked)), target.of
    best = _followed_rather(ranked[0].scored, found)
    followed = track.times(best.hz / track.middle_hz) if best.clock else _about(what, best, track, supply)
    notices = () if target.narrowed else (_not_narrowed(),)
    sure = min(ranked[0].chance, _surest(best, target))
    told = LineSpeed(followed.time_s, followed.hz, max(sure, 0.01), rivals(ranked, tool, target.of), notices)
    told = against_folding(told, target, sample_rate, stamped)
    return _cannot_tell(told, ranked) if told.hz.size and sure < LEAST_TOLD else told, target.of


def _followed_rather(best: Scored, found: list[Scored]) -> Scored:
    """Return a speed as the track at it tells it, if lines stand nearly as well there: it knows how it wanders."""
    tracked = [s for s in found if s.clock and abs(s.hz / best.hz - 1.0) < _ONE]
    top = max(tracked, key=lambda s: s.gain, default=best)
    return top if top.gain > _NEARLY * best.gain else best


def _surest(best: Scored, target: Target) -> float:
    """Return the confidence that a speed can have at most: where nothing else is known, little without its turn."""
    if target.narrowed:
        return _SUREST
    return _SUREST_OPEN if best.first > _STANDS_FIRST else _SUREST_HIDDEN


def heard_with_supply(
    samples: FloatArray, sample_rate: float, target: Target, tool: ToolSheet | None, calibrated: bool
) -> tuple[Heard, Track, float | None]:
    """Return what there is to follow, the track found in it, and the frequency of the mains, if they show [Hz]."""
    mains = mains_lines(samples, sample_rate, tool)
    what, track = heard(samples, sample_rate, target, mains, calibrated)
    return what, track, tool.line_hz if tool and tool.line_hz else next(iter(mains), None)


def speaking(what: Heard, track: Track, supply_hz: float | None) -> list[Scored]:
    """Return the speeds that a recording speaks for on a steady clock and on that of a track."""
    return _on_steady_clock(what, supply_hz) + _on_clock_of(what, track, supply_hz)


def _on_steady_clock(what: Heard, supply_hz: float | None) -> list[Scored]:
    """Return what the recording says of speeds that do not change."""
    start, stop = what.running
    seen = views(what.samples[:, start:stop], what.mapped.sample_rate, 0, _mains(supply_hz, 1.0, 0.0))
    return _scored(seen, what.target, 1.0)


def _on_clock_of(what: Heard, track: Track, supply_hz: float | None) -> list[Scored]:
    """Return what the recording says of speeds that change as a track does."""
    seen, scale = _seen_by(what, track, supply_hz)
    inside = what.target.low_hz < track.middle_hz < what.target.high_hz
    return _scored(seen, what.target, scale, track.middle_hz / scale if inside else None)


def _scored(seen: list[View], target: Target, scale: float, proposed_hz: float | None = None) -> list[Scored]:
    """Return the speeds of all views in Hz of the recording, `scale` of them to one of the views' clock."""
    low, high = target.low_hz / scale, target.high_hz / scale
    found = (s for view in seen for s in scored(view, target.comb, low, high, proposed_hz))
    return [replace(s, hz=s.hz * scale) for s in found]


def _seen_by(what: Heard, track: Track, supply_hz: float | None) -> tuple[list[View], float]:
    """Return the views on a track's clock, and how many Hz of the recording one of the clock is at the median speed."""
    if track.known.sum() < 2:
        return [], 1.0
    rate, hz = what.mapped.sample_rate, track.hz[track.known]
    clock = warped(what.samples, rate, track.time_s, np.interp(track.time_s, track.time_s[track.known], hz))
    scale = track.middle_hz / clock.reference_hz
    start, stop = np.interp(np.array(what.running) / rate, clock.knots_s, clock.clock_s) * rate
    spread = float(np.quantile(hz, 0.9) / np.quantile(hz, 0.1)) - 1.0
    neutral = _mains(supply_hz, 1.0 / scale, spread)
    return views(clock.samples[:, int(start) : int(stop)], rate, 1, neutral), scale


def _mains(supply_hz: float | None, per_hz: float, spread: float) -> list[tuple[float, float]]:
    """Return the bands of a clock in which lines of the mains stand, of a speed that changes by the share `spread`."""
    if supply_hz is None or spread > _STEADY:
        return []
    lines = [n * supply_hz * per_hz for n in range(1, _MAINS_MULTIPLES + 1)]
    return [(hz * (1 - spread / 2) - _MAINS_HZ, hz * (1 + spread / 2) + _MAINS_HZ) for hz in lines]


def _about(what: Heard, best: Scored, beside: Track, supply_hz: float | None) -> Track:
    """Return the track about a steady speed: as its lines tell it where they stand better so, else without change."""
    followed = steady(what, best.hz)
    seen, scale = _seen_by(what, followed, supply_hz)
    near = [(1.0 + sign * _NEAR) * best.hz / scale for sign in (-1.0, 1.0)]
    found = [s for view in seen for s in scored(view, what.target.comb, near[0], near[1])]
    top = max(found, key=lambda s: s.gain, default=None)
    stands = top is not None and top.gain >= best.gain and abs(followed.middle_hz / best.hz - 1.0) < _NEAR
    finer = followed.times(top.hz * scale / followed.middle_hz) if top and stands else constant(what, best.hz)
    return with_departures(what, finer, best.hz, beside)


def _not_narrowed() -> Notice:
    return Notice(
        "speed_not_narrowed",
        "caution",
        "no rated speed narrows the search: lines of another part may have been taken for a shaft",
        remedy="give a tool sheet with rated_rpm and tooth counts, or compare with the rivals listed",
    )


def _cannot_tell(found: LineSpeed, ranked: tuple[Candidate, ...]) -> LineSpeed:
    """Return that lines stand, but not whose they are."""
    hz, chance = ranked[0].scored.hz, ranked[0].chance
    refusal = Notice(
        "speed_not_told",
        "refusal",
        f"cannot tell: the likeliest of several speeds, {hz_to_rpm(hz):.0f} rpm, has a chance of {chance:.2f} only",
        value=chance,
        limit=LEAST_TOLD,
        remedy="give a tool sheet with rated_rpm, or spindle_rpm in the sidecar",
    )
    return nothing_found(refusal, _likeliest(ranked))


def _likeliest(ranked: tuple[Candidate, ...]) -> tuple[Rival, ...]:
    """Return the speeds that come first where none is told."""
    return tuple(Rival(c.scored.hz, f"chance {c.chance:.2g}") for c in ranked[:_RIVALS] if c.chance > _LEAST_NAMED)


def _no_lines(standing: float) -> Notice:
    return Notice(
        "no_speed",
        "refusal",
        "no set of lines of a turning shaft stands over the noise: the speed cannot be told",
        value=standing,
        limit=_LEAST_STANDS,
        remedy="record the running tool closer to its gear head, or with a tachometer channel",
    )
