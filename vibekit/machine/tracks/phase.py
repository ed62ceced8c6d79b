"""The speed read from standing lines on the shaft's clock: by their power on a fine scale, then by their phase."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import frames, window_values
from vibekit.machine.spectra.warp import Warped
from vibekit.machine.tracks.second_path import SecondPath
from vibekit.recording.recording import FloatArray

_PAD = 2
_LOBE = 3  # padded bins: half of a Hann window's main lobe is 4
_BESIDE_HZ = 100.0  # to either side of a line, where its noise is taken
_FINE = 0.0005  # of the speed: step of the fine path
_WANDER = (0.001, 0.009)  # of the speed, per root of a second: how the second path's error changes
_CALM, _LEAST_CALM = 100.0, 5.0  # power over noise from which more of it counts as its logarithm: one line, many
_SURE = 0.5
_NEEDED_DB = (6.0, 8.0)  # over the noise: a line that is surely there, one that is seldom seen
_CHUNK_FRAMES = 256


@dataclass(frozen=True)
class Band:
    """Transforms about one order's line over the root of the noise beside it: shape (n_axes, n_frames, n_bins)."""

    order: float
    likely: float
    first_bin: int
    white: NDArray[np.complex64]


def bands_of(clock: Warped, size: int, hop: int, second: SecondPath, masked_hz: Sequence[float]) -> list[Band]:
    """Return the surroundings of every standing line, from Hann frames padded to twice their length."""
    spacing = clock.sample_rate / (_PAD * size)
    n_frames = 1 + (clock.samples.shape[-1] - size) // hop
    window = window_values("hann", size).astype(np.float32)
    centres = [o.order * clock.reference_hz for o in second.standing]
    wide = [_span(hz, second.reach * hz + max(_BESIDE_HZ, 8 * spacing), spacing, size) for hz in centres]
    narrow = [_span(hz, second.reach * hz + 4 * spacing, spacing, size) for hz in centres]
    pieces: list[list[NDArray[np.complex64]]] = [[] for _ in centres]
    for first in range(0, n_frames, _CHUNK_FRAMES):
        count = min(_CHUNK_FRAMES, n_frames - first)
        stretch = clock.samples[:, first * hop : (first + count - 1) * hop + size]
        cut = frames(stretch, size, hop)  # type: ignore[arg-type]
        spectra = np.fft.rfft((cut - cut.mean(axis=-1, keepdims=True)) * window, _PAD * size, axis=-1)
        speed = clock.speed_hz((first + np.arange(count)) * hop + size / 2.0)
        for place, around, near in zip(pieces, wide, narrow, strict=True):
            beside = spectra[..., around]
            floor = np.median(beside.real**2 + beside.imag**2, axis=-1, keepdims=True)
            white = (spectra[..., near] / np.sqrt(np.maximum(floor, 1e-30))).astype(np.complex64)
            for hz in masked_hz:
                bins = np.arange(near.start, near.stop) * spacing
                off = np.abs(bins[None, :] - (hz * clock.reference_hz / speed)[:, None]) <= _PAD * spacing
                white[:, off] = 0.0
            place.append(white)
    found = zip(second.standing, narrow, pieces, strict=True)
    return [Band(o.order, o.likely, near.start, np.concatenate(place, axis=1)) for o, near, place in found]


def _span(centre_hz: float, reach_hz: float, spacing: float, size: int) -> slice:
    """Return the bins within reach of a frequency, at least eight, within the transform."""
    last = _PAD * size // 2
    low = int(np.clip((centre_hz - reach_hz) / spacing, _PAD, last - 8))
    return slice(low, int(np.clip((centre_hz + reach_hz) / spacing + 1, low + 8, last)))


def fine_path(bands: Sequence[Band], clock: Warped, size: int, second: SecondPath) -> FloatArray:
    """Return the deviation (1: none) of each frame's speed from the clock's, by dynamic programming.

    The evidence of a deviation is the power over noise of all standing lines there (for a line of unknown size in noise
    that is its log likelihood ratio), a loud line's only as its logarithm, so that a stranger cannot outvote several.
    Moving costs as a random walk does.
    """
    deviations = 1.0 + _FINE * np.arange(-int(second.reach / _FINE), int(second.reach / _FINE) + 1)
    wander = float(np.clip(0.06 * second.slope, *_WANDER))
    calm = max(_CALM / second.sure**2, _LEAST_CALM)
    spacing = clock.sample_rate / (_PAD * size)
    scores = np.zeros((bands[0].white.shape[1], deviations.size))
    for band in bands:
        power = _tops((band.white.real**2 + band.white.imag**2).mean(axis=0))
        at = band.order * clock.reference_hz * deviations / spacing - band.first_bin
        low = at.astype(int)
        inside = (at >= 0) & (low < power.shape[1] - 1)
        low = np.where(inside, low, 0)
        share = at - low
        here = power[:, low] * (1.0 - share) + power[:, low + 1] * share
        scores += np.where(inside, calm * np.log1p(np.maximum(here, 0.0) / calm), 0.0)
    return np.asarray(deviations[_random_walk(scores, wander * np.sqrt(size / 2 / clock.sample_rate) / _FINE)])


def _tops(power: FloatArray) -> FloatArray:
    """Return power less what stands half a main lobe beside it: the flank of a stranger is no line."""
    beside = np.pad(power, ((0, 0), (_LOBE, _LOBE)), mode="edge")
    return np.asarray(np.maximum(power - 0.5 * (beside[:, : -2 * _LOBE] + beside[:, 2 * _LOBE :]), 0.0))


def _random_walk(scores: FloatArray, spread: float) -> NDArray[np.intp]:
    """Return the best path through `scores`, shape (n_frames, n_states), whose steps have a spread in states."""
    n_frames, n_states = scores.shape
    moves = np.arange(-min(n_states - 1, int(3 * spread)), min(n_states - 1, int(3 * spread)) + 1)
    costs = 0.5 * (moves / spread) ** 2
    best, came = scores[0], np.zeros((n_frames, n_states), dtype=np.int16)
    edge = int(moves[-1])
    for t in range(1, n_frames):
        padded = np.pad(best, edge, constant_values=-np.inf)
        options = np.lib.stride_tricks.sliding_window_view(padded, moves.size) - costs
        chosen = np.argmax(options, axis=1)
        came[t] = moves[chosen]
        best = options[np.arange(n_states), chosen] + scores[t]
    path = np.empty(n_frames, dtype=np.intp)
    path[-1] = int(np.argmax(best))
    for t in range(n_frames - 1, 0, -1):
        path[t - 1] = path[t] + came[t, path[t]]
    return path


def phase_speed(bands: Sequence[Band], clock: Warped, size: int, rough: FloatArray, spread: float) -> FloatArray:
    """Return the speed between neighbouring frames [Hz of the clock] from the phases of the lines, NaN where none.

    Orders are taken in as far as the speed known so far leaves no doubt which line is which.
    """
    speed, taken = rough, -1
    resolution = clock.sample_rate / size
    ranked = sorted(bands, key=lambda band: band.order)
    found = np.full(rough.size, np.nan)
    while True:
        within = [band for band in ranked if band.order * spread < 0.45] or ranked[:1]
        if len(within) == taken:
            return found
        readings = [_line_reading(band, clock, size, speed, spread) for band in within]
        found = _agreed(np.stack([r[0] for r in readings]), np.stack([r[1] for r in readings]))
        speed = np.where(np.isfinite(found), found, speed)
        taken, spread = len(within), min(spread, 0.2 * resolution / (within[-1].order * clock.reference_hz))


def _line_reading(
    band: Band, clock: Warped, size: int, speed: FloatArray, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Return the speed that one line's phase tells between frames, and its weight (0 where it does not stand).

    Between frames half a frame apart a line of order k turns its phase by 2π·k·speed·hop; the whole turns are known
    from where its peak lies. A line that is surely there may correct the speed by what the frame resolves; one that is
    seldom seen may be a stranger's, so that it counts only close to where it should be.
    """
    spacing = clock.sample_rate / (_PAD * size)
    step_hz = clock.sample_rate / (size // 2)
    expected = band.order * speed / spacing - band.first_bin
    reach = int(np.ceil(0.5 + np.median(band.order * speed) / spacing * spread)) + _PAD // 2
    last = band.white.shape[-1] - 1
    reach = min(reach, last // 2 - 1)
    usable = (band.order * speed > 3.0 * spacing) & (expected > reach) & (expected < last - reach)
    centre = np.clip(np.round(np.nan_to_num(expected)).astype(int), reach + 1, last - reach - 1)
    columns = centre[:, None] + np.arange(-reach - 1, reach + 2)
    line = np.arange(speed.size)
    early, late = band.white[:, line[:, None], columns], band.white[:, line[:, None] + 1, columns]
    power = (np.abs(early) ** 2 + np.abs(late) ** 2).mean(axis=0) / 2.0
    peak = 1 + np.argmax(power[:, 1:-1], axis=1)
    a, b, c = (np.log(np.maximum(power[line, peak + d], 1e-12)) for d in (-1, 0, 1))
    curve = a - 2.0 * b + c
    offset = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, 1.0), 0.0)
    coarse = (columns[line, peak] + band.first_bin + np.clip(offset, -0.5, 0.5)) * spacing
    turned = np.angle(np.sum(late[:, line, peak] * np.conj(early[:, line, peak]), axis=0)) / (2.0 * np.pi)
    hz = (turned + np.round(coarse / step_hz - turned)) * step_hz
    ratio = np.minimum(np.abs(early[:, line, peak]) ** 2, np.abs(late[:, line, peak]) ** 2).mean(axis=0)
    good = usable & (np.abs(hz - coarse) < 0.6 * _PAD * spacing)
    grace = 0.5 * _PAD * spacing / band.order if band.likely >= _SURE else 0.0
    good &= np.abs(hz / band.order - speed) < speed * spread + grace
    good &= (power[line, peak - 1] > 0) & (power[line, peak + 1] > 0)  # the edge of a masked line is no peak
    good &= 10.0 * np.log10(np.maximum(ratio, 1e-12)) > _NEEDED_DB[0 if band.likely >= _SURE else 1]
    return hz / band.order, np.where(good, np.minimum(ratio, 1e4) * band.order**2, 0.0)


def _agreed(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the weighted mean of the readings that lie near their weighted median, per column; NaN where none."""
    ranked = np.argsort(values, axis=0)
    ordered = np.take_along_axis(values, ranked, axis=0)
    share = np.cumsum(np.take_along_axis(np.sqrt(weights), ranked, axis=0), axis=0)
    middle = np.argmax(share >= 0.5 * share[-1:], axis=0)
    median = ordered[middle, np.arange(values.shape[1])]
    near = np.where(np.abs(values - median) < 0.003 * median, weights, 0.0)
    total = near.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total > 0, (near * np.where(near > 0, values, 0.0)).sum(axis=0) / total, np.nan)
