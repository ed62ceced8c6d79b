"""Speed from lines: which orders to look for on a tool, which scale of the track is right, what else it might be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.machine.drivetrain import expected_lines
from vibekit.machine.refine import refined
from vibekit.machine.salience import ExpectedOrder, LineMap
from vibekit.machine.tracking import Candidate, map_of, mean_along, scales, settled, smoothed, track
from vibekit.recording.limits import folded_hz
from vibekit.recording.recording import FloatArray
from vibekit.recording.segments import trigger_on
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import hz_to_rpm

UNKNOWN_RANGE_HZ = (5.0, 600.0)  # shafts of handheld rotary tools without a sheet: 300 to 36 000 rpm (no source)
RATED_RANGE = (0.25, 1.2)  # of the rated speed: speed dials and load below, supply above
STANDS_BELOW = 0.08  # of the rated speed
READ_RANGE = (0.6, 1.7)  # of a speed read by other means, which may be that under load or that without
LEAST_EVIDENCE = 1.2  # log likelihood ratio of the whole set of lines below which there is no speed to tell
_TEMPER = 2.5  # lines are not independent: their summed evidence overstates by about this factor
_SUPPORT = 2.0  # log likelihood ratio of a frame over a random speed from which the path counts as seen
_GAP_FRAMES = 6
_FOLLOWED = 4.0  # the same, from which a start or stop is followed beyond the level that says "on"
_COASTS_S = 8.0  # longest run-up or coast-down of a handheld tool (common practice, no source)
_RIVALS = 4
_MAINS_WITHIN_HZ = 0.1  # an induction motor running light turns its harmonics within 0.3 Hz of mains lines
_MAINS_SHARE = 0.5  # of the power within 2 Hz of a mains line that stands on one place

# How often the n-th harmonic of a shaft stands over the noise in a running tool (common practice, no source)
_HARMONICS = (0.9, 0.6, 0.5, 0.4, 0.4, 0.3, 0.3, 0.3, 0.2, 0.2)
_OTHER_SHAFT = (0.8, 0.4, 0.3)


@dataclass(frozen=True)
class Rival:
    """Another speed [Hz] that the recording does not rule out, and why it was put second."""

    hz: float
    reason: str


@dataclass(frozen=True)
class LineSpeed:
    """A track `time_s`, `hz` (NaN: nothing to follow; both empty: no speed), with confidence, rivals and notices."""

    time_s: FloatArray
    hz: FloatArray
    confidence: float
    rivals: tuple[Rival, ...]
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class _Target:
    """What is looked for: the shaft, its orders, the speeds it may have [Hz], and its likeliest speed."""

    of: str | None
    orders: tuple[ExpectedOrder, ...]
    low_hz: float
    high_hz: float
    slowest_hz: float | None
    rated_hz: float | None
    narrowed: bool


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
    target = _target(tool, read_hz)
    refusal = _rate_too_low(target, sample_rate)
    if refusal is not None:
        return _nothing(refusal, _folded_rivals(target, sample_rate)), target.of
    mapped = map_of(samples, sample_rate, target.slowest_hz, mains_lines(samples, sample_rate, tool))
    on = _running(mapped, calibrated)
    high = min(target.high_hz, 0.47 * sample_rate)
    low = max(STANDS_BELOW * (target.rated_hz or target.low_hz / 0.2), mapped.lowest_hz)
    path, along = track(mapped, target.orders, low, high, on)
    if target.of is not None:  # a train: without one the harmonics looked for are the same whatever turns
        found, _ = _scaled(mapped, path, target, low, high, on)
        stand = settled(mapped, target.orders, path * (found[0].factor if found else 1.0), on)
        path, along = track(mapped, stand, low, high, on)
    along = np.where(path > 1.02 * low, along, 0.0)  # at the end of the range a path only waits
    found, middle = _scaled(mapped, path, target, low, high, on)
    on = _with_starts_and_stops(on, along, mapped.hop / mapped.sample_rate)
    if not found or found[0].score < LEAST_EVIDENCE:
        return _nothing(_no_lines(found), ()), target.of
    chosen = found[0]
    time_s, read, rough = refined(samples, mapped, path * chosen.factor, target.orders, on)
    running = np.interp(time_s, mapped.time_s, on.astype(float)) > 0.99
    hz = smoothed(_cleaned(read, rough, running, np.interp(time_s, mapped.time_s, along)))
    rivals = _rivals(chosen, found, middle, tool, target)
    certain = _posterior(found) * float(np.isfinite(hz[running]).mean() if running.any() else 0.0)
    notices = () if target.narrowed else (_not_narrowed(),)
    result = LineSpeed(time_s, hz, float(np.clip(certain, 0.01, 0.98)), rivals, notices)
    return _against_folding(result, target, sample_rate, stamped), target.of


def _scaled(
    mapped: LineMap, path: FloatArray, target: _Target, low: float, high: float, on: NDArray[np.bool_]
) -> tuple[tuple[Candidate, ...], float]:
    """Return the factors by which the path may have to be multiplied, best first, and its median speed [Hz]."""
    middle = float(np.median(path[on]))
    mean, first = mean_along(mapped, path, on)
    found = scales(mean, first, target.orders, max(target.low_hz, low) / middle, high / middle)
    return _with_prior(found, middle, target), middle


def _target(tool: ToolSheet | None, read_hz: float | None) -> _Target:
    """Return what to look for: the output shaft where its speed is known or tied to one that is, else a rated one."""
    comb = tuple(ExpectedOrder(float(n), p) for n, p in enumerate(_HARMONICS, 1))
    rated = tool.rated_hz if tool else {}
    of = tool.output_shaft if tool else None
    if tool is not None and of not in rated and read_hz is None and rated:
        of = next(iter(rated))
    orders = tuple(_orders(tool, of)) if tool and of else comb
    slowest = rated.get(of) if of else None
    if slowest is not None:
        low, high = (share * slowest for share in RATED_RANGE)
        return _Target(of, orders, low, high, 0.6 * slowest, slowest, True)
    if read_hz is not None:
        return _Target(of, orders, READ_RANGE[0] * read_hz, READ_RANGE[1] * read_hz, 0.8 * read_hz, read_hz, True)
    return _Target(of, orders, *UNKNOWN_RANGE_HZ, None, None, False)


def _orders(tool: ToolSheet, of: str) -> list[ExpectedOrder]:
    """Return the orders on shaft `of` of every line that the sheet predicts and that turns with the shafts."""
    chances: dict[float, float] = {}
    for line in expected_lines(tool, {of: 1.0}):
        if line.kind == "shaft":
            table = _HARMONICS if line.shaft == of else _OTHER_SHAFT
            likely = table[round(line.harmonic) - 1] if line.harmonic <= len(table) else 0.0
        elif line.kind == "mesh":
            likely = 0.6 if line.harmonic == 1 else 0.4
        elif line.kind == "sideband":
            likely = 0.3 if line.harmonic == 1 and abs(line.sideband) == 1 else 0.0
        else:
            likely = 0.3 if line.kind in ("commutation", "fan") and line.harmonic == 1 else 0.0
        order = round(line.frequency_hz, 9)  # at 1 Hz of the shaft, frequency is order
        if likely > 0:
            chances[order] = max(likely, chances.get(order, 0.0))
    return [ExpectedOrder(order, likely) for order, likely in sorted(chances.items())]


def mains_lines(samples: FloatArray, sample_rate: float, tool: ToolSheet | None) -> list[float]:
    """Return the mains lines present, once and twice the supply frequency [Hz], that no shaft may claim.

    The supply keeps its frequency within a few parts in ten thousand while a shaft wanders by tenths of a per cent: a
    line is of the mains when most of what stands within 2 Hz of it falls on one place within 0.1 Hz, all along.
    """
    frequencies = [
        f for line in ([tool.line_hz] if tool and tool.line_hz else [50.0, 60.0]) for f in (line, 2.0 * line)
    ]
    step = max(1, int(sample_rate / 1000.0))
    count = samples.shape[-1] // step
    slow = samples[:, : count * step].reshape(samples.shape[0], count, step).mean(axis=-1)
    rate = sample_rate / step
    block = max(1, int(rate / 4.0))
    found = []
    for hz in frequencies:
        turned = slow * np.exp(-2j * np.pi * hz / rate * np.arange(count))
        n = count // block
        if hz > 0.45 * rate or n < 8:
            continue
        narrow = np.fft.fft(turned[:, : n * block].reshape(slow.shape[0], n, block).mean(axis=-1), 8 * n, axis=-1)
        power = np.abs(narrow) ** 2
        near = max(1, round(_MAINS_WITHIN_HZ / (rate / block) * 8 * n))
        on_place = np.maximum(power[:, : near + 1].max(axis=-1), power[:, -near:].max(axis=-1)) / n
        share = on_place / np.maximum(power.mean(axis=-1), np.finfo(np.float64).tiny)
        if share.max() > _MAINS_SHARE:
            found.append(hz)
    return found


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
    near = np.convolve(on, np.ones(2 * reach + 1))[reach : reach + on.size] > 0
    followed = (along > _FOLLOWED) & near
    extended = on.copy()
    for step in (range(1, on.size), range(on.size - 2, -1, -1)):
        for i in step:
            back = i - step.step
            if followed[i] and extended[back]:
                extended[i] = True
    return extended


def _with_prior(found: Sequence[Candidate], middle_hz: float, target: _Target) -> tuple[Candidate, ...]:
    """Return candidates with what the rated speed says: tools run between two thirds of it and a tenth above."""

    def weighed(candidate: Candidate) -> Candidate:
        if target.rated_hz is None:
            return candidate
        share = candidate.factor * middle_hz / target.rated_hz
        off = max(0.0, np.log(0.66 / share), np.log(share / 1.08))
        return Candidate(candidate.factor, candidate.score - min(4.0, 8.0 * off))

    return tuple(sorted((weighed(c) for c in found), key=lambda c: -c.score))


def _posterior(found: Sequence[Candidate]) -> float:
    """Return the chosen candidate's share among all, neighbours within 1 % with it, noise a rival too."""
    best = found[0]
    others = [c.score for c in found if abs(c.factor / best.factor - 1.0) > 0.012]
    others.append(0.0)  # what noise alone scores at best
    return float(1.0 / (1.0 + sum(np.exp((score - best.score) / _TEMPER) for score in others)))


def _cleaned(hz: FloatArray, rough: FloatArray, on: NDArray[np.bool_], along: FloatArray) -> FloatArray:
    """Return the refined track without readings that left the path, and with it where only the coarse path holds.

    Where no line is clear enough to be read the path stands in, also over gaps of a few frames between which it is
    carried. A longer stretch without evidence is unknown.
    """
    wild = np.isfinite(hz) & (np.abs(hz / rough - 1.0) > 0.03)
    hz = np.where(wild, np.nan, hz)
    supported = np.isfinite(hz) | (along > _SUPPORT)
    near = np.convolve(supported, np.ones(2 * _GAP_FRAMES + 1), mode="same") > 0
    hz = np.where(np.isnan(hz) & near, rough, hz)
    return np.where(on, hz, np.nan)


def _rivals(
    chosen: Candidate, found: Sequence[Candidate], middle_hz: float, tool: ToolSheet | None, target: _Target
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
    simple = Fraction(ratio).limit_denominator(4)
    if simple > 0 and simple.numerator <= 5 and abs(ratio / float(simple) - 1.0) < 0.012:
        if simple < 1:
            return f"at {simple} of the speed, lines that should stand between those found are missing"
        return f"at {simple} times the speed, lines that stand are left unexplained"
    return "another set of lines, or another shaft" if not tool else "other lines of the recording"


def _nothing(notice: Notice, rivals: Sequence[Rival]) -> LineSpeed:
    nothing = np.empty(0)
    return LineSpeed(nothing, nothing, 0.0, tuple(rivals), (notice,))


def _not_narrowed() -> Notice:
    return Notice(
        "speed_not_narrowed",
        "caution",
        "no rated speed narrows the search: lines of another part may have been taken for a shaft",
        remedy="give a tool sheet with rated_rpm and tooth counts, or compare with the rivals listed",
    )


def _no_lines(found: Sequence[Candidate]) -> Notice:
    return Notice(
        "no_speed",
        "refusal",
        "no set of lines of a turning shaft stands over the noise: the speed cannot be told",
        value=found[0].score if found else 0.0,
        limit=LEAST_EVIDENCE,
        remedy="record the running tool closer to its gear head, or with a tachometer channel",
    )


def _rate_too_low(target: _Target, sample_rate: float) -> Notice | None:
    """Return a refusal where the rated speed reaches half the sample rate: its line folds to a wrong place."""
    if target.rated_hz is None or 1.05 * target.rated_hz < 0.5 * sample_rate:
        return None
    return Notice(
        "rate_too_low",
        "refusal",
        f"cannot tell: at {sample_rate:g} samples/s the {target.of or 'shaft'}'s {target.rated_hz:.0f} Hz folds to "
        f"{folded_hz(target.rated_hz, sample_rate):.1f} Hz, where it looks like another speed",
        value=sample_rate,
        limit=2.0 * target.rated_hz,
        remedy=f"record at {2.5 * target.rated_hz:.0f} samples/s or more",
    )


def _folded_rivals(target: _Target, sample_rate: float) -> tuple[Rival, ...]:
    if target.rated_hz is None:
        return ()
    return (Rival(target.rated_hz, "rated speed; the sample rate cannot carry its line"),)


def _against_folding(found: LineSpeed, target: _Target, sample_rate: float, stamped: bool) -> LineSpeed:
    """Return the speed, or a refusal where a line folded from above half the sample rate would look the same.

    A shaft at f and one at fs - f give the same samples, harmonics included. Nothing in the samples tells them apart
    unless the recording holds the way from rest to speed, on which a folded line turns round.
    """
    if target.narrowed or sample_rate > 2.0 * UNKNOWN_RANGE_HZ[1]:
        return found
    known = found.hz[np.isfinite(found.hz)]
    middle = float(np.median(known))
    images = [k * sample_rate + sign * middle for k in (1, 2, 3) for sign in (-1.0, 1.0)]
    rivals = [Rival(hz, "a shaft at this speed gives the same samples at this rate (folding)") for hz in images]
    rivals = [r for r in rivals if UNKNOWN_RANGE_HZ[0] <= r.hz <= UNKNOWN_RANGE_HZ[1]]
    if not rivals:
        return found
    refusal = Notice(
        "maybe_folded",
        "refusal",
        f"cannot tell: lines fit {hz_to_rpm(middle):.0f} rpm, but at {sample_rate:.0f} samples/s a shaft at "
        f"{hz_to_rpm(rivals[0].hz):.0f} rpm would give the same",
        value=sample_rate,
        limit=2.0 * UNKNOWN_RANGE_HZ[1],
        remedy="give a tool sheet with rated_rpm, spindle_rpm in the sidecar, or record at a higher rate",
    )
    nothing = np.empty(0)
    fitted = Rival(middle, "fits the lines as they stand, if nothing folded")
    return LineSpeed(nothing, nothing, 0.0, (fitted, *rivals, *found.rivals), (refusal,))
