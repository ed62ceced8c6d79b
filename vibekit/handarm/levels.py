"""Levels, peaks and the thinned weighted signal of one buffer: every stretch is transformed once.

At its bins a stretch is band-limited and brought back, for level and peak; weighted, cut above the 1250 Hz band and
brought back at the low rate that this leaves. What the cut takes from the weighted energy is known exactly for the
stretch (Parseval); it is spread over it by the band-limited energy of all axes. That is right where it matters:
the weighting is 44 dB down there, so only a time in which such frequencies stand out by more than that has its weighted
value from them, and then its band-limited value is theirs as well.

The sum over a long row goes by einsum: as a dot product it would wake a second thread of the linear algebra library,
which spins while it waits and takes the core from ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vibekit.handarm.weighting import (
    STEPS_PER_FRAME,
    BlockPlan,
    ComplexArray,
    band_limiting_response,
    slope_response,
)
from vibekit.recording.recording import FloatArray

FLAT_HZ = 100.0  # Wh is 100 rad/s over 2πf above 16 Hz (ISO 5349-1 eq. A.2 for f far above f3 and f4)
STEEP_HZ = 100.0  # where the steep energy equals the flat one
STEP_ENERGIES = ("band_limited", "slow", "flat", "steep")
_TAPER_FROM = 0.9  # of half the low rate: the cut falls from here, so that it rings for 10 ms only


@dataclass(frozen=True)
class Levels:
    """One buffer's part of the track, per axis: see `LevelTrack`; `steps` (n_axes, n_steps) are of the weighted axes.

    `texture` (4, n_steps): sums over the axes of energies per step, see `STEP_ENERGIES`, before `texture_scales`.
    `thinned` (n_axes, n): weighted signal without what lies above the 1250 Hz band, at `thinned_rate` [m/s²].
    """

    weighted: FloatArray
    band_limited: FloatArray
    peak: FloatArray
    steps: FloatArray
    texture: FloatArray
    thinned: FloatArray


class Workspace:
    """Arrays that the work on one axis of a buffer needs."""

    def __init__(self, plan: BlockPlan) -> None:
        size = plan.size // plan.phases
        low = size // plan.thinning
        self.split = np.empty((plan.hops, plan.phases, size)) if plan.phases > 1 else None
        self.phases = np.empty((plan.hops, plan.phases, size // 2 + 1), dtype=np.complex128)
        self.differences = np.empty((plan.hops, plan.hop // plan.every + 2))
        self.limited, self.thinned = np.empty((plan.hops, size)), np.empty((plan.hops, low))


class Filters:
    """The responses of a plan at the bins where they act."""

    def __init__(self, plan: BlockPlan) -> None:
        self.plan = plan
        self.limiting = _phase_responses(plan)
        size = plan.size // plan.phases
        frequency = plan.bins_hz[: size // 2 + 1]
        slope, taper = slope_response(frequency), _taper(frequency, plan)
        self.slope = (slope * taper)[: size // plan.thinning // 2 + 1] / plan.thinning
        rest = 2.0 * plan.phases / size * (1.0 - taper**2) * np.abs(slope) ** 2
        self.cut_from = int(np.flatnonzero(rest)[0]) if rest.any() else rest.size
        self.rest = np.repeat(rest[self.cut_from :], 2)  # for real and imaginary part


def _phase_responses(plan: BlockPlan) -> ComplexArray:
    """Return the band limiting of the phases x[nP + j] that gives y[nP], shape (phases, size / phases // 2 + 1).

    y[nP] = Σ_j Σ_q h[qP - j]·x[(n - q)P + j]: every Pth sample of the filtered signal, exactly, from short transforms.
    Source: polyphase decimation, Vaidyanathan, Multirate Systems and Filter Banks, 1993, 4.3 (from memory).
    """
    response = band_limiting_response(plan.bins_hz)
    if plan.phases == 1:
        return response[None]
    impulse = np.fft.irfft(response, plan.size)
    return np.asarray(np.fft.rfft(impulse[np.arange(0, plan.size, plan.phases) - np.arange(plan.phases)[:, None]]))


def _taper(frequency: FloatArray, plan: BlockPlan) -> FloatArray:
    """Return the share of each bin's amplitude that the thinned signal keeps, 1 throughout where nothing is thinned."""
    if plan.thinning == 1:
        return np.ones_like(frequency)
    half = plan.thinned_rate / 2
    return np.cos(0.5 * np.pi * np.clip((frequency / half - _TAPER_FROM) / (1 - _TAPER_FROM), 0.0, 1.0)) ** 2


def levels(rows: FloatArray, count: int, filters: Filters, work: Workspace) -> Levels:
    """Return the levels of the first `count` new samples in the rows of a buffer, shape (n_axes, n_rows, size)."""
    plan, n_axes = filters.plan, len(rows)
    thinned = np.empty((n_axes, rows.shape[1], plan.hop // plan.every))
    axes = [_axis_levels(rows[i], count, filters, work, thinned[i]) for i in range(n_axes)]
    limited, energy = np.stack([axis.limited for axis in axes]), np.stack([axis.energy for axis in axes]).sum(axis=0)
    spread = np.divide(limited.sum(axis=0), energy[:, None], out=np.zeros_like(limited[0]), where=energy[:, None] > 0)
    steps = np.stack([axis.weighted + axis.rest[:, None] * spread for axis in axes])
    n_steps, n_frames = -(-count // plan.step), -(-count // plan.frame)
    return Levels(
        _per_frame(steps)[:, :n_frames],
        _per_frame(limited)[:, :n_frames],
        np.stack([axis.peak for axis in axes])[:, :n_frames],
        steps.reshape(n_axes, -1)[:, :n_steps],
        np.stack([limited.sum(axis=0), *np.sum([axis.texture for axis in axes], axis=0)]).reshape(4, -1)[:, :n_steps],
        thinned.reshape(n_axes, -1)[:, : -(-count // plan.every)],
    )


@dataclass(frozen=True)
class _AxisLevels:
    """Sums of squares per step (limited, weighted without the rest) and per row (energy of limited, weighted rest).

    `texture` (3, n_rows, n_steps): slow, once and twice rising energies per step.
    """

    limited: FloatArray
    weighted: FloatArray
    texture: FloatArray
    energy: FloatArray
    rest: FloatArray
    peak: FloatArray


def _axis_levels(rows: FloatArray, count: int, filters: Filters, work: Workspace, thinned: FloatArray) -> _AxisLevels:
    """Return the levels of one axis; its thinned signal goes into `thinned`, shape (n_rows, hop / every)."""
    plan, last = filters.plan, count - (len(rows) - 1) * filters.plan.hop
    whole, low, rest = _filtered(rows, filters, work)
    new = _new(plan, plan.phases)
    limited, thinned[:] = whole[:, new], low[:, _new(plan, plan.every)]
    sums = plan.phases * _step_sums(limited, plan.step // plan.phases)
    beside = sum(np.vecdot(part, part) for part in (whole[:, : new.start], whole[:, new.stop :]))
    energy = sums.sum(axis=1) + plan.phases * beside
    filled = -(-last // plan.phases)
    if last < plan.hop:
        limited[-1, filled:] = thinned[-1, -(-last // plan.every) :] = 0.0
        sums[-1:] = plan.phases * _step_sums(limited[-1:], plan.step // plan.phases)
    return _AxisLevels(
        sums,
        plan.every * _step_sums(thinned, plan.step // plan.every),
        _texture(low, thinned, plan, work),
        energy,
        rest,
        frame_peaks(whole, plan.frame // plan.phases, filled, new),
    )


def _texture(low: FloatArray, thinned: FloatArray, plan: BlockPlan, work: Workspace) -> FloatArray:
    """Return what a step's weighted energy is made of, shape (3, n_rows, n_steps), unscaled: see `STEP_ENERGIES`.

    The weighting falls as 1/f above 16 Hz; differences undo that. Of these, y[n]² - y[n - 1]·y[n + 1] is A² sin²Ω for
    a sine of amplitude A at every n, without a ripple over its turn (Kaiser 1990, from memory).
    """
    new, length = _new(plan, plan.every), plan.step // plan.every
    shape, count = (len(low), -1, length), new.stop - new.start
    if new.start < 2 or new.stop + 2 > low.shape[1]:  # rates of some 25 Hz and less, which carry no tool
        low, new = np.pad(low, ((0, 0), (2, 2)), mode="edge"), slice(new.start + 2, new.stop + 2)
    later, earlier = low[:, new.start : new.stop + 2], low[:, new.start - 2 : new.stop]
    differences = np.subtract(later, earlier, out=work.differences[: len(low)])  # at n - 1 to n + 1 for each n
    before, here, after = (differences[:, i : i + count].reshape(shape) for i in range(3))
    flat = np.vecdot(here, here)
    slow = np.square(np.vecdot(thinned.reshape(shape), np.ones(length)))  # faster than a sum over so few
    return np.stack([slow, flat, flat - np.vecdot(before, after)])


def texture_scales(plan: BlockPlan) -> FloatArray:
    """Return what turns the sums of a step into `STEP_ENERGIES`, shape (4, 1)."""
    flat = plan.every * (plan.thinned_rate / (2.0 * FLAT_HZ)) ** 2
    steep = 0.5 * flat * (plan.thinned_rate / (2.0 * np.pi * STEEP_HZ)) ** 2
    return np.array([[1.0], [plan.every / (plan.step // plan.every)], [flat], [steep]])


def _filtered(rows: FloatArray, filters: Filters, work: Workspace) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the band-limited and the thinned weighted rows, and each row's weighted energy that the thinned lack."""
    phases, n = filters.plan.phases, len(rows)
    limited, thinned = work.limited[:n], work.thinned[:n]
    split = np.swapaxes(rows.reshape(n, -1, phases), 1, 2)
    if work.split is not None:
        work.split[:n], split = split, work.split[:n]
    spectra = np.fft.rfft(split, out=work.phases[:n])
    spectra *= filters.limiting
    bins = spectra[:, 0]
    for j in range(1, phases):
        bins += spectra[:, j]
    cut = bins[:, filters.cut_from :].view(np.float64)
    rest = np.einsum("ij,ij,j->i", cut, cut, filters.rest)
    np.fft.irfft(bins, limited.shape[1], out=limited)
    low = bins[:, : filters.slope.size]
    low *= filters.slope
    return limited, np.fft.irfft(low, thinned.shape[1], out=thinned), rest


def _new(plan: BlockPlan, every: int) -> slice:
    """Return what stands between history and guard in rows that hold every so-manyth sample."""
    return slice(plan.history // every, (plan.history + plan.hop) // every)


def _step_sums(rows: FloatArray, step: int) -> FloatArray:
    """Return the sums of squares per step, shape (n_rows, n_steps)."""
    steps = rows.reshape(len(rows), -1, step)
    return np.asarray(np.vecdot(steps, steps))


def _per_frame(steps: FloatArray) -> FloatArray:
    """Return the sums of 8 steps, shape (n_axes, n_frames)."""
    return np.asarray(np.einsum("ijk->ij", steps.reshape(len(steps), -1, STEPS_PER_FRAME)))


def frame_peaks(rows: FloatArray, frame: int, filled: int | None = None, new: slice = slice(0, None)) -> FloatArray:
    """Return the largest absolute value per frame of the `new` part of consecutive rows, shape (n_frames,).

    `filled`: samples of that part of the last row that are signal, all where not given.

    Between samples a parabola through the largest one and its neighbours: it halves to tenths what a sampled peak lacks
    (a sine at a tenth of the rate: 4.9 % at worst becomes 0.3 %). The last sample of the signal stands for itself.
    """
    frames = rows[:, new].reshape(len(rows), -1, frame)
    starts, row = new.start + np.arange(frames.shape[1]) * frame, np.arange(len(rows))[:, None]
    place = np.stack([np.abs(part).argmax(axis=1) for part in frames]) + starts  # a row stays in the cache
    before, after = np.maximum(place - 1, 0), np.minimum(place + 1, rows.shape[1] - 1)
    before, top, after = rows[row, before], rows[row, place], rows[row, after]
    bend = before - 2.0 * top + after
    curved = ((top - before) * (top - after) >= 0) & (bend != 0)  # a top, no slope at a frame's edge
    if filled is not None:
        curved[-1] &= place[-1] < new.start + filled - 1
    rise = np.divide((before - after) ** 2, 8.0 * bend, out=np.zeros_like(top), where=curved)
    return np.asarray(np.abs(top - rise)).reshape(-1)
