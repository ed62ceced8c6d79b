"""A rough speed track made fine: on the shaft's own clock, from the lines that stand there.

Three steps, each within what the last one left open. (1) A second path on frames of two lengths: long ones separate the
low orders, short ones keep mesh lines together while the speed changes. (2) A path on a fine scale, by how much power
the standing lines have at each deviation. (3) The phase that those lines turn by from frame to frame. A line of order k
reads the speed k times as finely as once per turn; what it cannot tell, which of several lines it is, low orders tell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import fast_length
from vibekit.machine.spectra.warp import Warped, warped
from vibekit.machine.tracks.phase import bands_of, fine_path, phase_speed
from vibekit.machine.tracks.salience import LineMap
from vibekit.machine.tracks.second_path import LEAST_SAMPLES, SecondPath, eased, second_path
from vibekit.machine.train.catalogue import ExpectedOrder
from vibekit.recording.recording import FloatArray

_FRAME_S = 0.06  # the shortest frame
_SHARE_OF_BLUR = 0.6
_SLOPE = (0.02, 0.4)  # of the speed per second
_LOW_ORDERS = 20.0
_PHASE_SPREAD = (0.008, 0.002)  # of the speed: how far a line may lie from the path, steady and from the fine one
_ROUNDS, _LEFT = 2, 0.1  # second paths at most; of the speed, how far one may lie from the clock it was found on
_STEADY = 0.02  # change of speed per second, as a share, below which a second path is as good as a fine one


def refined(
    samples: FloatArray, mapped: LineMap, path_hz: FloatArray, orders: Sequence[ExpectedOrder], on: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return times [s], the speed read there [Hz] (NaN where no line stands) and the path that it was read along.

    `path_hz` shape (n_frames,) is the rough track of `mapped`; `on` its frames with the trigger on.
    """
    second = _followed(samples, mapped, path_hz, orders, on)
    clock = warped(samples, mapped.sample_rate, second.time_s, eased(second.hz, 5))
    longest = min(mapped.size / mapped.sample_rate, clock.samples.shape[-1] / mapped.sample_rate / 4.0)
    size = 2 * (fast_length(max(LEAST_SAMPLES, int(_frame_s(second, clock, longest) * mapped.sample_rate))) // 2)
    bands = bands_of(clock, size, size // 2, second, mapped.masked_hz)
    steady = second.slope < _STEADY
    fine = np.ones(bands[0].white.shape[1]) if steady else fine_path(bands, clock, size, second)
    n = fine.size - 1
    rough = clock.reference_hz * np.sqrt(fine[1:] * fine[:-1])
    read = phase_speed(bands, clock, size, rough, _PHASE_SPREAD[0 if steady else 1])
    at = np.asarray(0.75 * size + np.arange(n, dtype=np.float64) * (size // 2))
    scale = clock.speed_hz(at) / clock.reference_hz
    return clock.time_s(at), read * scale, rough * scale


def _followed(
    samples: FloatArray, mapped: LineMap, path_hz: FloatArray, orders: Sequence[ExpectedOrder], on: NDArray[np.bool_]
) -> SecondPath:
    """Return the second path; where it left the rough one far, lines were blurred on its clock: another with its own.

    A tool leaned on hard loses a fifth of its speed within half a second, and no line stands in the rough path's long
    frames.
    """
    for _ in range(_ROUNDS):
        held = _held(path_hz, on)
        second = second_path(samples, mapped, held, orders, on)
        path_hz = np.interp(mapped.time_s, second.time_s, second.hz)
        if not (np.abs(path_hz / held - 1.0)[on] > _LEFT).any():
            break
    return second


def _held(path_hz: FloatArray, on: NDArray[np.bool_]) -> FloatArray:
    """Return the path with its usual speed while the tool is off, so that the clock is set by the tool and not by rest.

    A path through silence lies anywhere; were it the slower half of a recording, the shaft's clock would count too few
    samples per turn at speed, and lines would fold.
    """
    return np.where(on, path_hz, np.median(path_hz[on])) if on.any() else path_hz


def _frame_s(second: SecondPath, clock: Warped, longest_s: float) -> float:
    """Return the frame [s] in which the line that tells most stands best, and the low orders where they are all.

    A line of f [Hz] whose speed changes by the share s per second more than the clock's blurs over s·f·T Hz in a frame
    of T: as much as the frame resolves at T = 1/√(s·f). The second path's slopes may be off by twice their size. Where
    it changes, three fifths of that are taken, for what changes within a frame averages out.
    """
    share = 1.0 if second.slope < _STEADY else _SHARE_OF_BLUR
    seconds = share / np.sqrt(np.clip(2.0 * second.slope, *_SLOPE) * second.telling * clock.reference_hz)
    if max(o.order for o in second.standing) < _LOW_ORDERS:
        seconds = max(seconds, 2.5 / (min(o.order for o in second.standing) * clock.reference_hz))
    return float(np.clip(seconds, min(_FRAME_S, longest_s), longest_s))
