"""What a whole recording says of a speed: the lines of its orders against what such spectra hold anyway.

A cell of the spectrum is loud by chance, by a stranger's line, or by a line of the tool. How often cells are as loud
as this one is told by the recording itself: f, the density of log power over all its cells. h is the density of a line
of unknown size. R = h/f says what a cell speaks for a line that is expected there: a loud one counts because loud ones
are rare. An order that stands with chance p adds log(1 - p + p·R). What faster combs explain is taken off: a bearing's
lines do not speak for a shaft at a ninth of its rate.

On each clock (a steady one, that of a track) spectra coherent over the whole recording, over a sixth and over a
thirty-sixth of it are looked through; for each speed the one counts in which it stands best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import lgamma, log

import numpy as np
from numpy.typing import NDArray

from vibekit.machine.spectra.spectrum import fast_length, local_floor, mean_square_spectrum, noise_floor, window_values
from vibekit.machine.train.catalogue import Comb
from vibekit.recording.recording import FloatArray

_PARTS = (1, 6, 36)  # of the recording: stretches over which a spectrum is coherent
_SECONDS = (0.25, 16.0)  # shortest and longest such stretch: no tool keeps its speed to a thousandth for longer
_HIGHEST_HZ = 12_000.0  # above, tools have resonances rather than lines (common practice, no source)
_LINE = (4.0, 1e4)  # power of a line over the noise: log-uniform between
_BESIDE = 48  # cells: what is as loud over so many is a resonance
_CLASS = 0.2  # nat: width of the classes in which log power is counted
_FINE_ORDERS = 24.0  # up to here orders are looked through cell by cell, further ones about what these found
_COARSE_HZ = 1.5  # cells so wide that few speeds differ in them: there all orders are looked through at once
_APART = 4.0  # cells between the lines of a comb, at least
_KEPT = 16  # speeds of each spectrum
_SAME = 0.004  # of the speed: closer ones are one
_LEVELS = 9  # multiples whose levels are compared


@dataclass(frozen=True)
class View:
    """Log of R and level [dB], shape (n_bins,), every `spacing` Hz of a clock, the how-manieth is `clock`."""

    log_ratio: FloatArray
    levels: FloatArray
    spacing: float
    clock: int


@dataclass(frozen=True)
class Scored:
    """A speed [Hz] with what a view says of it, and the view's clock.

    `gain` the log likelihood ratio of its orders less what faster combs explain; `first` that of once, twice and three
    times per turn and of known parts; `level` of once per turn [dB], and by how much it is `over` its multiples; by how
    much every second or third of its lines is louder than those between, `uneven` [dB].
    """

    hz: float
    gain: float
    first: float
    level: float
    over: float
    uneven: float
    clock: int


def views(
    samples: FloatArray | NDArray[np.float32],
    sample_rate: float,
    clock: int = 0,
    neutral_hz: Sequence[tuple[float, float]] = (),
) -> list[View]:
    """Return the views of samples on a clock, shape (n_axes, n_samples); bands `neutral_hz` speak for nothing."""
    seconds = samples.shape[-1] / sample_rate
    stretches = (max(min(seconds, _SECONDS[1]) / part, min(seconds, _SECONDS[0])) for part in _PARTS)
    sizes = dict.fromkeys(min(fast_length(round(s * sample_rate)), samples.shape[-1]) for s in stretches)
    return [_view(samples, sample_rate, size, clock, neutral_hz) for size in sizes if size >= 64]


def _view(
    samples: FloatArray | NDArray[np.float32],
    sample_rate: float,
    size: int,
    clock: int,
    neutral_hz: Sequence[tuple[float, float]],
) -> View:
    power, count = mean_square_spectrum(np.asarray(samples), size, window_values("hann", size))
    spacing = sample_rate / size
    power = power[:, : int(min(_HIGHEST_HZ, 0.47 * sample_rate) / spacing)]
    floor = np.maximum(local_floor(power, spacing), noise_floor(power, _BESIDE))  # a resonance is no line
    white = np.maximum((power / floor).mean(axis=0), 1e-6)
    counts = np.ones(white.size, dtype=bool)
    counts[:2] = False
    for low, high in neutral_hz:
        counts[max(0, int(low / spacing)) : int(high / spacing) + 2] = False
    log_ratio = np.zeros(white.size)
    log_ratio[counts] = line_ratio(np.log(white[counts]), power.shape[0] * count)
    levels = 10.0 * np.log10(np.maximum(power.sum(axis=0), 1e-30)) - 20.0 * np.log10(size)
    return View(log_ratio, levels, spacing, clock)


def line_ratio(log_power: FloatArray, averages: int) -> FloatArray:
    """Return log(h/f) of cells with this log power over the noise, shape as given; never less for a louder cell."""
    edges = np.arange(float(log_power.min()) - 3 * _CLASS, float(log_power.max()) + 4 * _CLASS, _CLASS)
    counts = np.convolve(np.histogram(log_power, edges)[0], np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0, mode="same")
    middle = 0.5 * (edges[1:] + edges[:-1])
    density = (counts + _CLASS / log(_LINE[1] / _LINE[0])) / (log_power.size * _CLASS)  # one more cell, anywhere
    ratio = np.log(_line_density(middle, averages)) - np.log(density)
    top = int(np.argmax(counts))
    ratio[top:] = np.maximum.accumulate(ratio[top:])
    ratio[:top] = np.minimum(ratio[:top], ratio[top])
    return np.asarray(np.interp(log_power, middle, ratio))


def _line_density(log_power: FloatArray, averages: int) -> FloatArray:
    """Return the density of the log power of a line of unknown size: Gamma of so many averages, times 1 + s."""
    k = float(averages)
    sizes = np.log1p(np.exp(np.linspace(log(_LINE[0]), log(_LINE[1]), 60)))
    off = log_power[:, None] - sizes[None, :]
    logs = k * log(k) - lgamma(k) + k * off - k * np.exp(np.minimum(off, 50.0))
    return np.asarray(np.maximum(np.exp(logs).mean(axis=1), 1e-12))


def scored(view: View, comb: Comb, low_hz: float, high_hz: float, proposed_hz: float | None = None) -> list[Scored]:
    """Return the speeds between two limits [Hz] that a view speaks for most, best first; that proposed among them."""
    low_hz = max(low_hz, _APART * view.spacing)
    top = float(comb.orders.max()) if view.spacing > _COARSE_HZ else min(float(comb.orders.max()), _FINE_ORDERS)
    hz = np.arange(low_hz, high_hz, view.spacing / (2.0 * top))
    if hz.size < 2:
        return []
    tables = _tables(view, comb)
    rough = _gains(view, comb, tables, np.asarray(hz), top)
    steps = low_hz * np.exp(_SAME / 2 * np.arange(int(log(high_hz / low_hz) / _SAME * 2) + 1))
    starts = np.unique(np.searchsorted(hz, steps))
    starts = starts[starts < hz.size]
    best = np.maximum.reduceat(rough, starts)
    found = [] if proposed_hz is None else [_sharpened(view, comb, tables, proposed_hz)]
    for i in np.argsort(-best)[: 2 * _KEPT]:
        part = rough[starts[i] : starts[i + 1] if i + 1 < starts.size else hz.size]
        at = float(hz[starts[i] + int(np.argmax(part))])
        if len(found) < _KEPT and all(abs(at / s.hz - 1.0) > _SAME / 2 for s in found):
            found.append(_sharpened(view, comb, tables, at))
    return sorted(found, key=lambda s: -s.gain)


def _tables(view: View, comb: Comb) -> dict[float, FloatArray]:
    """Return what each cell says of a line expected with each of the comb's chances; out of band: nothing."""
    grown = np.expm1(view.log_ratio)
    return {p: np.append(np.log1p(p * grown), 0.0) for p in set(comb.chances.tolist())}


def _gains(view: View, comb: Comb, tables: dict[float, FloatArray], hz: FloatArray, highest: float) -> FloatArray:
    """Return the log likelihood ratio of orders up to `highest` at speeds [Hz], less what faster combs explain."""
    total, faster = np.zeros(hz.size), np.zeros((len(comb.multiples), hz.size))
    last = view.log_ratio.size
    for order, chance, multiple in zip(comb.orders, comb.chances.tolist(), comb.multiples.T, strict=True):
        if order > highest or order * hz[0] / view.spacing > last:
            continue
        found = tables[chance][np.minimum(np.rint(hz * (order / view.spacing)).astype(np.int32), last)]
        total += found
        for row in np.flatnonzero(multiple):
            faster[row] += found
    return np.asarray(total - np.maximum(faster.max(axis=0), 0.0))


def _sharpened(view: View, comb: Comb, tables: dict[float, FloatArray], hz: float) -> Scored:
    """Return the speed near one given at which all orders fit best: the middle of the speeds that fit as well."""
    inside = comb.orders[comb.orders * hz < view.spacing * view.log_ratio.size]
    step = view.spacing / (3.0 * float(inside.max(initial=1.0)))
    reach = max(_SAME / 2 * hz, view.spacing / (2.0 * _FINE_ORDERS))
    near = np.asarray(hz + step * np.arange(-int(reach / step), int(reach / step) + 1), dtype=np.float64)
    found = _gains(view, comb, tables, near, np.inf)
    top = int(np.argmax(found))
    alike = near[(found > found[top] - 0.5) & (np.abs(near - near[top]) < 3 * step)]
    best = float(np.median(alike))
    cells = np.minimum(np.rint(comb.orders * best / view.spacing).astype(np.intp), view.log_ratio.size)
    terms = np.array([tables[p][cell] for p, cell in zip(comb.chances.tolist(), cells, strict=True)])
    levels = _levels(view, best)
    return Scored(
        best,
        float(found[top]),
        float(terms[comb.first].sum()),
        float(levels[0]),
        float(levels[0] - levels[1:].max(initial=-300.0)),
        max(_uneven(levels, m) for m in (2, 3)),
        view.clock,
    )


def _levels(view: View, hz: float) -> FloatArray:
    """Return the levels of the first multiples of a speed that the view carries [dB]: the loudest of three cells."""
    orders = np.arange(1, _LEVELS + 1)
    cells = np.rint(orders * hz / view.spacing).astype(np.intp)
    cells = cells[cells < view.levels.size - 1]
    return np.asarray(view.levels[cells[:, None] + np.arange(-1, 2)].max(axis=1)) if cells.size else np.array([-300.0])


def _uneven(levels: FloatArray, m: int) -> float:
    """Return by how much every m-th line is louder than those between, on average [dB]."""
    every = np.arange(1, levels.size + 1) % m == 0
    return float(levels[every].mean() - levels[~every].mean()) if every.sum() > 1 else 0.0
