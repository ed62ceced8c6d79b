"""How many recording flaws `check` finds, misses and raises falsely on simulated recordings with known flaws.

Run: python -m tests.benchmarks.recording_flaws [recordings per flaw] [seed]
The signals are made here, independently of `vibekit.simulate`: a rotary tool with shaft lines of wandering speed and
load, a gear mesh, broadband noise, parts with the tool off, and handling; then one flaw, or none.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

import vibekit as vk
from vibekit.recording.calibration import Calibration
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import SensorFacts

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


def clipped_hard(c: Case, random: Random) -> Case:
    """The chain ends at a level that the file does not know; both sides, one axis at least."""
    top = np.quantile(np.abs(c.samples[:, c.on]), random.uniform(0.97, 0.998), axis=1)[:, None]
    return replace(c, samples=np.clip(c.samples, -top, top))


def clipped_at_full_scale(c: Case, random: Random) -> Case:
    top = float(np.quantile(np.abs(c.samples[:, c.on]), random.uniform(0.97, 0.998)))
    return replace(c, samples=np.clip(c.samples, -top, top), full_scale=top, lsb=top / 2**15)


def clipped_one_side(c: Case, random: Random) -> Case:
    top = np.quantile(c.samples[:, c.on], random.uniform(0.97, 0.998), axis=1)[:, None]
    return replace(c, samples=np.minimum(c.samples, top))


def clipped_soft(c: Case, random: Random) -> Case:
    knee = np.quantile(np.abs(c.samples[:, c.on]), random.uniform(0.6, 0.8), axis=1)[:, None]
    return replace(c, samples=knee * np.tanh(c.samples / knee))


def shifted(c: Case, random: Random) -> Case:
    """Shocks push the element off zero; it creeps back with the time constant of the charge amplifier."""
    jumps = np.zeros(c.samples.shape[1])
    places = random.choice(np.flatnonzero(c.on), max(8, int(c.on.sum() / c.rate * random.uniform(1, 4))))
    jumps[places] = random.uniform(0.5, 1.5, places.size) * random.choice([1, -1], places.size)
    decay = np.exp(-np.arange(round(3 * c.rate)) / c.rate / random.uniform(0.3, 1.0))
    drift = convolved(jumps, decay)
    size = random.uniform(0.5, 1.5) * c.samples[0, c.on].std()
    samples = c.samples.copy()
    samples[0] += size * drift
    return replace(c, samples=samples, full_scale=max(c.full_scale, 2 * float(np.abs(samples).max())))


def dropped(c: Case, random: Random) -> Case:
    """The last value is held, or zero sent, for 5 to 200 ms."""
    samples = c.samples.copy()
    for start in random.choice(np.flatnonzero(c.on)[: -round(c.rate)], random.integers(1, 6)):
        stop = start + round(c.rate * random.uniform(0.005, 0.2))
        samples[:, start:stop] = samples[:, [start]] if random.random() < 0.5 else 0.0
    return replace(c, samples=samples)


def hummed(c: Case, random: Random) -> Case:
    line = c.tool.line_hz or float(random.choice([50.0, 60.0]))
    time = np.arange(c.samples.shape[1]) / c.rate
    size = random.uniform(0.08, 0.3) * c.samples[:, c.on].std()
    wave = sum(a * np.sin(2 * np.pi * k * line * time + k) for k, a in ((1, 1.0), (3, 0.4), (5, 0.2)))
    return replace(c, samples=c.samples + size * wave)


def loosened(c: Case, random: Random) -> Case:
    """The sensor lifts off and strikes back about once a turn: short bursts of its contact resonance."""
    n = c.samples.shape[1]
    hits = np.zeros(n)
    at = np.cumsum(random.normal(1, 0.2, int(n / c.rate * c.spindle_hz)) * c.rate / c.spindle_hz).astype(int)
    hits[at[at < n]] = random.uniform(0.3, 1.5, int((at < n).sum()))
    time = np.arange(round(0.004 * c.rate)) / c.rate
    ring = np.exp(-time / 0.0006) * np.sin(2 * np.pi * random.uniform(0.2, 0.35) * c.rate * time)
    bursts = convolved(hits * c.on, ring)
    size = random.uniform(10, 30) * c.samples[:, c.on].std() / max(np.abs(ring).max(), 1e-9)
    samples = c.samples + size * bursts
    return replace(c, samples=samples, full_scale=max(c.full_scale, 2 * float(np.abs(samples).max())))


def aliased(c: Case, random: Random) -> Case:
    """No low-pass before sampling: broadband vibration well above half the rate folds down."""
    noise = random.standard_normal(c.samples.shape) * random.uniform(0.4, 1.0) * c.samples[:, c.on].std()
    return replace(c, samples=c.samples + noise * c.on)


def coarse(c: Case, random: Random) -> Case:
    return replace(c, lsb=float(c.samples.std(axis=1).min()) * random.uniform(0.5, 1.5))


def copied(c: Case, random: Random) -> Case:
    samples = c.samples.copy()
    samples[1] = samples[0]
    return replace(c, samples=samples)


def dead(c: Case, random: Random) -> Case:
    samples = c.samples.copy()
    samples[2] = 0.003 * samples.std() * random.standard_normal(samples.shape[1])
    return replace(c, samples=samples, lsb=min(c.lsb, 0.001 * float(c.samples.std())))


def noisy(c: Case, random: Random) -> Case:
    """The floor is nearly as high as the tool: a weak sensor, or another tool on the same bench."""
    n = c.samples.shape[1]
    on = np.arange(n) > 0.3 * n
    running = low_passed(random.standard_normal(n), c.rate, 300) * on
    floor = random.uniform(0.4, 0.6) * low_passed(random.standard_normal(n), c.rate, 300)
    samples = 0.9 * np.stack([running + floor, 0.8 * running + np.roll(floor, 99), 0.6 * running + np.roll(floor, 7)])
    return replace(c, samples=samples, on=on)


def offset(c: Case, random: Random) -> Case:
    samples = c.samples + random.uniform(0.2, 0.5) * c.full_scale * np.array([[1.0], [0.0], [0.0]])
    return replace(c, samples=samples, full_scale=c.full_scale * 1.6)


def heavy(c: Case, random: Random) -> Case:
    return replace(c, mass_g=random.uniform(120, 300))


def short(c: Case, random: Random) -> Case:
    return replace(c, samples=c.samples[:, -round(c.rate * random.uniform(1, 7.5)) :])


def slow(c: Case, random: Random) -> Case:
    """A logger too slow for the tool."""
    step = int(c.rate / random.choice([200, 400]))
    return replace(c, samples=c.samples[:, ::step], rate=c.rate / step)


FLAWS: dict[str, tuple[Callable[[Case, Random], Case], str]] = {
    "clipped below the range": (clipped_hard, "clipping"),
    "clipped at full scale": (clipped_at_full_scale, "clipping"),
    "clipped on one side": (clipped_one_side, "clipping"),
    "soft clipping": (clipped_soft, "soft_clipping"),
    "DC shift": (shifted, "dc_shift"),
    "constant offset": (offset, "dc_offset"),
    "drop-outs, stuck": (dropped, "dropouts"),
    "mains pick-up": (hummed, "hum"),
    "loose sensor": (loosened, "chatter"),
    "no anti-alias filter": (aliased, "aliasing"),
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


def run(per_flaw: int, seed: int) -> tuple[dict[str, int], Counter[str], int]:
    """Return found per flaw, false alarms per check, and the number of recordings without the flaw behind them."""
    random = np.random.default_rng(seed)
    alarms: Counter[str] = Counter()
    found = dict.fromkeys(FLAWS, 0)
    sound = 4 * per_flaw
    for _ in range(sound):
        alarms.update(doubts(clean(random)))
    for name, (make, expected) in FLAWS.items():
        for _ in range(per_flaw):
            found[name] += expected in doubts(make(clean(random), random))
    return found, alarms, sound


def main() -> None:
    """Print the table."""
    per_flaw = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    found, alarms, sound = run(per_flaw, seed)
    print(f"{per_flaw} recordings per flaw, {sound} sound ones; seed {seed}")
    print(f"{'flaw':<26}{'check':<15}{'found':>7}{'missed':>8}{'false alarms on sound ones':>28}")
    for name, (_, expected) in FLAWS.items():
        rate = f"{alarms[expected]} of {sound}"
        print(f"{name:<26}{expected:<15}{found[name]:>7}{per_flaw - found[name]:>8}{rate:>28}")
    other = {name: count for name, count in alarms.items() if name not in {e for _, e in FLAWS.values()}}
    print(f"other checks on sound ones: {other or 'none'}")


if __name__ == "__main__":
    main()
