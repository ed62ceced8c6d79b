"""Recordings of rotary tools with one known flaw of the chain, in three sizes; made without `vibekit.simulate`.

A rotary tool with shaft lines of wandering speed and load, a gear mesh, broadband noise, parts with the tool off, and
handling; then one flaw. Sizes are "clear", "moderate" and "mild": each draws its strength from a range of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

import vibekit as vk
from vibekit.recording.calibration import Calibration
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import SensorFacts

SIZES = ("clear", "moderate", "mild")
Span = tuple[float, float]
Array = NDArray[np.float64]
Random = np.random.Generator


@dataclass(frozen=True)
class Case:
    """A recording in the making: samples [m/s²] shape (3, n), rate, speeds, the stretch with the tool on."""

    samples: Array
    rate: float
    spindle_hz: float
    on: NDArray[np.bool_]
    full_scale: float
    lsb: float
    tool: vk.ToolSheet
    mass_g: float = 12.0


def clean(random: Random, rates: tuple[int, ...] = (3200, 6400, 12800, 25600), longest_s: float = 30.0) -> Case:
    """Return a sound recording of a random tool."""
    rate = float(random.choice(rates))
    seconds = random.uniform(12, longest_s)
    n = round(rate * seconds)
    time = np.arange(n) / rate
    spindle, teeth = random.uniform(70, 190), int(random.integers(9, 14))
    driven = round(teeth * random.uniform(2.5, 3.5))
    on = np.ones(n, dtype=bool)
    if random.random() < 0.6:
        on = (time > random.uniform(1.5, 4)) & (time < seconds - random.uniform(1.5, 4))
    drive = np.interp(time, time[:: round(rate / 100)], smoothed(on[:: round(rate / 100)].astype(float), 50))
    wander = 1 + 0.01 * np.interp(time, np.linspace(0, seconds, 40), random.standard_normal(40))
    phase = 2 * np.pi * np.cumsum(spindle * wander * np.clip(drive, 0.05, 1)) / rate
    load = np.exp(0.25 * np.interp(time, np.linspace(0, seconds, 25), random.standard_normal(25)))
    samples = np.zeros((3, n))
    level = random.uniform(4, 30) * random.uniform(0.5, 1.5, 3)
    for axis in range(3):
        for order, size in ((1, 1.0), (2, 0.35), (3, 0.15), (driven / teeth, 0.5), (driven, 0.4), (2 * driven, 0.15)):
            if order * spindle < 0.42 * rate:
                samples[axis] += (
                    level[axis] * size * random.uniform(0.5, 1.5) * np.sin(order * phase + random.uniform(0, 2 * np.pi))
                )
        samples[axis] += 0.3 * level[axis] * low_passed(random.standard_normal(n), rate, 0.35 * rate)
    samples *= load * drive**2
    for axis in range(3):  # handling and the hand's own motion, then sensor noise
        samples[axis] += 0.3 * low_passed(random.standard_normal(n), rate, 3.0)
        samples[axis] += 0.02 * random.standard_normal(n)
    sheet = {
        "tool": {"tag": "T-1", "mass_kg": 2.0, "supply": str(random.choice(["mains 50 Hz", "mains 60 Hz", "battery"]))},
        "shaft": [{"name": "armature", "rated_rpm": 60 * spindle * driven / teeth}, {"name": "spindle"}],
        "mesh": [{"driver": "armature", "driven": "spindle", "driver_teeth": teeth, "driven_teeth": driven}],
    }
    from vibekit.recording.toolsheet import parse_tool

    full_scale = float(np.abs(samples).max() * random.uniform(1.2, 6))
    bits = int(random.choice([12, 16, 24]))
    return Case(samples, rate, spindle, on, full_scale, full_scale / 2 ** (bits - 1), parse_tool(sheet, "sheet"))


def smoothed(values: Array, width: int) -> Array:
    """Return the values under a sliding Hann window: the tool takes its time to start and stop."""
    window = np.hanning(width)
    return np.convolve(np.pad(values, width // 2, mode="edge"), window / window.sum(), "valid")[: values.size]


def convolved(signal: Array, response: Array) -> Array:
    """Return the response to a signal, as long as the signal."""
    size = 1 << (signal.size + response.size).bit_length()
    return np.fft.irfft(np.fft.rfft(signal, size) * np.fft.rfft(response, size), size)[: signal.size]


def low_passed(noise: Array, rate: float, corner: float) -> Array:
    """Return noise of unit r.m.s. below a corner (fourth-order fall)."""
    f = np.fft.rfftfreq(noise.size, 1 / rate)
    out = np.fft.irfft(np.fft.rfft(noise) / np.sqrt(1 + (f / corner) ** 8), noise.size)
    return np.asarray(out / out.std())


def drawn(random: Random, size: str, *spans: Span) -> float:
    """Return a strength from the range of its size."""
    return float(random.uniform(*spans[SIZES.index(size)]))


def clipped_hard(c: Case, random: Random, size: str = "clear") -> Case:
    """The chain ends at a level that the file does not know; both sides, one axis at least."""
    share = drawn(random, size, (0.97, 0.99), (0.995, 0.998), (0.9993, 0.9998))
    top = np.quantile(np.abs(c.samples[:, c.on]), share, axis=1)[:, None]
    return replace(c, samples=np.clip(c.samples, -top, top))


def clipped_at_full_scale(c: Case, random: Random, size: str = "clear") -> Case:
    """The file's own full scale is too small."""
    share = drawn(random, size, (0.97, 0.99), (0.995, 0.998), (0.9993, 0.9998))
    top = float(np.quantile(np.abs(c.samples[:, c.on]), share))
    return replace(c, samples=np.clip(c.samples, -top, top), full_scale=top, lsb=top / 2**15)


def clipped_one_side(c: Case, random: Random, size: str = "clear") -> Case:
    """An offset amplifier runs out on one side first."""
    share = drawn(random, size, (0.97, 0.99), (0.995, 0.998), (0.9993, 0.9998))
    return replace(c, samples=np.minimum(c.samples, np.quantile(c.samples[:, c.on], share, axis=1)[:, None]))


def clipped_soft(c: Case, random: Random, size: str = "clear") -> Case:
    """A limiter or a saturating element."""
    share = drawn(random, size, (0.6, 0.8), (0.88, 0.94), (0.97, 0.99))
    knee = np.quantile(np.abs(c.samples[:, c.on]), share, axis=1)[:, None]
    return replace(c, samples=knee * np.tanh(c.samples / knee))


def slope_limited(c: Case, random: Random, size: str = "clear") -> Case:
    """The amplifier before the anti-alias filter cannot follow: its slope ends at a share of those that occur."""
    share = drawn(random, size, (0.05, 0.3), (0.4, 0.7), (0.8, 0.95))
    rows = []
    for row in c.samples:
        fine = resampled(row, _FINER)
        slopes = np.abs(np.diff(fine))[np.repeat(c.on, _FINER)[1:]]
        followed = slewed(fine, float(np.quantile(slopes, share)))
        f = np.fft.rfftfreq(followed.size, 1 / (_FINER * c.rate))
        filtered = np.fft.irfft(np.fft.rfft(followed) / np.sqrt(1 + (f / (0.45 * c.rate)) ** 16), followed.size)
        rows.append(filtered[::_FINER])
    return replace(c, samples=np.array(rows))


_FINER = 4


def resampled(row: Array, times: int) -> Array:
    """Return a signal at a multiple of its rate, without new frequencies."""
    return np.asarray(np.fft.irfft(np.fft.rfft(row), row.size * times) * times)


def slewed(signal: Array, step: float) -> Array:
    """Return what changes by at most `step` from sample to sample."""
    out, here = [], float(signal[0])
    for wanted in signal.tolist():
        here = min(max(wanted, here - step), here + step)
        out.append(here)
    return np.array(out)


def shifted(c: Case, random: Random, size: str = "clear") -> Case:
    """Shocks push the element off zero; it creeps back with the time constant of the charge amplifier."""
    jumps = np.zeros(c.samples.shape[1])
    places = random.choice(np.flatnonzero(c.on), max(8, int(c.on.sum() / c.rate * random.uniform(1, 4))))
    jumps[places] = random.uniform(0.5, 1.5, places.size) * random.choice([1, -1], places.size)
    drift = convolved(jumps, _decay(c, random.uniform(0.3, 1.0)))
    strength = drawn(random, size, (0.5, 1.5), (0.2, 0.4), (0.05, 0.15)) * c.samples[0, c.on].std()
    return _wider(c, c.samples + strength * drift * np.array([[1.0], [0.0], [0.0]]))


def paralysed(c: Case, random: Random, size: str = "clear") -> Case:
    """A rare overload: the amplifier stays at its end for some ms, then recovers from the other side in a decay."""
    samples = c.samples.copy()
    rail = float(np.abs(samples).max())
    strength = drawn(random, size, (1.0, 2.0), (0.3, 0.6), (0.05, 0.15)) * rail
    decay = strength * _decay(c, random.uniform(0.1, 0.6))
    seconds = c.on.sum() / c.rate
    for start in random.choice(np.flatnonzero(c.on), max(2, int(seconds * random.uniform(0.15, 0.6)))):
        axis, sign = random.integers(0, 3), random.choice([1, -1])
        stop = start + max(2, round(c.rate * random.uniform(0.001, 0.01)))
        samples[axis, start:stop] = sign * rail
        tail = samples[axis, stop : stop + decay.size]
        tail -= sign * decay[: tail.size]
    return replace(c, samples=samples, full_scale=max(c.full_scale, 1.1 * float(np.abs(samples).max())))


def _decay(c: Case, seconds: float) -> Array:
    return np.asarray(np.exp(-np.arange(round(4 * seconds * c.rate)) / c.rate / seconds))


def _wider(c: Case, samples: Array) -> Case:
    """Return the case with other samples, in a range that holds them."""
    return replace(c, samples=samples, full_scale=max(c.full_scale, 2 * float(np.abs(samples).max())))


def dropped(c: Case, random: Random, size: str = "clear") -> Case:
    """The last value is held, or zero sent: many long stretches, some, or one or two of a few ms."""
    samples = c.samples.copy()
    most = {"clear": 20, "moderate": 6, "mild": 3}[size]
    for start in random.choice(np.flatnonzero(c.on)[: -round(c.rate)], random.integers(max(1, most // 3), most)):
        stop = start + round(c.rate * drawn(random, size, (0.05, 0.2), (0.005, 0.05), (0.004, 0.01)))
        samples[:, start:stop] = samples[:, [start]] if random.random() < 0.5 else 0.0
    return replace(c, samples=samples)


def hummed(c: Case, random: Random, size: str = "clear") -> Case:
    """The mains frequency and its odd multiples, from the cable."""
    line = c.tool.line_hz or float(random.choice([50.0, 60.0]))
    time = np.arange(c.samples.shape[1]) / c.rate
    strength = drawn(random, size, (0.08, 0.3), (0.04, 0.08), (0.01, 0.03)) * c.samples[:, c.on].std()
    wave = sum(a * np.sin(2 * np.pi * k * line * time + k) for k, a in ((1, 1.0), (3, 0.4), (5, 0.2)))
    return replace(c, samples=c.samples + strength * wave)


def loosened(c: Case, random: Random, size: str = "clear") -> Case:
    """The sensor lifts off and strikes back about once a turn: short bursts of its contact resonance."""
    n = c.samples.shape[1]
    hits = np.zeros(n)
    at = np.cumsum(random.normal(1, 0.2, int(n / c.rate * c.spindle_hz)) * c.rate / c.spindle_hz).astype(int)
    hits[at[at < n]] = random.uniform(0.3, 1.5, int((at < n).sum()))
    time = np.arange(round(0.004 * c.rate)) / c.rate
    ring = np.exp(-time / 0.0006) * np.sin(2 * np.pi * random.uniform(0.2, 0.35) * c.rate * time)
    bursts = convolved(hits * c.on, ring)
    strength = drawn(random, size, (10, 30), (4, 8), (1.5, 3)) * c.samples[:, c.on].std()
    return _wider(c, c.samples + strength / max(np.abs(ring).max(), 1e-9) * bursts)


def aliased(c: Case, random: Random, size: str = "clear") -> Case:
    """No low-pass before sampling: broadband vibration well above half the rate folds down."""
    strength = drawn(random, size, (0.4, 1.0), (0.15, 0.35), (0.05, 0.1)) * c.samples[:, c.on].std()
    return replace(c, samples=c.samples + random.standard_normal(c.samples.shape) * strength * c.on)


def folded(c: Case, random: Random, size: str = "clear") -> Case:
    """No low-pass before sampling: every so many samples of the sound recording are kept, and its mesh lines fold."""
    step = max(2, round(c.rate / drawn(random, size, (1000, 1600), (1600, 3200), (3200, 6400))))
    return replace(c, samples=c.samples[:, ::step], rate=c.rate / step, on=c.on[::step])


def coarse(c: Case, random: Random, size: str = "clear") -> Case:
    """A range far too wide: few steps of the recorder are used."""
    share = drawn(random, size, (0.5, 1.5), (0.2, 0.45), (0.05, 0.15))
    return replace(c, lsb=float(c.samples.std(axis=1).min()) * share)


def copied(c: Case, random: Random, size: str = "clear") -> Case:
    """One axis recorded twice: as it is, at another gain, or through another channel's noise (1 %)."""
    samples = c.samples.copy()
    gain = 1.0 if size == "clear" else random.uniform(0.3, 0.9)
    noise = {"clear": 0.0, "moderate": 0.01, "mild": 0.05}[size] * samples[0].std()
    samples[1] = gain * (samples[0] + noise * random.standard_normal(samples.shape[1]))
    return replace(c, samples=samples)


def dead(c: Case, random: Random, size: str = "clear") -> Case:
    """A broken lead gives noise alone; a bad contact some of the signal (26 to 34 dB down, or 14 to 20)."""
    samples = c.samples.copy()
    if size == "clear":
        samples[2] = 0.003 * samples.std() * random.standard_normal(samples.shape[1])
    else:
        samples[2] *= drawn(random, size, (0, 0), (0.02, 0.05), (0.1, 0.2))
    return replace(c, samples=samples, lsb=min(c.lsb, 0.001 * float(c.samples.std())))


def running_a_hv(case: Case) -> float:
    """Return a_hv over the time that the tool is known to be on [m/s²]."""
    on = case.on if case.on.any() else np.ones_like(case.on)
    weighted = vk.weight(recording(case)).samples[:, on]
    return float(np.sqrt(np.sum(np.mean(weighted**2, axis=1))))


def offset(c: Case, random: Random, size: str = "clear") -> Case:
    """A constant part, as a share of the range."""
    share = drawn(random, size, (0.2, 0.5), (0.12, 0.2), (0.03, 0.08))
    return replace(
        c, samples=c.samples + share * c.full_scale * np.array([[1.0], [0.0], [0.0]]), full_scale=c.full_scale * 1.6
    )


def heavy(c: Case, random: Random, size: str = "clear") -> Case:
    """Sensor and clamp weigh much of the part that carries them."""
    return replace(c, mass_g=drawn(random, size, (250, 500), (120, 250), (102, 115)))


def short(c: Case, random: Random, size: str = "clear") -> Case:
    """Too short a piece."""
    kept = slice(-round(c.rate * drawn(random, size, (1, 2), (2, 5), (5, 7.5))), None)
    return replace(c, samples=c.samples[:, kept], on=c.on[kept])


def slow(c: Case, random: Random, size: str = "clear") -> Case:
    """A logger too slow for the tool: once per turn folds, lies past the low-pass, or only twice per turn does."""
    step = max(2, round(c.rate / (c.spindle_hz * drawn(random, size, (1.2, 1.8), (1.8, 2.15), (2.4, 3.6)))))
    return replace(c, samples=c.samples[:, ::step], rate=c.rate / step, on=c.on[::step])


Flaw = Callable[..., Case]
FLAWS: dict[str, tuple[Flaw, str]] = {
    "clipped below the range": (clipped_hard, "clipping"),
    "clipped at full scale": (clipped_at_full_scale, "clipping"),
    "clipped on one side": (clipped_one_side, "clipping"),
    "soft clipping": (clipped_soft, "soft_clipping"),
    "slope limited": (slope_limited, "slew"),
    "DC shift": (shifted, "dc_shift"),
    "overload, slow recovery": (paralysed, "dc_shift"),
    "constant offset": (offset, "dc_offset"),
    "drop-outs, stuck": (dropped, "dropouts"),
    "mains pick-up": (hummed, "hum"),
    "loose sensor": (loosened, "shocks"),
    "no anti-alias filter": (aliased, "aliasing"),
    "mesh lines folded": (folded, "aliasing"),
    "coarse resolution": (coarse, "resolution"),
    "axis copied": (copied, "axes"),
    "axis dead": (dead, "axes"),
    "heavy sensor": (heavy, "sensor_mass"),
    "too short": (short, "length"),
    "too slow for the tool": (slow, "rate_for_tool"),
}


def recording(case: Case) -> Recording:
    """Return the case as a recorder would store it: steps of the resolution, ends at full scale."""
    stored = np.clip(np.round(case.samples / case.lsb) * case.lsb, -case.full_scale, case.full_scale)
    calibration = Calibration(case.full_scale, "full scale", case.full_scale)
    origin = Origin("simulated", calibration=calibration, tool=case.tool, sensor=SensorFacts(mass_g=case.mass_g))
    return Recording(stored, case.rate, origin=origin)


def doubts(case: Case) -> set[str]:
    """Return the checks that do not pass."""
    return {c.name for c in vk.check(recording(case)).checks if c.status != "pass"}
