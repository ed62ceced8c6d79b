"""What each flaw of a recording makes of a_hv, and what is said of it: flaw, size, true value, value told, words.

Run: python -m tests.benchmarks.one_look [--alarms N] [--data FOLDER]
A grinder at 160 Hz with harmonics, a gear mesh and broadband noise, 24 s at 6400 Hz, true a_hv 3.47 m/s²; one flaw
each, in sizes from harmless to gross. What is left in silence although it is off by more than 5 % is marked. Then the
false alarms: refusals and cautions about the signal on sound recordings of `vibekit.simulate` (every kind of tool,
loaded and not), on the unflawed ones of `flawed`, on the sample recordings and on recordings of others (`--data`).
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import vibekit as vk
from tests.benchmarks.flawed import clean, recording
from vibekit.recording.calibration import Calibration
from vibekit.recording.recording import Origin, Recording
from vibekit.recording.sidecar import SensorFacts
from vibekit.recording.toolsheet import parse_tool
from vibekit.simulate.presets import PRESETS
from vibekit.simulate.session import simulate

Array = NDArray[np.float64]
RATE, SECONDS, SPINDLE_HZ, TRUE = 6400.0, 24.0, 160.0, 3.47
HARMFUL_PCT = 5.0
# what a sound recording says as well: facts about it, no doubt about its signal
FACTS = {"short", "few_runs", "axes_missing", "band_incomplete", "gravity_removed", "too_short", "near_background"}
FACTS |= {
    "resampled",
    "check_sensor_mass",
    "check_length",
    "check_band",
    "band_too_narrow",
    "band_misses_lines",
    "check_timing",
}
SHEET = parse_tool({"tool": {"tag": "T"}, "shaft": [{"name": "spindle", "rated_rpm": 60 * SPINDLE_HZ}]}, "sheet")


@dataclass(frozen=True)
class Case:
    """A recording in the making: samples [m/s²], shape (3, n), and what stands in its sidecar."""

    samples: Array
    band_hz: tuple[float, float] | None = None
    full_scale: float | None = None
    lsb: float = 1e-3


def wh(f: Array) -> Array:
    """Return |Wh| as ISO 5349-1:2001 Annex A defines it, written out here once more."""
    s, w1, w2, w3 = 2j * np.pi * f, 2 * np.pi * 10**0.8, 2 * np.pi * 10**3.1, 100.0
    limits = s**2 * w2**2 / ((s**2 + w1 * 2**0.5 * s + w1**2) * (s**2 + w2 * 2**0.5 * s + w2**2))
    return np.abs(limits * (s + w3) * w3 / (s**2 + w3 / 0.64 * s + w3**2))


def a_hv(samples: Array) -> float:
    """Return a_hv by one transform over the whole recording."""
    bins = np.fft.rfft(samples - samples.mean(axis=1, keepdims=True), axis=1)
    weighted = np.abs(bins) ** 2 * wh(np.fft.rfftfreq(samples.shape[1], 1 / RATE)) ** 2
    return float(np.sqrt(2 * weighted.sum()) / samples.shape[1])


def tool(seed: int = 1, seconds: float = SECONDS) -> Array:
    """Return the sound recording."""
    random = np.random.default_rng(seed)
    time = np.arange(round(seconds * RATE)) / RATE
    wander = 1 + 0.006 * np.interp(
        time,
        np.arange(0, seconds + 1, 0.7),
        random.standard_normal(round(seconds / 0.7) + 2)[: len(np.arange(0, seconds + 1, 0.7))],
    )
    turns = np.cumsum(SPINDLE_HZ * wander) / RATE
    load = np.exp(
        0.1
        * np.interp(
            time,
            np.arange(0, seconds + 1),
            random.standard_normal(round(seconds) + 1)[: len(np.arange(0, seconds + 1))],
        )
    )
    rows = []
    for gain in (1.0, 0.8, 0.6):
        row = 0.3 * random.standard_normal(time.size)
        for order, size in ((1, 1.0), (2, 0.3), (3, 0.2), (3.17, 0.15), (9.5, 0.3)):
            row += size * np.sin(2 * np.pi * (order * turns + random.random()))
        rows.append(gain * row)
    spectrum = np.fft.rfft(np.array(rows) * load, axis=1)
    f = np.fft.rfftfreq(time.size, 1 / RATE)
    samples = np.fft.irfft(spectrum / np.sqrt(1 + (f / (0.42 * RATE)) ** 24), time.size)
    return samples * (TRUE / a_hv(samples)) + 0.01 * random.standard_normal(samples.shape)


def stretches(samples: Array, share: float, length_s: float, value: str, seed: int = 2) -> Array:
    """Return the samples with stretches of about `length_s` held, or at zero, for a share of the time."""
    random, out, place = np.random.default_rng(seed), samples.copy(), 0
    while place < samples.shape[1]:
        length = max(2, round(length_s * RATE * random.uniform(0.7, 1.3)))
        gap = round(length * (1 - share) / share * random.uniform(0.7, 1.3))
        start, place = place + gap, place + gap + length
        out[:, start:place] = samples[:, [min(start, samples.shape[1] - 1)]] if value == "held" else 0.0
    return out


def flat(samples: Array, level: float, rows: slice = slice(None), part: slice = slice(None)) -> Array:
    """Return the samples cut at a share of each axis's largest amplitude, on some axes, in some part."""
    out = samples.copy()
    top = level * np.quantile(np.abs(samples), 0.9999, axis=1)[:, None]
    out[rows, part] = np.clip(out, -top, top)[rows, part]
    return out


def creeping(samples: Array, strength: float, per_s: float = 3.0) -> Array:
    """Return the samples with steps that creep back over half a second, in units of the r.m.s. value."""
    random = np.random.default_rng(3)
    jumps = (random.random(samples.shape[1]) < per_s / RATE) * random.choice([-1.0, 1.0], samples.shape[1])
    decay = np.exp(-np.arange(round(2 * RATE)) / RATE / 0.5)
    n = samples.shape[1] + decay.size
    drift = np.fft.irfft(np.fft.rfft(jumps, n) * np.fft.rfft(decay, n), n)[: samples.shape[1]]
    return samples + strength * samples.std() * drift * np.array([[1.0], [0.3], [0.0]])


def spiked(samples: Array, height: float, per_s: float, width_s: float = 0.0) -> Array:
    """Return the samples with spikes of one sample, or ringing shocks at 700 Hz, on all axes."""
    random = np.random.default_rng(4)
    ring = np.array([1.0])
    if width_s:
        time = np.arange(round(8 * width_s * RATE)) / RATE
        ring = np.exp(-time / width_s) * np.sin(2 * np.pi * 700 * time)
    out = samples.copy()
    for place in np.arange(0.3, samples.shape[1] / RATE - 0.5, 1 / per_s) + random.uniform(0, 0.2 / per_s):
        start = round(place * RATE)
        out[:, start : start + ring.size] += height * random.choice([-1, 1]) * ring * np.array([[1.0], [0.5], [0.7]])
    return out


def z_axis(samples: Array, gain: float, noise: float = 0.0) -> Array:
    """Return the samples with another gain on z."""
    out = samples.copy()
    out[2] = gain * out[2] + noise * np.random.default_rng(5).standard_normal(out.shape[1])
    return out


def copied(samples: Array, gain: float) -> Array:
    """Return the samples with x once more in place of y."""
    out = samples.copy()
    out[1] = gain * out[0]
    return out


def repeated(samples: Array, times: int) -> Array:
    """Return the samples as a recorder stores them that is asked faster than the sensor answers."""
    return np.repeat(samples[:, ::times], times, axis=1)[:, : samples.shape[1]]


def loud_above(samples: Array, level: float) -> Array:
    """Return the samples with a line at 2.2 kHz of that r.m.s. value on every axis."""
    time = np.arange(samples.shape[1]) / RATE
    return samples + level * np.sqrt(2) * np.sin(2 * np.pi * 2200 * time) * np.array([[1.0], [0.7], [0.5]])


def slewed(samples: Array, share: float) -> Array:
    """Return the samples behind an amplifier that follows a share of the largest slopes."""
    from tests.benchmarks.flawed import slewed as follow

    return np.array([follow(row, share * float(np.quantile(np.abs(np.diff(row)), 0.999))) for row in samples])


def hum(samples: Array, level: float) -> Array:
    """Return the samples with the mains frequency and three times it."""
    time = np.arange(samples.shape[1]) / RATE
    wave = np.sin(2 * np.pi * 50 * time) + 0.4 * np.sin(2 * np.pi * 150 * time)
    return samples + level * np.sqrt(2) * wave


def flaws() -> Iterable[tuple[str, str, Case]]:
    """Yield every flaw in its sizes: name, size, recording."""
    sound = tool()
    full, second = float(np.abs(sound).max()), round(RATE)
    yield "none", "", Case(sound)
    for level in (0.5, 0.7, 0.85, 0.95):
        yield "flat tops", f"at {level:g} of the peak", Case(flat(sound, level))
        yield "flat tops, one axis", f"at {level:g} of the peak", Case(flat(sound, level, slice(0, 1)))
    burst = sound.copy()
    burst[:, 5 * second : 6 * second] = np.clip(2 * burst[:, 5 * second : 6 * second], -full, full)
    yield "flat tops in one burst", "1 s of 24 s, twice as loud", Case(burst)
    for level in (0.5, 0.8):
        yield "at end of known range", f"at {level:g} of the peak", Case(flat(sound, level), full_scale=level * full)
        yield "one side only", f"at {level:g} of the peak", Case(np.minimum(sound, level * full))
    for knee in (0.3, 0.6, 1.0):
        yield "soft limit", f"knee at {knee:g} of the peak", Case(knee * full * np.tanh(sound / (knee * full)))
    for share in (0.2, 0.5):
        yield "limited slope", f"at {share:g} of the largest", Case(slewed(sound, share))
    for strength in (0.1, 0.3, 0.5, 1.0):
        yield "DC shift", f"{strength:g} of the r.m.s.", Case(creeping(sound, strength))
    for share in (0.45, 0.1, 0.01, 0.002):
        yield "samples held, 20 ms", f"{100 * share:g} % of the time", Case(stretches(sound, share, 0.02, "held"))
    for share in (0.45, 0.05):
        yield "samples held, 0.6 ms", f"{100 * share:g} % of the time", Case(stretches(sound, share, 0.0006, "held"))
    for share in (0.3, 0.05, 0.005):
        yield "zeros, 50 ms", f"{100 * share:g} % of the time", Case(stretches(sound, share, 0.05, "zero"))
    for times in (2, 3, 5):
        yield "every sample repeated", f"{times} times", Case(repeated(sound, times))
    for gain, noise in ((0.0, 0.0), (0.0, 0.01), (0.01, 0.0), (0.05, 0.0), (0.2, 0.0)):
        yield "z axis", f"gain {gain:g}, noise {noise:g}", Case(z_axis(sound, gain, noise))
    for gain in (1.0, 0.7):
        yield "y copies x", f"gain {gain:g}", Case(copied(sound, gain))
    yield "z upside down", "gain -1", Case(z_axis(sound, -1.0))
    yield "stuck sensor", "0.6 of full scale", Case(np.full_like(sound, 0.6 * full), full_scale=full)
    yield (
        "stuck sensor",
        "0.6 of full scale, last bit moves",
        Case(0.6 * full + 1e-3 * np.round(np.random.default_rng(6).random(sound.shape)), full_scale=full),
    )
    yield "all zero", "", Case(np.zeros_like(sound))
    for band in ((200.0, 2500.0), (100.0, 2500.0), (10.0, 2500.0), (2.0, 150.0), (2.0, 1000.0)):
        yield "sensor band", f"{band[0]:g} to {band[1]:g} Hz", Case(sound, band_hz=band)
    for height, per_s in ((800.0, 20.0), (800.0, 3.0), (800.0, 0.5), (150.0, 10.0)):
        yield "repeated shocks", f"{height:g} m/s², {per_s:g} a second", Case(spiked(sound, height, per_s, 0.002))
    for height, per_s in ((400.0, 20.0), (400.0, 2.0)):
        yield "spikes of a cable", f"{height:g} m/s², {per_s:g} a second", Case(spiked(sound, height, per_s))
    for level in (100.0, 300.0):
        yield "above 1250 Hz", f"{level:g} m/s² at 2.2 kHz", Case(loud_above(sound, level))
    for level in (1.0, 4.0):
        yield "mains pick-up", f"{level:g} m/s²", Case(hum(sound, level))
    for lsb in (full / 4, full / 12, full / 100):
        yield "coarse steps", f"{lsb:.2g} m/s²", Case(sound, lsb=lsb)
    yield (
        "last bit only",
        "1 m/s² steps, tool off",
        Case(np.round(0.4 * np.random.default_rng(7).standard_normal(sound.shape)), lsb=1.0),
    )
    rail = sound.copy()
    for place in range(second, rail.shape[1] - second, 3 * second):
        rail[0, place : place + second // 10] = full
    yield "cable at its end of range", "0.1 s every 3 s", Case(rail)


def made(case: Case) -> Recording:
    """Return the case as a recorder stores it."""
    stored = np.round(case.samples / case.lsb) * case.lsb
    calibration = Calibration.unit("m/s2")
    if case.full_scale is not None:
        calibration = Calibration(case.full_scale, "full scale", case.full_scale)
        stored = np.clip(stored, -case.full_scale, case.full_scale)
    sensor = SensorFacts(band_hz=case.band_hz)
    return Recording(stored, RATE, origin=Origin("", calibration=calibration, tool=SHEET, sensor=sensor))


def told(notices: Iterable[vk.Notice]) -> list[vk.Notice]:
    """Return what is said against the value."""
    return [n for n in notices if n.severity != "info" and n.code not in ("few_runs",)]


def table() -> None:
    """Print the table of flaws."""
    print(f"{'flaw':<26}{'size':<34}{'true':>6}{'told':>8}{'U':>7}  said")
    for name, size, case in flaws():
        graded = vk.grade(made(case))
        value, doubt = graded.a_hv_mps2, graded.expanded_uncertainty_mps2
        said = told(graded.notices)
        off = value is not None and abs(value / TRUE - 1) > HARMFUL_PCT / 100
        silent = "  <-- SILENT" if off and not said else ""
        shown = "refused" if value is None else f"{value:.2f}"
        words = "; ".join(f"{n.severity}: {n.message.lstrip(': ')}" for n in said) + silent
        infos = [n.message.lstrip(": ") for n in graded.notices if n.severity == "info"]
        words += "".join(f" (info: {message})" for message in infos)
        print(f"{name:<26}{size:<34}{TRUE:>6.2f}{shown:>8}{'' if doubt is None else f'{doubt:.2f}':>7}  {words}")


def alarmed(source: Recording | vk.RecordingStream) -> set[str]:
    """Return the codes of what is said against the signal of a sound recording."""
    return {n.code for n in told(vk.grade(source).notices)} - FACTS


def simulated(count: int) -> Iterable[tuple[str, set[str]]]:
    """Yield kind of tool and alarms of sound simulated recordings, every kind, loaded and not."""
    for number in range(count):
        kind = list(PRESETS)[number % len(PRESETS)]
        condition = ("no load", "loaded")[number // len(PRESETS) % 2]
        rate = (3200.0, 6400.0, 12800.0, 25600.0)[number // 3 % 4]
        off = 2.5 if number % 5 < 2 else 0.0
        made_ = simulate(
            kind, seed=1000 + number, duration_s=14.0, sample_rate=rate, condition=condition, off_before_s=off
        )
        if not made_.truth["clipped_pct"]:
            yield f"simulated {kind}", alarmed(made_.recording)


def unflawed(count: int) -> Iterable[tuple[str, set[str]]]:
    """Yield alarms of the unflawed recordings of `flawed`."""
    random = np.random.default_rng(21)
    for _ in range(count):
        yield "unflawed", alarmed(recording(clean(random, (3200, 6400, 12800), 20.0)))


def on_disk(folder: Path, kind: str, pattern: str) -> Iterable[tuple[str, set[str]]]:
    """Yield alarms of recordings in a folder that can be read as they are."""
    for path in sorted(folder.glob(pattern)):
        try:
            yield kind, alarmed(vk.open_recording(path))
        except vk.VibekitError as error:
            yield kind, {f"(not read: {type(error).__name__})"}


def alarms(count: int, data: Path | None) -> None:
    """Print the false alarms."""
    samples = Path(__file__).parents[2] / "sample_recordings"
    sources: list[Callable[[], Iterable[tuple[str, set[str]]]]] = [
        lambda: simulated(count),
        lambda: unflawed(count // 3),
        lambda: (row for glob in ("*.flac", "*.wav", "*.csv") for row in on_disk(samples, "samples", glob)),
    ]
    if data is not None:
        sources.append(lambda: on_disk(data / "other_world", "other world", "w*.flac"))
        sources.append(lambda: on_disk(data / "bearing_a_more", "bearing rig", "*.npz"))
    looked: Counter[str] = Counter()
    found: dict[str, Counter[str]] = {}
    hit: Counter[str] = Counter()
    for source in sources:
        for kind, codes in source():
            looked[kind] += 1
            hit[kind] += bool(codes)
            found.setdefault(kind, Counter()).update(codes)
    print(f"\nfalse alarms: {hit.total()} of {looked.total()} ({100 * hit.total() / max(looked.total(), 1):.1f} %)")
    for kind, total in looked.items():
        print(f"  {kind:<28}{hit[kind]:>4} of {total:<5}{dict(found[kind]) or ''}")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--alarms", type=int, default=60)
    parser.add_argument("--data", type=Path)
    given = parser.parse_args()
    table()
    if given.alarms:
        alarms(given.alarms, given.data)


if __name__ == "__main__":
    main()
