"""Order tracking: samples per turn instead of samples per second, and what can be averaged then.

A line of a turning shaft smears over the spectrum as soon as the speed wanders by more than a bin. Sampled evenly in
shaft angle it is one line whatever the speed does; what is not tied to the shaft (mains, resonances) smears instead.
Averaging over turns keeps what repeats every turn of one shaft and lowers all else by the root of the number of turns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import (
    Spectrum,
    Window,
    amplitude_spectrum,
    noise_bandwidth_bins,
    up_to,
    window_values,
)
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.recording.recording import FloatArray

_TAPS = 48  # of the interpolation kernel; within 0.1 % up to 0.45 of the sample rate, and
_CARRIED = 0.455  # within 1 % up to this share of it
_PHASES = 512  # kernel table, joined by straight lines: error (π/512)²/8
_CHUNK = 65536
_SLOWEST = 0.5  # of the median speed; slower stretches are left out, their resampling would inflate everything
SEGMENT_TURNS = 128  # default length of an order spectrum's segment: resolution 1.5/128 order


@dataclass(frozen=True)
class AngleSignal:
    """Samples at even angles of a shaft.

    `samples` [unit of the source], shape (n_axes, n); `per_turn` of shaft `of`, whose mean speed over them is `hz`;
    `top_order` the highest order that the source's rate carries at the fastest speed in it.
    """

    samples: FloatArray
    per_turn: int
    of: str
    hz: float
    top_order: float = inf

    @property
    def turns(self) -> float:
        """Turns of the shaft that the samples cover."""
        return float(self.samples.shape[-1]) / self.per_turn


@dataclass(frozen=True)
class ShaftShare:
    """R.m.s. values per axis [m/s²], shape (n_axes,): what `repeats` with every turn of shaft `of`, and the `rest`.

    Averaged over `turns` whole turns. What is random stays in the average with 1/turns of its mean square; that is
    taken off the one and given to the other, so that both are unbiased.
    """

    of: str
    turns: int
    repeats: FloatArray
    rest: FloatArray

    def to_dict(self, axes: Sequence[str]) -> dict[str, Any]:
        """Return the share as document data."""

        def by_axis(values: FloatArray) -> dict[str, float | None]:
            return dict.fromkeys(("x", "y", "z"), None) | dict(zip(axes, values.tolist(), strict=True))

        return {
            "of": self.of,
            "turns": self.turns,
            "repeats_mps2": by_axis(self.repeats),
            "rest_mps2": by_axis(self.rest),
        }


def interpolate(samples: FloatArray, position: FloatArray) -> FloatArray:
    """Return band-limited values between samples: shape (n_axes, n_positions) from (n_axes, n_samples).

    Windowed sinc of 48 taps (Kaiser, β = 8); `position` in samples, the ends are taken as silence.
    """
    table = _kernel_table()
    result = np.empty((samples.shape[0], position.size))
    padded = np.pad(samples, ((0, 0), (_TAPS, _TAPS)))
    for first in range(0, position.size, _CHUNK):
        part = position[first : first + _CHUNK]
        whole = np.floor(part).astype(np.intp)
        phase = (part - whole) * _PHASES
        row = phase.astype(np.intp)
        share = (phase - row)[:, None]
        kernel = table[row] * (1.0 - share) + table[row + 1] * share
        columns = np.clip(whole, -_TAPS // 2, samples.shape[1] + _TAPS // 2 - 1) + _TAPS // 2 + 1
        for i, axis in enumerate(padded):
            near = np.lib.stride_tricks.sliding_window_view(axis, _TAPS)[columns]
            result[i, first : first + part.size] = np.einsum("ij,ij->i", near, kernel)
    return result


def _kernel_table() -> FloatArray:
    """Return the kernel at each phase, shape (_PHASES + 1, _TAPS); tap j stands at offset j - _TAPS / 2 + 1."""
    offset = np.arange(_TAPS) - _TAPS / 2 + 1
    distance = offset[None, :] - (np.arange(_PHASES + 1) / _PHASES)[:, None]
    inside = np.clip(1.0 - (distance / (_TAPS / 2)) ** 2, 0.0, None)
    kernel = np.sinc(distance) * np.i0(8.0 * np.sqrt(inside)) / np.i0(8.0)
    return np.asarray(kernel / kernel.sum(axis=1, keepdims=True))


def to_angle(
    samples: FloatArray, sample_rate: float, speed: SpeedEstimate, shaft: str | None = None
) -> AngleSignal | None:
    """Return `samples`, shape (n_axes, n_samples), at even angles of a shaft (default: the one followed).

    The longest stretch is taken in which the speed is known and over half its median; there are so many samples per
    turn that nothing folds at the slowest speed in it. None where the shaft's speed is unknown or the stretch holds
    fewer than two turns.
    """
    of = shaft or speed.of
    if of not in speed.ratios:
        return None
    hz = speed.at(np.arange(samples.shape[-1]) / sample_rate, of)
    known = np.isfinite(hz)
    if not known.any():
        return None
    start, stop = _longest_run(known & (hz > _SLOWEST * np.median(hz[known])))
    hz = hz[start:stop]
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (hz[1:] + hz[:-1]) / sample_rate)])
    if turns[-1] < 2.0:
        return None
    per_turn = 2 * ceil(sample_rate / float(hz.min()) / 2.0)
    wanted = np.arange(int(turns[-1] * per_turn)) / per_turn
    position = np.interp(wanted, turns, np.arange(turns.size, dtype=np.float64))
    mean_hz = float(turns[-1]) * sample_rate / (turns.size - 1)
    top = _CARRIED * sample_rate / float(hz.max())
    return AngleSignal(interpolate(samples[:, start:stop], position), per_turn, of, mean_hz, top)


def _longest_run(known: NDArray[np.bool_]) -> tuple[int, int]:
    """Return first and last + 1 index of the longest stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(np.int8), [0]])))
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])


def order_spectrum(signal: AngleSignal, turns: float = SEGMENT_TURNS, window: Window = "hann") -> Spectrum:
    """Return the r.m.s. amplitude spectrum over orders of the signal's shaft, from segments of about `turns` turns.

    `frequency` counts events per turn; `resolution` is 1.5 / turns with a Hann window.
    """
    spectrum = amplitude_spectrum(
        signal.samples, float(signal.per_turn), order_resolution(signal, turns, window), window, frequency_unit="orders"
    )
    return replace(spectrum, of=signal.of)


def order_resolution(signal: AngleSignal, turns: float = SEGMENT_TURNS, window: Window = "hann") -> float:
    """Return the resolution [orders] that segments of about `turns` turns give, or of all there are."""
    return noise_bandwidth_bins(window_values(window, 512)) / min(turns, signal.turns)


def carried(spectrum: Spectrum, signal: AngleSignal) -> Spectrum:
    """Return an order spectrum up to what the recording carries throughout: above, only its slow parts have a say."""
    return up_to(spectrum, signal.top_order)


def synchronous_average(signal: AngleSignal) -> FloatArray:
    """Return what repeats every turn, shape (n_axes, per_turn); all else falls by √turns (McFadden 1987).

    Averaged over whole turns; a shaft's own gear stands in the average of that shaft (`to_angle` with its name).
    """
    whole = int(signal.turns)
    cut = signal.samples[:, : whole * signal.per_turn]
    return np.asarray(cut.reshape(cut.shape[0], whole, signal.per_turn).mean(axis=1))


def without_average(signal: AngleSignal) -> AngleSignal:
    """Return the signal less what repeats every turn of its shaft: what is left is random or of other shafts."""
    repeats = -(-signal.samples.shape[-1] // signal.per_turn)
    repeated = np.tile(synchronous_average(signal), repeats)[:, : signal.samples.shape[-1]]
    return replace(signal, samples=signal.samples - repeated)


def shaft_share(signal: AngleSignal) -> ShaftShare:
    """Return how much of a signal repeats with every turn of its shaft; of N turns the average has S + R/N.

    S mean square of what repeats, R of the rest; the residual has R·(1 - 1/N) (McFadden 1987 for the average's 1/N).
    """
    turns = int(signal.turns)
    average = synchronous_average(signal)
    average = average - average.mean(axis=1, keepdims=True)
    rest = without_average(signal).samples.var(axis=1) * turns / (turns - 1)
    repeats = np.maximum(np.square(average).mean(axis=1) - rest / turns, 0.0)
    return ShaftShare(signal.of, turns, np.sqrt(repeats), np.sqrt(rest))


def shaft_shares(
    samples: FloatArray, sample_rate: float, speed: SpeedEstimate, followed: AngleSignal | None = None
) -> tuple[ShaftShare, ...]:
    """Return what repeats with every turn of each shaft whose speed is known; `samples` shape (n_axes, n_samples).

    `followed` saves making the signal of the shaft followed again.
    """
    at_hand = {followed.of: followed} if followed else {}
    signals = (at_hand.get(name) or to_angle(samples, sample_rate, speed, name) for name in speed.ratios)
    return tuple(shaft_share(signal) for signal in signals if signal is not None)
