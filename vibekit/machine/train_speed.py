"""Speed from lines: which orders to look for on a tool, which scale of the track is right, what else it might be."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.machine.folding import against_folding, folded_rivals, rate_too_low
from vibekit.machine.mains import mains_lines
from vibekit.machine.on_clock import CAGE, ClockLines, ShaftOdds, clock_lines, shaft_odds, stand
from vibekit.machine.refine import refined
from vibekit.machine.salience import LineMap
from vibekit.machine.speed_target import LineSpeed, Rival, Target, nothing_found, target_of
from vibekit.machine.tracking import Candidate, map_of, mean_along, scales, settled, smoothed, track
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import trigger_on
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import hz_to_rpm

STANDS_BELOW = 0.08  # of the rated speed
_LEAST_SAMPLES = 128  # two of the shortest frames
_LEAST_EVIDENCE = 1.2  # log likelihood ratio of the whole set of lines below which there is no speed to tell
_TEMPER = 2.5  # lines are not independent: their summed evidence overstates by about this factor
_SUPPORT = 2.0  # log likelihood ratio of a frame over a random speed from which the path counts as seen
_GAP_FRAMES = 6
_BRIDGED_FRAMES = 3
_FOLLOWED = 4.0  # the same, from which a start or stop is followed beyond the level that says "on"
_COASTS_S = 8.0  # longest run-up or coast-down of a handheld tool (common practice, no source)
_RIVALS = 4
_SUREST, _SUREST_OPEN = 0.98, 0.9  # where no rated speed narrows it, a tool may be unlike any known
_LEAST_CHANCE = 0.01  # of a rival that is named: a tenth of what is left open where nothing narrows the speed
_LEAST_TOLD = 0.2  # chance below which a speed is not told
_PER_UNUSUAL = 1.5  # log odds on the track's clock per log likelihood of an unusual speed, fitted with the others there
# Log likelihood ratio of a train's lines on the track's own clock from which they are rather there than not, and how
# much more makes it e times as likely: of 108 right tracks of trains one had less than ten, of 40 of noise none had
_STANDS, _STANDS_TEMPER = 9.0, 1.5


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
        return nothing_found(_no_lines(-np.inf), ()), target.of
    mapped = map_of(samples, sample_rate, target.slowest_hz, mains_lines(samples, sample_rate, tool))
    on = _running(mapped, calibrated)
    high = min(target.high_hz, 0.47 * sample_rate)
    low = max(STANDS_BELOW * (target.rated_hz or target.low_hz / 0.2), mapped.lowest_hz)
    path, along = track(mapped, target.orders, low, high, on)
    if target.tied:  # a train: without one the harmonics looked for are the same whatever turns
        found, _ = _scaled(mapped, path, target, low, high, on)
        stood = settled(mapped, target.orders, path * (found[0].factor if found else 1.0), on)
        path, along = track(mapped, stood, low, high, on)
    along = np.where(path > 1.02 * low, along, 0.0)  # at the end of the range a path only waits
    found, middle = _scaled(mapped, path, target, low, high, on)
    on = _with_starts_and_stops(on, along, mapped.hop / mapped.sample_rate)
    chosen = found[0] if found else Candidate(1.0, 0.0)
    time_s, read, rough = refined(samples, mapped, path * chosen.factor, target.orders, on)
    running = np.interp(time_s, mapped.time_s, on.astype(float)) > 0.99
    hz = smoothed(_cleaned(read, rough, running, np.interp(time_s, mapped.time_s, along)))
    lines = clock_lines(samples, sample_rate, time_s, hz, mapped.masked_hz)
    if lines is not None and not target.tied:
        best, certain, rivals = _by_clock(lines, float(np.nanmedian(hz)), tool, target)
        hz, stands = best.factor * hz, best.stands
    else:
        stands = _train_stands(lines, chosen, target)
        certain = _posterior(found or (chosen,)) / (1.0 + float(np.exp(-stands)))
        rivals = _rivals(chosen, found, middle, tool, target)
    certain *= float(np.isfinite(hz[running]).mean() if running.any() else 0.0)
    if certain < _LEAST_TOLD and stands < 0.0:
        return nothing_found(_no_lines(stands), ()), target.of
    notices = () if target.narrowed else (_not_narrowed(),)
    most = _SUREST if target.narrowed else _SUREST_OPEN
    result = LineSpeed(time_s, hz, float(np.clip(certain, 0.01, most)), rivals, notices)
    told = against_folding(result, target, sample_rate, stamped)
    return _cannot_tell(told) if told.hz.size and certain < _LEAST_TOLD else told, target.of


def _train_stands(lines: ClockLines | None, chosen: Candidate, target: Target) -> float:
    """Return the log odds that the lines of a train are no noise; where the track is too short for its own clock, by
    what the line map said.
    """
    if lines is None:
        return np.inf if chosen.score >= _LEAST_EVIDENCE else -np.inf
    return (stand(lines, target.orders) - _STANDS) / _STANDS_TEMPER


def _by_clock(
    lines: ClockLines, middle_hz: float, tool: ToolSheet | None, target: Target
) -> tuple[ShaftOdds, float, tuple[Rival, ...]]:
    """Return the factor by which the track is a shaft's, the chance that it is, and the other speeds it may be.

    Where no rated speed says that there is a shaft among them, it may be one that shows no line of its own.
    """
    odds = shaft_odds(lines, target.low_hz / middle_hz, target.high_hz / middle_hz)
    scores = np.array([o.log_odds - _PER_UNUSUAL * _unusual(o.factor * middle_hz, target) for o in odds])
    chances = np.exp(scores - scores.max())
    chances /= chances.sum()
    first, *others = (int(i) for i in np.argsort(-chances))
    best = odds[first]
    others_yet = np.exp(-best.stands) + (0.0 if target.narrowed else np.exp(-best.stands_out))
    chances /= 1.0 + chances[first] * others_yet
    rivals = []
    for i in others[:_RIVALS]:
        if chances[i] > _LEAST_CHANCE:
            why = f"chance {chances[i]:.2f} against {chances[first]:.2f}; "
            rivals.append(
                Rival(odds[i].factor * middle_hz, why + _relation(odds[i].factor / best.factor, tool, target.of))
            )
    return best, float(chances[first]), tuple(rivals)


def _scaled(
    mapped: LineMap, path: FloatArray, target: Target, low: float, high: float, on: NDArray[np.bool_]
) -> tuple[tuple[Candidate, ...], float]:
    """Return the factors by which the path may have to be multiplied, best first, and its median speed [Hz]."""
    middle = float(np.median(path[on]))
    mean, first = mean_along(mapped, path, on)
    found = scales(mean, first, target.orders, max(target.low_hz, low) / middle, high / middle)
    return _with_prior(found, middle, target), middle


def _running(mapped: LineMap, calibrated: bool) -> NDArray[np.bool_]:
    """Return the frames with the trigger on; sound has no unit, so that only its contrast counts."""
    levels = mapped.levels if calibrated else 20.0 * mapped.levels / max(float(mapped.levels.max()), 1e-30)
    return trigger_on(levels, mapped.hop / mapped.sample_rate).on


def _with_starts_and_stops(on: NDArray[np.bool_], along: FloatArray, frame_s: float) -> NDArray[np.bool_]:
    """Return the frames with the trigger on and those before and after through which the path can still be followed.

    While it speeds up or coasts down a tool is quieter than its running level says, but its lines are there. That
    takes seconds; lines that go on for longer are another tool's, running nearby.
    """
    reach = max(1, round(_COASTS_S / frame_s))
    followed = (along > _FOLLOWED) & _near(on, reach)
    extended = on.copy()
    for step in (range(1, on.size), range(on.size - 2, -1, -1)):
        for i in step:
            back = i - step.step
            if followed[i] and extended[back]:
                extended[i] = True
    return extended


def _with_prior(found: Sequence[Candidate], middle_hz: float, target: Target) -> tuple[Candidate, ...]:
    """Return candidates with what the rated speed says of each."""
    weighed = [Candidate(c.factor, c.score - _unusual(c.factor * middle_hz, target)) for c in found]
    return tuple(sorted(weighed, key=lambda c: -c.score))


def _unusual(hz: float, target: Target) -> float:
    """Return what a speed loses against a usual one: tools run at two thirds to a tenth above the rated speed."""
    if target.rated_hz is None:
        return 0.0
    share = hz / target.rated_hz
    return min(4.0, 8.0 * max(0.0, float(np.log(0.66 / share)), float(np.log(share / 1.08))))


def _posterior(found: Sequence[Candidate]) -> float:
    """Return the chosen candidate's share among all, neighbours within 1 % with it, noise a rival too."""
    best = found[0]
    others = [c.score for c in found if abs(c.factor / best.factor - 1.0) > 0.012]
    others.append(0.0)  # what noise alone scores at best
    return float(1.0 / (1.0 + sum(np.exp((score - best.score) / _TEMPER) for score in others)))


def _cleaned(hz: FloatArray, rough: FloatArray, on: NDArray[np.bool_], along: FloatArray) -> FloatArray:
    """Return the refined track without readings that left the path, and with it where only the coarse path holds.

    Where no line is clear enough to be read the path stands in, also over gaps of a few frames between which it is
    carried; next to readings by as much off as they are, for the path is off by the same from frame to frame. A longer
    stretch without evidence is unknown.
    """
    wild = np.isfinite(hz) & (np.abs(hz / rough - 1.0) > 0.03)
    hz = np.where(wild, np.nan, hz)
    read = np.isfinite(hz)
    supported = read | (along > _SUPPORT)
    off = np.zeros(hz.size)
    if read.any():
        bridged = _near(read, _BRIDGED_FRAMES)
        frame = np.arange(hz.size)
        off = np.where(bridged, np.interp(frame, frame[read], np.log(hz[read] / rough[read])), 0.0)
    hz = np.where(~read & _near(supported, _GAP_FRAMES), rough * np.exp(off), hz)
    return np.where(on, hz, np.nan)


def _near(flags: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Return which frames have a flag within `reach` frames."""
    return np.convolve(flags, np.ones(2 * reach + 1))[reach : reach + flags.size] > 0


def _rivals(
    chosen: Candidate, found: Sequence[Candidate], middle_hz: float, tool: ToolSheet | None, target: Target
) -> tuple[Rival, ...]:
    rivals = []
    for candidate in found:
        ratio = candidate.factor / chosen.factor
        if abs(ratio - 1.0) < 0.012 or candidate.score < 0.2 * chosen.score:
            continue
        why = f"its lines fit less well (evidence {candidate.score:.1f} against {chosen.score:.1f}); "
        rivals.append(Rival(candidate.factor * middle_hz, why + _relation(ratio, tool, target.of)))
    return tuple(rivals[:_RIVALS])


def _relation(ratio: float, tool: ToolSheet | None, of: str | None) -> str:
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


def _not_narrowed() -> Notice:
    return Notice(
        "speed_not_narrowed",
        "caution",
        "no rated speed narrows the search: lines of another part may have been taken for a shaft",
        remedy="give a tool sheet with rated_rpm and tooth counts, or compare with the rivals listed",
    )


def _cannot_tell(found: LineSpeed) -> LineSpeed:
    """Return that lines stand, but not whose they are."""
    hz, chance = float(np.nanmedian(found.hz)), found.confidence
    refusal = Notice(
        "speed_not_told",
        "refusal",
        f"cannot tell: the likeliest of several speeds, {hz_to_rpm(hz):.0f} rpm, has a chance of {chance:.2f} only, "
        "for no once-per-turn stands out",
        value=chance,
        limit=_LEAST_TOLD,
        remedy="give a tool sheet with rated_rpm, or spindle_rpm in the sidecar",
    )
    return nothing_found(refusal, (Rival(hz, f"likeliest, chance {chance:.2f}"), *found.rivals[: _RIVALS - 1]))


def _no_lines(stands: float) -> Notice:
    return Notice(
        "no_speed",
        "refusal",
        "no set of lines of a turning shaft stands over the noise: the speed cannot be told",
        value=stands if np.isfinite(stands) else None,
        limit=0.0,
        remedy="record the running tool closer to its gear head, or with a tachometer channel",
    )
