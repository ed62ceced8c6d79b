"""Resonances that orders cross while the tool runs up, droops or coasts down.

A structure answers a force of frequency f by a gain that depends on f alone. While the speed changes each order of its
shafts sweeps through frequencies; where several orders are loud at the same frequency, whatever the speed, the
structure resonates there. What is loud at one speed only is loud on each order at another frequency and says nothing
of the kind.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.machine.spectra.spectrum import frames, window_values
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.machine.train.drivetrain import expected_lines
from vibekit.recording.fft_length import fast_length
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.segments import running_median
from vibekit.recording.toolsheet import ToolSheet

_FRAME_S = 0.2
_BESIDE = (-6, -5, -4, 4, 5, 6)  # bins off the order where its noise is read: beyond Hann's main lobe of ±2
_ALIKE = 8  # frames of nearly the same speed that are enough
_ALIKE_SPEED = 0.01
_LOWEST_BINS = 3.0  # below so many bins of a frame an order is not told from rest
_TOP = 0.45  # of the sample rate

_STEP = 0.03  # of the frequency (natural logarithm): steps of the gain
_NEAR, _FAR = 4, 12  # steps to either side between which the surroundings are taken: 12 % to 36 % off
_SPAN = 1.4  # fastest over slowest speed without which no order sweeps far enough
_BLURRED = 0.06  # of the speed, change within a frame's half: more smears the place over a resonance's own width
_LOWEST_HZ = 60.0  # a frame resolves 7.5 Hz: further down a resonance of usual width (12 %) is no wider than that
_CLEAR = 4.0  # times its noise that an order must be at the top
_RISE_DB = 4.0  # over its surroundings, on both sides, and
_ORDERS_AGREE = 2  # so many orders must show it
_EDGE_DB = 6.0  # an order that ends on it counts as the second one if both rise so much
_SAME = 0.06  # places (natural logarithm) that are one
_APART = 0.1  # two places closer than this are named as one resonance


@dataclass(frozen=True)
class OrderMap:
    """Levels of orders over speed.

    `time_s`, `hz` shape (n_frames,): the shaft's speed, NaN where the track does not reach; `swept` the share by which
    it changes within a frame's middle half; `orders` shape (n_orders,); `levels` r.m.s. [m/s²], shape (n_axes,
    n_frames, n_orders), NaN out of band or not looked at; `floor` the noise beside it, same shape.
    """

    of: str
    time_s: FloatArray
    hz: FloatArray
    swept: FloatArray
    orders: FloatArray
    levels: FloatArray
    floor: FloatArray

    def loudest(self, k: int) -> tuple[FloatArray, FloatArray]:
        """Return level and floor of order number `k` on the axis where it is largest, each of shape (n_frames,)."""
        levels = np.nan_to_num(self.levels[:, :, k], nan=-1.0)
        axis, frame = np.argmax(levels, axis=0), np.arange(levels.shape[1])
        return self.levels[axis, frame, k], self.floor[axis, frame, k]

    @property
    def spans(self) -> bool:
        """Whether the speed changes enough for an order to sweep past a resonance."""
        known = self.hz[np.isfinite(self.hz) & (self.hz > 0)]
        return bool(known.size and known.max() >= _SPAN * known.min())

    @property
    def sharp(self) -> NDArray[np.bool_]:
        """Frames in which the speed changes slowly enough to place a resonance, shape (n_frames,)."""
        return np.isfinite(self.hz) & (self.hz > 0) & (self.swept <= _BLURRED)


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


@dataclass(frozen=True)
class _Top:
    """A place [Hz] where one order on one axis is loud; `whole` if it comes down again on the far side."""

    hz: float
    order: float
    rise_db: float
    whole: bool


def order_map(
    recording: Recording, speed: SpeedEstimate, orders: Sequence[float] | None = None, every_frame: bool = True
) -> OrderMap:
    """Return the levels of orders (default: 1 to 10) of the shaft followed, over time and speed, on every axis.

    Each frame (0.2 s, Hann, half overlapped) is held against a tone that turns with the shaft, so that an order reads
    its r.m.s. value though its frequency moves. With `every_frame` False of those at nearly the same speed only the
    first few are looked at, so that a long run costs no more than a coast-down.
    """
    wanted = np.asarray(orders if orders is not None else np.arange(1.0, 11.0), dtype=np.float64)
    rate, (n_axes, n) = recording.sample_rate, recording.samples.shape
    size = fast_length(max(16, int(_FRAME_S * rate)))
    cut = frames(recording.samples, size, size // 2)
    time_s = (np.arange(cut.shape[1], dtype=np.float64) * (size // 2) + size / 2.0) / rate
    hz, swept = frame_speeds(speed, time_s, size / rate)
    turns = np.cumsum(np.nan_to_num(speed.at(np.arange(n) / rate))) / rate
    window = window_values("hann", size)
    window *= np.sqrt(2.0) / window.sum()
    beside = np.exp(-2j * np.pi * np.outer((0, *_BESIDE), np.arange(size) / size)).T
    levels = np.full((n_axes, time_s.size, wanted.size), np.nan)
    floor = levels.copy()
    for t in _frames_to_look_at(hz, every_frame):
        inside = (wanted * hz[t] * size / rate >= _LOWEST_BINS) & (wanted * hz[t] < _TOP * rate)
        first = t * (size // 2)
        tones = np.exp(-2j * np.pi * wanted[inside, None] * (turns[first : first + size] - turns[first])) * window
        for a, part in enumerate(cut[:, t]):
            read = np.abs((tones * (part - part.mean())) @ beside)
            levels[a, t, inside], floor[a, t, inside] = read[:, 0], np.median(read[:, 1:], axis=1)
    return OrderMap(speed.of, time_s, hz, swept, wanted, levels, _steadied(floor))


def frame_speeds(speed: SpeedEstimate, time_s: FloatArray, frame_s: float) -> tuple[FloatArray, FloatArray]:
    """Return speed and its relative change of frames; NaN where a frame reaches beyond what was followed."""
    known = speed.time_s[np.isfinite(speed.hz)]
    if not known.size:
        return np.full(time_s.shape, np.nan), np.full(time_s.shape, np.nan)
    early, late = speed.at(time_s - frame_s / 4.0), speed.at(time_s + frame_s / 4.0)
    within = (time_s - frame_s / 4.0 >= known[0]) & (time_s + frame_s / 4.0 <= known[-1]) & (early > 0) & (late > 0)
    swept = np.full(time_s.shape, np.nan)
    swept[within] = np.abs(np.log(late[within] / early[within]))
    return np.where(within, speed.at(time_s), np.nan), swept


def _frames_to_look_at(hz: FloatArray, every_frame: bool) -> NDArray[np.intp]:
    """Return the frames with a known speed, every one or of those within one per cent of speed the first few."""
    known = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    if every_frame:
        return known
    steps = np.round(np.log(hz[known]) / _ALIKE_SPEED).astype(int)
    kept = [known[steps == step][:_ALIKE] for step in np.unique(steps)]
    return np.sort(np.concatenate(kept)) if kept else known


def _steadied(floor: FloatArray) -> FloatArray:
    """Return the floor as its running median over five frames looked at: six readings alone scatter twofold."""
    result = floor.copy()
    for row, out in zip(np.moveaxis(floor, 1, -1).reshape(-1, floor.shape[1]), _rows(result), strict=True):
        seen = np.flatnonzero(np.isfinite(row))
        if seen.size:
            padded = np.pad(row[seen], 2, mode="edge")
            out[seen] = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return result


def _rows(values: FloatArray) -> Iterator[FloatArray]:
    """Yield each order on each axis over the frames, as views."""
    for axis in values:
        yield from axis.T


def crossed_resonances(
    recording: Recording, speed: SpeedEstimate, tool: ToolSheet | None
) -> tuple[tuple[Resonance, ...] | None, tuple[Notice, ...]]:
    """Return the resonances that the orders of a tool cross in a recording, or None; and what could not be told."""
    mapped = order_map(recording, speed, swept_orders(tool, speed.of), every_frame=False)
    found, why_not = resonances(mapped), untested(mapped)
    return (None, why_not) if why_not and not found else (found, _too_low(speed))


def _too_low(speed: SpeedEstimate) -> tuple[Notice, ...]:
    """Return which shaft turns below what is looked at: its once per turn may pass a resonance that goes unnamed.

    Longer frames would resolve it, but a coast-down changes the speed by more than 6 % within half of one.
    """
    slow = {name: shaft_hz for name, shaft_hz in speed.shaft_hz.items() if shaft_hz < _LOWEST_HZ}
    if not slow:
        return ()
    name = min(slow, key=slow.__getitem__)
    return (
        Notice(
            "resonances_below_not_tested",
            "info",
            f"resonances below {_LOWEST_HZ:g} Hz are not told, such as any at the {slow[name]:.0f} Hz of {name}: "
            f"frames of {_FRAME_S:g} s do not resolve them",
            value=slow[name],
            limit=_LOWEST_HZ,
            remedy="strike the tool at rest and look at the spectrum of the ringing",
        ),
    )


def swept_orders(tool: ToolSheet | None, of: str) -> list[float]:
    """Return the orders on shaft `of` that may sweep over a resonance: of every shaft 1 to 6, each mesh, its double.

    Without a sheet 1 to 10.
    """
    if tool is None or all(shaft.name != of for shaft in tool.shafts):
        return [float(n) for n in range(1, 11)]
    lines = expected_lines(tool, {of: 1.0})
    kept = [
        line.frequency_hz  # at 1 Hz, frequency is order
        for line in lines
        if (line.kind == "shaft" and line.harmonic <= 6) or (line.kind == "mesh" and line.harmonic <= 2)
    ]
    return sorted({round(order, 6) for order in kept})


def resonances(mapped: OrderMap) -> tuple[Resonance, ...]:
    """Return the frequencies at which at least two orders are loud on an axis, clearest first.

    Levels are divided by the square of the speed, as the forces of unbalance grow with it; what is left over frequency
    is the structure's gain, up to a factor for each order. An order shows a resonance where that gain stands 4 dB over
    its surroundings on both sides; at least one must do so, a second may end on it. Empty where the speed does not
    span a factor of 1.4.
    """
    if not mapped.spans:
        return ()
    tops = [
        top
        for axis in range(mapped.levels.shape[0])
        for k in range(mapped.orders.size)
        for top in _tops(mapped, axis, k)
    ]
    found, highest = list[Resonance](), float(np.nanmax(mapped.hz))
    for best in sorted((top for top in tops if top.whole), key=lambda top: -top.rise_db):
        near = [top for top in tops if abs(np.log(top.hz / best.hz)) < _SAME]
        whole = [top for top in near if top.whole]
        sure = best.rise_db >= _EDGE_DB or len({top.order for top in whole}) >= _ORDERS_AGREE
        ending = [top for top in near if not top.whole and sure]
        orders = tuple(sorted({top.order for top in (*whole, *ending)}))
        if len(orders) < _ORDERS_AGREE or any(abs(np.log(best.hz / r.frequency_hz)) < _APART for r in found):
            continue
        rises = np.array([top.rise_db for top in whole])
        hz = float(np.exp(np.average(np.log([top.hz for top in whole]), weights=rises)))
        at_hz = tuple(min(hz / order, highest) for order in orders)  # an order that ends on it comes no further
        found.append(Resonance(hz, float(np.median(rises)), orders, at_hz))
    return tuple(sorted(found, key=lambda r: (-len(r.orders), -r.rise_db)))


def _tops(mapped: OrderMap, axis: int, k: int) -> Iterator[_Top]:
    """Yield the places where one order stands over its surroundings on one axis."""
    use = mapped.sharp & np.isfinite(mapped.levels[axis, :, k])
    if use.sum() < 2 * _NEAR:
        return
    level = running_median(mapped.levels[axis, use, k], 3)  # of a thousand frames of noise one is four times the usual
    floor, hz = mapped.floor[axis, use, k], mapped.hz[use]
    steps = np.round(np.log(mapped.orders[k] * hz) / _STEP).astype(int)
    first = int(steps.min())
    gain = _by_step(20.0 * np.log10(np.maximum(level, floor) / hz**2), steps - first)
    clear = _by_step(level / floor, steps - first)
    for i in np.flatnonzero(clear >= _CLEAR):
        at = float(np.exp(_STEP * (first + i)))
        below, above = gain[max(0, i - _FAR) : max(0, i - _NEAR + 1)], gain[i + _NEAR : i + _FAR + 1]
        if at < _LOWEST_HZ or gain[i] < np.nanmax(gain[max(0, i - 2) : i + 3]) or np.isfinite(below).sum() < 2:
            continue
        left = float(gain[i] - np.nanmedian(below))
        if np.isfinite(above).sum() >= 2:
            rise = min(left, float(gain[i] - np.nanmedian(above)))
            if rise >= _RISE_DB:
                yield _Top(at, float(mapped.orders[k]), rise, whole=True)
        elif i >= gain.size - 2 and left >= _EDGE_DB:
            yield _Top(at, float(mapped.orders[k]), left, whole=False)


def _by_step(values: FloatArray, steps: NDArray[np.intp]) -> FloatArray:
    """Return the median of the values of each step, NaN where there is none."""
    result = np.full(int(steps.max()) + 1, np.nan)
    for step in np.unique(steps):
        result[step] = np.median(values[steps == step])
    return result


def untested(mapped: OrderMap) -> tuple[Notice, ...]:
    """Return why no resonance can be told from a map, nothing where it can."""
    speeds = np.sort(np.log(mapped.hz[mapped.sharp]))
    joined = np.split(speeds, np.flatnonzero(np.diff(speeds) > 2.0 * _BLURRED) + 1)
    if max((np.ptp(part) for part in joined if part.size), default=0.0) >= np.log(_SPAN):
        return ()
    reason = "its speed changes by less than a factor of 1.4"
    if mapped.spans:
        reason = f"its speed changes by more than {100 * _BLURRED:.0f} % within a tenth of a second"
    return (
        Notice(
            "resonances_not_tested",
            "info",
            f"resonances cannot be told from this recording: {reason}",
            remedy="let the tool coast down freely to a stop while it records",
        ),
    )
