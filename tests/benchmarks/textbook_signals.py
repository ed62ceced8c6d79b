"""Textbook signals: tools written from handbook formulas alone, a second opinion beside the fleet of simulated tools.

Nothing here knows the simulator on which the judgement was fitted: no structure, no load path, no sensor. A recording
is a sum of lines at multiples of shaft rates, amplitude and phase modulation, impacts that ring in one mode, and noise,
as the books draw them. Amplitudes are those common on handheld tools (m/s² at the handle; common practice, no source).

Signatures, from memory: R. B. Randall, Vibration-based Condition Monitoring, Wiley 2011, ch. 2 (unbalance, bent shaft,
looseness, gears, bearings, electrical machines) and ch. 5 (impacts with slip); ISO 13373-2 and -3 (annexes: imbalance,
bent shaft, looseness, gears, rolling bearings); ISO 15243 for where damage sits in a rolling bearing; for the slip
Randall and Antoni, Mech. Syst. Signal Process. 25 (2011) 485; bearing sizes of common series (ISO 15, makers' tables).
What is said of them: `tests.benchmarks.textbook_validation`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

from tests.benchmarks.textbook_tools import Tool, defect_rates, draw_tool, sheet_text

AXES = ("x", "y", "z")
SPAN = 10.0  # s
FULL_SCALE = 4000.0  # m/s²


@dataclass
class Signal:
    """A recording in the making: turns of the first shaft at each sample, and what was added so far [m/s²]."""

    tool: Tool
    rng: np.random.Generator
    rate: float
    turns: np.ndarray
    out: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        self.out = np.zeros((3, len(self.turns)))

    @property
    def time(self) -> np.ndarray:
        """Return the time of each sample [s]."""
        return np.arange(len(self.turns)) / self.rate

    def of(self, shaft: int) -> np.ndarray:
        """Return the turns of a shaft."""
        return self.turns * self.tool.ratios[shaft]

    def hz(self, shaft: int) -> float:
        """Return the mean rate of a shaft [Hz]."""
        return float((self.of(shaft)[-1] - self.of(shaft)[0]) / (len(self.turns) / self.rate))

    def gains(self, spread_db: float = 3.0) -> np.ndarray:
        """Return complex gains of a line on the three axes: some path to the handle, nothing more."""
        size, turn = self.rng.normal(0, spread_db, 3), self.rng.random(3)
        return np.asarray(10 ** (size / 20) * np.exp(2j * np.pi * turn))

    def radial(self, shaft: int) -> np.ndarray:
        """Return the gains of a force that turns with the shaft: both radial axes a quarter apart, little along it."""
        gains = self.gains(1.5)
        axial = self.tool.axials[shaft]
        across = [k for k in range(3) if k != axial]
        start = self.rng.random()
        gains[across] = np.abs(gains[across]) * np.exp(2j * np.pi * (start + np.array([0, 0.25])))
        gains[axial] *= 0.15
        return gains

    def axial(self, shaft: int) -> np.ndarray:
        """Return the gains of a shake along the shaft, a third of it across."""
        gains = self.gains(1.5) / 3
        gains[self.tool.axials[shaft]] *= 3
        return gains

    def line(self, cycles: np.ndarray, peak: float | np.ndarray, gains: np.ndarray | None = None) -> None:
        """Add a line of that peak; what would lie above half the sample rate is left out."""
        if len(cycles) and (cycles[-1] - cycles[0]) / (len(cycles) - 1) > 0.48:
            return
        spin = peak * np.exp(2j * np.pi * cycles)
        for axis, gain in enumerate(self.gains() if gains is None else gains):
            self.out[axis] += (gain * spin).real

    def impacts(self, at_s: np.ndarray, peaks: np.ndarray, mode_hz: float, damping: float) -> None:
        """Add impacts that ring in a mode: exp(-2π ζ f t) sin(2π f t) after each (Randall 2011, ch. 2.2.3)."""
        n = len(self.turns)
        train = np.zeros(n)
        where = np.round(at_s * self.rate).astype(int)
        keep = (where >= 0) & (where < n)
        np.add.at(train, where[keep], peaks[keep])
        t = np.arange(int(8 / (2 * np.pi * damping * mode_hz) * self.rate) + 1) / self.rate
        ring = np.exp(-2 * np.pi * damping * mode_hz * t) * np.sin(2 * np.pi * mode_hz * t)
        size = n + len(ring)
        heard = np.fft.irfft(np.fft.rfft(train, size) * np.fft.rfft(ring, size), size)[:n]
        self.out += np.abs(self.gains())[:, None] * heard

    def when(self, turns: np.ndarray, cycles: np.ndarray) -> np.ndarray:
        """Return the times [s] at which a count of cycles reaches the given numbers."""
        return np.asarray(np.interp(cycles, turns, self.time))

    def mode_hz(self, low: float, high: float) -> float:
        """Return a mode [Hz] between two limits and well inside the band recorded."""
        return float(self.rng.uniform(low, min(high, 0.4 * self.rate)))


def shaft_turns(rng: np.random.Generator, rate: float, rated_hz: float, course: str) -> np.ndarray:
    """Return the turns of the first shaft: `constant`, `wander` (0.2 %), `droop` (5 to 20 % under load) or `run-up`."""
    t = np.arange(int(SPAN * rate)) / rate
    hz = np.full(len(t), rated_hz * rng.uniform(0.96, 1.0))
    if course != "constant":
        slow = sum(np.sin(2 * np.pi * f * t + 2 * np.pi * rng.random()) for f in rng.uniform(0.1, 0.8, 3))
        hz *= 1 + 0.002 * np.sqrt(2 / 3) * slow
    if course == "droop":
        hz *= 1 - rng.uniform(0.05, 0.2) / (1 + np.exp(-(t - 1.5) / 0.15))
    if course == "run-up":
        hz *= np.minimum(1.0, 0.35 + 0.65 * t / 8)
    return np.asarray(np.cumsum(hz) / rate)


def noise(signal: Signal, rms: float, pink: bool) -> None:
    """Add noise of that r.m.s. over the whole band [m/s²], white or pink (above 5 Hz)."""
    n = len(signal.turns)
    for axis in range(3):
        spectrum = np.fft.rfft(signal.rng.standard_normal(n))
        if pink:
            spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(n, 1 / signal.rate), 5.0))
        wave = np.fft.irfft(spectrum, n)
        signal.out[axis] += wave * rms / wave.std() * signal.rng.uniform(0.7, 1.4)


def ordinary_1x(signal: Signal, shaft: int) -> float:
    """Return the peak that the usual unbalance of a shaft gives a free body of the tool's mass, U·ω²/m [m/s²].

    Accessories: 30 g·mm a disc, 2 a burr, 40 a chuck with its bit (common practice, no source). Rotor: 0.6 g·mm,
    that is 0.3 kg to G 6.3 at 500 Hz (ISO 21940-11). Gears between them: 5.
    """
    tool = signal.tool
    last = shaft == len(tool.shafts) - 1
    of_accessory = {"grinding disc": 30.0, "burr": 2.0, "drill bit": 40.0}[tool.accessory]
    g_mm = of_accessory if last else 0.6 if shaft == 0 else 5.0
    return g_mm * 1e-6 * (2 * np.pi * signal.hz(shaft)) ** 2 / tool.mass_kg


def mesh_lines(
    signal: Signal,
    mesh: int,
    peaks: tuple[float, ...],
    depth: tuple[float, float],
    wobble: tuple[float, float] = (0, 0),
) -> None:
    """Add the harmonics of a mesh with amplitude and phase modulation by the two shafts (Randall 2011, ch. 2.3.2)."""
    a, b, teeth, _ = signal.tool.meshes[mesh]
    phase_a, phase_b = signal.of(a) + signal.rng.random(), signal.of(b) + signal.rng.random()
    loud = (1 + depth[0] * np.cos(2 * np.pi * phase_a)) * (1 + depth[1] * np.cos(2 * np.pi * phase_b))
    late = (wobble[0] * np.sin(2 * np.pi * phase_a) + wobble[1] * np.sin(2 * np.pi * phase_b)) / (2 * np.pi)
    for k, peak in enumerate(peaks, 1):
        signal.line(k * (signal.of(a) * teeth + late), peak * loud)


def sound_tool(signal: Signal) -> None:
    """Add what every tool does: residual unbalance, mesh with weak sidebands, fan, brushes, a little of the mains."""
    rng, tool = signal.rng, signal.tool
    for shaft in range(len(tool.shafts)):
        first = ordinary_1x(signal, shaft) * rng.uniform(0.6, 1.5)
        signal.line(signal.of(shaft), first, signal.radial(shaft))
        signal.line(2 * signal.of(shaft), first * rng.uniform(0.03, 0.15))
        signal.line(3 * signal.of(shaft), first * rng.uniform(0.02, 0.08))
    for mesh in range(len(tool.meshes)):
        first = rng.uniform(1.0, 4.0)
        mesh_lines(
            signal,
            mesh,
            (first, first * rng.uniform(0.2, 0.5), first * rng.uniform(0.1, 0.25)),
            tuple(rng.uniform(0.02, 0.1, 2)),
        )
    if tool.blades:
        signal.line(tool.blades * signal.of(0), rng.uniform(0.1, 0.4))
    if tool.bars:
        signal.line(tool.bars * signal.of(0), rng.uniform(0.05, 0.3))
    if tool.line_hz:
        signal.line(2 * tool.line_hz * signal.time, rng.uniform(0.03, 0.15))


# One function per fault: adds the signature, `big` is 1 for clear, 0.3 to 0.5 for moderate, and returns where it sits.


def accessory_imbalance(signal: Signal, big: float) -> str:
    """1x of the shaft that carries the accessory, radial (ISO 13373-3, imbalance)."""
    last = len(signal.tool.shafts) - 1
    signal.line(signal.of(last), signal.rng.uniform(6, 10) * ordinary_1x(signal, last) * big, signal.radial(last))
    return signal.tool.shafts[last]


def armature_imbalance(signal: Signal, big: float) -> str:
    """1x of the armature, radial (ISO 13373-3, imbalance)."""
    signal.line(signal.of(0), signal.rng.uniform(6, 10) * ordinary_1x(signal, 0) * big, signal.radial(0))
    return signal.tool.shafts[0]


def bent_spindle(signal: Signal, big: float) -> str:
    """1x and 2x of the spindle, strong along it (ISO 13373-3, bent shaft)."""
    last = len(signal.tool.shafts) - 1
    first = signal.rng.uniform(2, 5) * ordinary_1x(signal, last) * big
    signal.line(signal.of(last), first, signal.axial(last))
    signal.line(2 * signal.of(last), first * signal.rng.uniform(0.3, 0.8), signal.axial(last))
    return signal.tool.shafts[last]


def gear_wear(signal: Signal, big: float) -> str:
    """Mesh harmonics up, the second most, with symmetric sidebands of both shafts (Randall 2011, ch. 2.3.2)."""
    mesh = int(signal.rng.integers(len(signal.tool.meshes)))
    first = signal.rng.uniform(8, 20) * big
    mesh_lines(
        signal,
        mesh,
        (first, first * signal.rng.uniform(0.6, 1.2), first * 0.5, first * 0.25),
        tuple(signal.rng.uniform(0.2, 0.5, 2)),
    )
    return "-".join(signal.tool.shafts[k] for k in signal.tool.meshes[mesh][:2])


def gear_eccentric(signal: Signal, big: float) -> str:
    """Mesh modulated once per turn of the eccentric gear, amplitude and phase, and its 1x (Randall 2011, ch. 2.3.2)."""
    mesh = int(signal.rng.integers(len(signal.tool.meshes)))
    side = int(signal.rng.integers(2))
    depth, wobble = [0.05, 0.05], [0.0, 0.0]
    depth[side], wobble[side] = 0.4 + 0.5 * big, 1.2 * big
    first = signal.rng.uniform(2, 5)
    mesh_lines(signal, mesh, (first, first * 0.4, first * 0.2), (depth[0], depth[1]), (wobble[0], wobble[1]))
    shaft = signal.tool.meshes[mesh][side]
    signal.line(signal.of(shaft), signal.rng.uniform(0.8, 1.5) * ordinary_1x(signal, shaft) * big, signal.radial(shaft))
    return signal.tool.shafts[shaft]


def chipped_tooth(signal: Signal, big: float) -> str:
    """One impact per turn of the gear, ringing in a mode: sidebands by the dozen (Randall 2011, ch. 2.3.2, 5.4)."""
    mesh = int(signal.rng.integers(len(signal.tool.meshes)))
    shaft = signal.tool.meshes[mesh][int(signal.rng.integers(2))]
    hits = np.arange(int(signal.of(shaft)[0]), int(signal.of(shaft)[-1])) + signal.rng.random()
    peaks = signal.rng.uniform(40, 100) * big * signal.rng.lognormal(0, 0.15, len(hits))
    signal.impacts(
        signal.when(signal.of(shaft), hits), peaks, signal.mode_hz(1500, 4500), signal.rng.uniform(0.02, 0.05)
    )
    return signal.tool.shafts[shaft]


def worn_bushing(signal: Signal, big: float) -> str:
    """Many harmonics of the shaft, half orders among them, and a raised floor (ISO 13373-3, loose in the bearing)."""
    name, shaft = signal.tool.bushing
    first = signal.rng.uniform(0.5, 1.2) * ordinary_1x(signal, shaft) * big
    for k in range(1, 11):
        signal.line(k * signal.of(shaft), first * signal.rng.uniform(0.4, 1.2) * k**-0.5)
        signal.line((k - 0.5) * signal.of(shaft), first * signal.rng.uniform(0.1, 0.4) * k**-0.5)
    noise(signal, 1.0 * big, False)
    return name


def slipping_hits(signal: Signal, shaft: int, per_turn: float) -> tuple[np.ndarray, np.ndarray]:
    """Return times [s] of hits at a defect rate, intervals 0.7 % random (Randall, Antoni 2011), and the turns then."""
    count = int((signal.of(shaft)[-1] - signal.of(shaft)[0]) * per_turn)
    at = signal.of(shaft)[0] + np.cumsum(1 + 0.007 * signal.rng.standard_normal(count)) / per_turn
    return signal.when(signal.of(shaft), at), at


def rolling_fault(signal: Signal, big: float, race: str) -> str:
    """Impacts at the defect rate, as loud as the load at the damage (Randall 2011, ch. 2.2.3; ISO 15243)."""
    name, shaft, size = signal.tool.bearings[int(signal.rng.integers(len(signal.tool.bearings)))]
    rates = defect_rates(*size)
    per_turn = {"outer": rates["outer"], "inner": rates["inner"], "ball": 2 * rates["ball"]}[race]
    at_s, at = slipping_hits(signal, shaft, per_turn)
    carried = {"outer": 0.0, "inner": 1.0, "ball": rates["cage"]}[race]
    loud = 1 + (0.8 if carried else 0.0) * np.cos(2 * np.pi * (carried * at + signal.rng.random()))
    peaks = signal.rng.uniform(25, 60) * big * loud * signal.rng.lognormal(0, 0.15, len(at))
    signal.impacts(at_s, peaks, signal.mode_hz(3000, 8000), signal.rng.uniform(0.03, 0.06))
    return name


def bearing_cage(signal: Signal, big: float) -> str:
    """Cage rate and its harmonics, sidebands of 1x at cage rate, and noise that comes with it (ISO 13373-3)."""
    name, shaft, size = signal.tool.bearings[int(signal.rng.integers(len(signal.tool.bearings)))]
    cage = defect_rates(*size)["cage"] * signal.of(shaft)
    first = signal.rng.uniform(0.5, 1.2) * ordinary_1x(signal, shaft) * big
    for k in (1, 2, 3):
        signal.line(k * cage, first / k)
    for side in (-1, 1):
        signal.line(signal.of(shaft) + side * cage, first * 0.3)
    hits, at = slipping_hits(signal, shaft, defect_rates(*size)["cage"])
    signal.impacts(
        hits, signal.rng.uniform(15, 40) * big * signal.rng.lognormal(0, 0.3, len(at)), signal.mode_hz(2000, 5000), 0.05
    )
    return name


def loose_mount(signal: Signal, big: float) -> str:
    """Subharmonics, their multiples, and irregular rattling (Randall 2011, ch. 2.2.1; ISO 13373-3, looseness)."""
    last = len(signal.tool.shafts) - 1
    part = signal.rng.choice([2, 2, 3])
    first = signal.rng.uniform(0.5, 1.2) * ordinary_1x(signal, last) * big
    for k in range(1, 4 * part + 1):
        signal.line(k * signal.of(last) / part, first * signal.rng.uniform(0.3, 1.0) / k**0.5)
    count = int((signal.of(last)[-1] - signal.of(last)[0]) / part)
    hits = signal.of(last)[0] + part * (np.arange(count) + signal.rng.normal(0, 0.08, count))
    signal.impacts(
        signal.when(signal.of(last), hits),
        signal.rng.uniform(30, 70) * big * signal.rng.lognormal(0, 0.6, count),
        signal.mode_hz(500, 2500),
        0.05,
    )
    return "mount"


def commutation(signal: Signal, big: float) -> str:
    """Bars times armature rate, its double, sidebands of the armature (common practice, no source)."""
    bars, first = signal.tool.bars, signal.rng.uniform(4, 10) * big
    for k in (1, 2):
        for side, share in ((0, 1.0), (-1, 0.3), (1, 0.3), (-2, 0.15), (2, 0.15)):
            signal.line((k * bars + side) * signal.of(0), first * share / k)
    return signal.tool.shafts[0]


def mains(signal: Signal, big: float) -> str:
    """Twice the mains rate and its multiples, whatever the shaft does (Randall 2011, ch. 2.4)."""
    first = signal.rng.uniform(5, 15) * big
    for k in (1, 2, 3):
        signal.line(2 * k * signal.tool.line_hz * signal.time, first / k**1.5)
    return "motor"


def resonance(signal: Signal, big: float) -> str:
    """A mode that 1x of the spindle comes to at full speed: gain and phase of one degree of freedom over the run-up."""
    last = len(signal.tool.shafts) - 1
    rate = np.gradient(signal.of(last)) * signal.rate
    ratio = rate / (signal.rng.uniform(0.95, 1.02) * rate.max())
    response = ratio**2 / (1 - ratio**2 + 2j * signal.rng.uniform(0.015, 0.04) * ratio)
    spin = response * np.exp(2j * np.pi * signal.of(last)) * 0.5 * ordinary_1x(signal, last) * big
    for axis, gain in enumerate(signal.gains()):
        signal.out[axis] += (gain * spin).real
    return "handle"


ADD: dict[str, Callable[[Signal, float], str]] = {
    "healthy": lambda signal, big: "",
    "imbalance.accessory": accessory_imbalance,
    "imbalance.armature": armature_imbalance,
    "spindle.bent": bent_spindle,
    "gear.wear": gear_wear,
    "gear.eccentric": gear_eccentric,
    "gear.tooth": chipped_tooth,
    "bushing.worn": worn_bushing,
    "bearing.outer_race": lambda signal, big: rolling_fault(signal, big, "outer"),
    "bearing.inner_race": lambda signal, big: rolling_fault(signal, big, "inner"),
    "bearing.rolling_element": lambda signal, big: rolling_fault(signal, big, "ball"),
    "bearing.cage": bearing_cage,
    "mount.loose": loose_mount,
    "electrical.commutation": commutation,
    "electrical.mains": mains,
    "resonance": resonance,
}

FAULTS = tuple(ADD)


@dataclass(frozen=True)
class Textbook:
    """A recording with its truth: fault and where it sits, `hz` of the first shaft every 10 ms, `samples` [m/s²].

    Shapes: hz (n_steps,), samples (n_axes, n_samples).
    """

    tool: Tool
    fault: str
    size: str
    course: str
    rate: int
    noise_rms: float
    pink: bool
    where: str
    hz: np.ndarray
    samples: np.ndarray


def can_show(tool: Tool, fault: str, rate: float) -> bool:
    """Return whether such a tool can have the fault, and the rate carries its lines."""
    top = {"gear": [teeth * tool.ratios[a] * tool.rated_hz * 2.2 for a, _, teeth, _ in tool.meshes]}
    need = max(top["gear"], default=0.0) if fault in ("gear.wear", "gear.eccentric") else 0.0
    need = tool.bars * tool.rated_hz * 1.2 if fault == "electrical.commutation" else need
    need = 9000.0 if fault.startswith("bearing") else need
    parts = {
        "gear": bool(tool.meshes),
        "electrical.commutation": tool.bars > 0,
        "electrical.mains": tool.line_hz > 0,
        "imbalance.armature": len(tool.shafts) > 1,
    }
    has = parts.get(fault, parts.get(fault.split(".")[0], True))
    return has and need < rate / 2


def make(seed: int, fault: str, size: str = "clear", axes: int = 3) -> Textbook:
    """Return a textbook recording of a random tool with that fault, `clear` or `moderate`."""
    rng = np.random.default_rng([seed, FAULTS.index(fault), size == "clear"])
    tool, rate = draw_tool(rng), int(rng.choice([12800, 25600, 51200]))
    while not can_show(tool, fault, rate):
        tool, rate = draw_tool(rng), int(rng.choice([12800, 25600, 51200]))
    course = "run-up" if fault == "resonance" else str(rng.choice(["constant", "wander", "droop"]))
    signal = Signal(tool, rng, rate, shaft_turns(rng, rate, tool.rated_hz, course))
    sound_tool(signal)
    where = ADD[fault](signal, 1.0 if size == "clear" else rng.uniform(0.3, 0.5))
    rms, pink = float(np.exp(rng.uniform(np.log(0.3), np.log(5.0)))), bool(rng.random() < 0.4)
    noise(signal, rms * (2.0 if course == "droop" else 1.0), pink)
    hz = np.diff(signal.turns[:: rate // 100]) * rate / (rate // 100)
    return Textbook(tool, fault, size, course, rate, rms, pink, where, hz, signal.out[3 - axes :])


def write(folder: Path, case: Textbook, name: str = "run", teeth: bool = True, mass: bool = True) -> Path:
    """Write WAV, sidecar and tool sheet for the command line; return the WAV."""
    path = folder / f"{name}.wav"
    soundfile.write(path, case.samples.T / FULL_SCALE, case.rate, subtype="FLOAT")
    (folder / f"{name}-tool.toml").write_text(sheet_text(case.tool, teeth, mass))
    names = ", ".join(f'"{axis}"' for axis in AXES[3 - len(case.samples) :])
    condition = "loaded" if case.course == "droop" else "no load"
    facts = [
        "[recording]",
        f'full_scale = "{FULL_SCALE:.0f} m/s2"',
        f"axes = [{names}]",
        f'tool = "{name}-tool.toml"',
        f'condition = "{condition}"',
    ]
    (folder / f"{name}.toml").write_text("\n".join(facts) + "\n")
    return path
