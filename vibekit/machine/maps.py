"""Run-up and coast-down maps, and the resonances that orders cross on their way.

A structure answers a force of frequency f by a gain that depends on f alone. While the tool speeds up or coasts down
each order of its shafts sweeps through frequencies; where several orders are loud at the same frequency, whatever the
speed, the structure resonates there. A line that is loud at one speed only says nothing of the kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.errors import RecordingLimitError
from vibekit.machine.drivetrain import expected_lines
from vibekit.machine.spectra import fast_length, frames, window_values
from vibekit.machine.speed import SpeedEstimate
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import ToolSheet

_FRAME_S = 0.2
_STEP = 0.06  # of the frequency: resolution of the gain; a sixth of an octave is 0.12
_SPAN = 1.4  # fastest over slowest speed without which no order sweeps far enough
_RISE_DB = 6.0  # over its surroundings, on both sides, and
_ORDERS_AGREE = 2  # so many orders must show it
_SPAN_DRAWN = 1.03
_SPEED_STEPS = 90  # rows of a map
_FAR = 3  # steps to either side where the surroundings are taken


@dataclass(frozen=True)
class OrderMap:
    """Levels of orders over speed.

    `time_s`, `hz` shape (n_frames,): the shaft's speed; `orders` shape (n_orders,); `levels` r.m.s. [m/s²] on the axis
    where each is largest, shape (n_frames, n_orders), NaN out of band; `floor` the noise beside it, same shape.
    """

    of: str
    time_s: FloatArray
    hz: FloatArray
    orders: FloatArray
    levels: FloatArray
    floor: FloatArray


@dataclass(frozen=True)
class SpeedMap:
    """R.m.s. `levels` [m/s²], shape (n_axes, n_speeds, n_bins), over speed `hz` of shaft `of` and `frequency` [Hz].

    A speed that no frame has shows the nearest that one has.
    """

    of: str
    axes: tuple[str, ...]
    hz: FloatArray
    frequency: FloatArray
    levels: FloatArray


@dataclass(frozen=True)
class Resonance:
    """A frequency [Hz] that answers more than its surroundings by `rise_db`, seen on `orders` at speeds `at_hz`."""

    frequency_hz: float
    rise_db: float
    orders: tuple[float, ...]
    at_hz: tuple[float, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the resonance as document data."""
        return {
            "frequency_hz": self.frequency_hz,
            "rise_db": self.rise_db,
            "orders": list(self.orders),
            "at_rpm": [60.0 * hz for hz in self.at_hz],
        }


def order_map(recording: Recording, speed: SpeedEstimate, orders: Sequence[float] | None = None) -> OrderMap:
    """Return the levels of orders (default: 1 to 10) of the shaft followed, over time and speed.

    Frames of 0.2 s, half overlapped; each level is read within the frame's own resolution of order × speed.
    """
    wanted = np.asarray(orders if orders is not None else np.arange(1.0, 11.0), dtype=np.float64)
    rate = recording.sample_rate
    size = fast_length(max(16, int(_FRAME_S * rate)))
    cut = frames(recording.samples, size, size // 2)
    window = window_values("hann", size)
    time_s = np.asarray((np.arange(cut.shape[1], dtype=np.float64) * (size // 2) + size / 2.0) / rate, dtype=np.float64)
    hz = speed.at(time_s)
    place = np.round(np.nan_to_num(hz)[:, None] * wanted[None, :] * size / rate).astype(int)
    inside = np.isfinite(hz)[:, None] & (place >= 3) & (place < size // 2 - 8)
    levels, floor = np.full(place.shape, np.nan), np.full(place.shape, np.nan)
    for t in np.flatnonzero(inside.any(axis=1)):
        spectrum = np.abs(np.fft.rfft(cut[:, t] * window, axis=-1)) * np.sqrt(2.0) / window.sum()
        for k in np.flatnonzero(inside[t]):
            near = spectrum[:, place[t, k] - 1 : place[t, k] + 2]
            axis = int(np.argmax(near.max(axis=1)))
            levels[t, k] = near[axis].max()
            floor[t, k] = np.median(spectrum[axis, max(1, place[t, k] - 8) : place[t, k] + 9])
    return OrderMap(speed.of, time_s, hz, wanted, levels, floor)


def swept_orders(tool: ToolSheet | None, of: str) -> list[float]:
    """Return the orders on shaft `of` that may sweep over a resonance: 1 to 10, and each mesh with its double."""
    orders = [float(n) for n in range(1, 11)]
    if tool is not None and any(shaft.name == of for shaft in tool.shafts):
        lines = expected_lines(tool, {of: 1.0})
        orders += [line.frequency_hz for line in lines if line.kind == "mesh" and line.harmonic in (1, 2)]
    return orders


def speed_map(recording: Recording, speed: SpeedEstimate) -> SpeedMap:
    """Return the level over frequency and speed, from Hann frames of 0.2 s, half overlapped, sorted by their speed.

    Raises:
        RecordingLimitError: no speed is known, or it hardly changes.
    """
    rate = recording.sample_rate
    size = fast_length(max(16, int(_FRAME_S * rate)))
    cut = frames(recording.samples, size, size // 2)
    hz = speed.at(np.asarray((np.arange(cut.shape[1], dtype=np.float64) * (size // 2) + size / 2.0) / rate))
    known = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    if known.size < 4 or hz[known].max() < _SPAN_DRAWN * hz[known].min():
        raise RecordingLimitError(
            f"{recording.origin.file}: the speed hardly changes or is not known: "
            "a map needs a run-up, a coast-down or a load"
        )
    steps = int(np.clip(known.size // 2, 4, _SPEED_STEPS))
    edges = np.linspace(hz[known].min(), hz[known].max(), steps + 1)
    row = np.clip(np.searchsorted(edges, hz[known], side="right") - 1, 0, steps - 1)
    window = window_values("hann", size)
    power = np.zeros((cut.shape[0], steps, size // 2 + 1))
    for t, i in zip(known, row, strict=True):
        spectrum = np.abs(np.fft.rfft((cut[:, t] - cut[:, t].mean(axis=-1, keepdims=True)) * window, axis=-1))
        power[:, i] += (spectrum * np.sqrt(2.0) / window.sum()) ** 2
    count = np.bincount(row, minlength=steps)
    passed = np.flatnonzero(count)
    nearest = passed[np.argmin(np.abs(np.arange(steps)[:, None] - passed[None, :]), axis=1)]
    levels = np.sqrt(power[:, nearest] / count[nearest][None, :, None])
    frequency = np.arange(size // 2 + 1, dtype=np.float64) * (rate / size)
    return SpeedMap(speed.of, recording.axes, np.asarray(0.5 * (edges[1:] + edges[:-1])), frequency, levels)


def map_orders(tool: ToolSheet | None, of: str) -> dict[str, float]:
    """Return the orders on shaft `of` worth drawing, by name: shafts' first two, mesh, fan; without a sheet 1 to 4."""
    if tool is None or all(shaft.name != of for shaft in tool.shafts):
        return {f"{n}x": float(n) for n in range(1, 5)}
    named: dict[float, list[str]] = {}
    for line in expected_lines(tool, {of: 1.0}):
        if (line.kind == "shaft" and line.harmonic in (1, 2)) or (line.kind in ("mesh", "fan") and line.harmonic == 1):
            named.setdefault(round(line.frequency_hz, 3), []).append(line.name)  # at 1 Hz, frequency is order
    return {", ".join(names): order for order, names in named.items()}


def resonances(mapped: OrderMap) -> tuple[Resonance, ...]:
    """Return the frequencies at which at least two orders are louder by 6 dB than on either side, loudest first.

    Levels are divided by the square of the speed, as the forces of unbalance grow with it, and by each order's own
    median, so that orders of any size can be compared; what is left over frequency is the structure's gain. Empty where
    the speed does not span a factor of 1.4.
    """
    known = np.isfinite(mapped.hz) & (mapped.hz > 0)
    if not known.any() or mapped.hz[known].max() < _SPAN * mapped.hz[known].min():
        return ()
    lowest = float(mapped.hz[known].min() * mapped.orders.min())
    highest = float(mapped.hz[known].max() * mapped.orders.max())
    n = int(np.log(highest / lowest) / _STEP) + 2
    gains = np.full((mapped.orders.size, n), np.nan)
    for k, order in enumerate(mapped.orders):
        seen = known & (mapped.levels[:, k] > 2.0 * mapped.floor[:, k])
        if seen.sum() < 4:
            continue
        gain = 20.0 * np.log10(mapped.levels[seen, k] / mapped.hz[seen] ** 2)
        steps = (np.log(order * mapped.hz[seen] / lowest) / _STEP).astype(int)
        for step in np.unique(steps):
            gains[k, step] = np.median(gain[steps == step])
    found = []
    for step in range(n):
        rises = [_rise(row, step) for row in gains]
        showing = [k for k, rise in enumerate(rises) if rise >= _RISE_DB]
        if len(showing) >= _ORDERS_AGREE:
            hz = lowest * float(np.exp(_STEP * (step + 0.5)))
            rise = float(np.median([rises[k] for k in showing]))
            orders = tuple(float(mapped.orders[k]) for k in showing)
            found.append(Resonance(hz, rise, orders, tuple(hz / order for order in orders)))
    return tuple(_strongest(found))


def _rise(gain: FloatArray, step: int) -> float:
    """Return how far a step stands over the higher of its two surroundings [dB]; -inf where one is unknown."""
    here = gain[step]
    below, above = gain[max(0, step - 2 * _FAR) : max(0, step - _FAR + 1)], gain[step + _FAR : step + 2 * _FAR + 1]
    if not (np.isfinite(here) and np.isfinite(below).any() and np.isfinite(above).any()):
        return -np.inf
    peak = np.nanmax(gain[max(0, step - 1) : step + 2])
    return float(here - max(np.nanmedian(below), np.nanmedian(above))) if here >= peak else -np.inf


def _strongest(found: Sequence[Resonance]) -> list[Resonance]:
    """Return resonances, loudest first, without neighbours within a quarter of a stronger one's frequency."""
    kept: list[Resonance] = []
    for candidate in sorted(found, key=lambda r: (-len(r.orders), -r.rise_db)):
        if all(abs(np.log(candidate.frequency_hz / other.frequency_hz)) > 0.25 for other in kept):
            kept.append(candidate)
    return kept
