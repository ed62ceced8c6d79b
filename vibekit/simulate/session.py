"""A simulated recording whose truth is known: tool, drive, forces, path to the hand, sensor."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import UsageError
from vibekit.recording.calibration import Calibration
from vibekit.recording.gravity import gravity_removed, without_gravity
from vibekit.recording.recording import Block, Origin, Recording
from vibekit.recording.sidecar import RecordingFacts, SensorFacts
from vibekit.recording.timing import measure_clock, resample
from vibekit.recording.toolsheet import ToolSheet
from vibekit.simulate import forces as acting
from vibekit.simulate.arrays import ComplexArray, FloatArray, Grid, good_length
from vibekit.simulate.drive import Course, Drive, drive_train
from vibekit.simulate.faults import settle_faults
from vibekit.simulate.files import write_session
from vibekit.simulate.gears import mesh_forces
from vibekit.simulate.impacts import bearing_forces, brush_kicks
from vibekit.simulate.path import Force, handle_spectrum, modes_of
from vibekit.simulate.presets import preset
from vibekit.simulate.rattle import loose_mount, worn_bushing
from vibekit.simulate.sensor import Sensed, Sensor, sense, sensor as sensor_named, tach_channel
from vibekit.simulate.sound import sound_channel
from vibekit.simulate.specimen import Specimen, make_specimen
from vibekit.simulate.truth import speed_track, true_magnitude

INNER_RATE_HZ = 20000.0  # everything is computed at a multiple of the sample rate of at least this
_LEAD_S = 0.5
_TAIL_S = 0.1
CONDITIONS = ("no load", "loaded", "off")


@dataclass(frozen=True)
class SimulatedSession:
    """A recording, what is true of it, and the facts to stand beside it.

    `recording` is what `read` gives for the written file, save the rounding of its bits. `sensed` is what the sensor
    gave and when (uneven for a phone). `clean` is the noise-free acceleration of the handle at the recording's rate
    [m/s²], shape (3, n). `turns` that each shaft has made, shape (n,) at `turns_rate` [Hz]: the speed track
    in `truth` is coarse.
    """

    recording: Recording
    truth: dict[str, Any]
    sensed: Sensed
    clean: FloatArray
    turns: dict[str, FloatArray]
    turns_rate: float

    def speed_hz(self, shaft: str, time_s: FloatArray, over_s: float = 0.02) -> FloatArray:
        """Return the true speed of a shaft [Hz] at times [s]: turns counted over `over_s`, two pulses of mains torque.

        Raises:
            KeyError: the tool has no such shaft.
        """
        turns = self.turns[shaft]
        at = np.arange(turns.size) / self.turns_rate
        early, late = np.clip(time_s - over_s / 2.0, 0.0, at[-1]), np.clip(time_s + over_s / 2.0, 0.0, at[-1])
        return np.asarray((np.interp(late, at, turns) - np.interp(early, at, turns)) / (late - early))

    def write(self, folder: str | Path, name: str, *, file_format: str = "wav", bits: int = 16) -> Path:
        """Write recording, sidecar, tool sheet and truth into a folder; return the recording's path.

        Raises:
            UsageError: unknown format or bits.
        """
        return write_session(self.recording, self.sensed, self.truth, Path(folder), name, file_format, bits)


def simulate(
    tool: ToolSheet | str | None = None,
    *,
    seed: int,
    duration_s: float = 20.0,
    sample_rate: float = 25600.0,
    faults: Mapping[str, float] | None = None,
    condition: str = "no load",
    off_before_s: float = 0.0,
    off_after_s: float = 0.0,
    shaft_power_w: float | None = None,
    sensor: str | Sensor = "instrument",
    tach: bool = True,
    tach_shaft: str | None = None,
    sound: bool = False,
    run: int = 1,
    position: str | None = None,
    operator: str | None = None,
) -> SimulatedSession:
    """Return a simulated recording of a tool, x y z in m/s² with tachometer and, if asked, sound; and its truth.

    `tool` is a sheet, the name of a built-in tool, or None for a small angle grinder. `seed` is the specimen: its
    ordinary scatter; `run` another recording of the same specimen. `faults` maps names (or `name@part`) to sizes in
    the unit of `vibekit.simulate.faults.FAULTS`. Off time at the ends brings run-up and coast-down with it.

    Raises:
        UsageError: unknown tool, fault, condition or sensor; times or rates that make no sense.
    """
    sheet = tool if isinstance(tool, ToolSheet) else preset(tool or "small-grinder")
    kind = sensor if isinstance(sensor, Sensor) else sensor_named(sensor)
    _require(duration_s, sample_rate, condition, off_before_s, off_after_s, seed, run)
    specimen = make_specimen(sheet, settle_faults(sheet, faults or {}), seed)
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, 1, run])))
    power = _power(specimen, shaft_power_w) if condition == "loaded" else 0.0
    course = Course(duration_s, off_before_s, off_after_s, power, condition != "off")
    grid = _grid(duration_s, sample_rate)
    drive = drive_train(specimen, course, grid, rng)
    spectrum = handle_spectrum(_forces(specimen, drive, rng), modes_of(specimen), grid.n, grid.inner)
    sensed = sense(kind, spectrum, grid, rng)
    marked = tach_shaft or specimen.output if tach else None
    pulses = _tach(specimen, drive, marked, rng) if marked else None
    heard = sound_channel(spectrum, grid, rng) if sound else None
    truth = _truth(specimen, drive, spectrum, condition, sensed) | {"seed": seed, "run": run}
    facts = RecordingFacts(
        full_scale=f"{kind.range_mps2:.6g} m/s2",
        tach_shaft=marked,
        includes_gravity=True if kind.gravity else None,
        condition=condition,
        position=position or specimen.kind.position,
        operator=operator,
        run=run,
        shaft_power_w=_mean_power(drive) if condition == "loaded" else None,
        spindle_rpm=round(truth["shafts"][specimen.output]["mean_rpm"]) if condition == "loaded" else None,
    )
    clean = np.fft.irfft(spectrum, grid.n)[:, grid.recorded]
    turns = {name: acting.shaft_turns(specimen, drive, name)[0][grid.recorded] for name in specimen.speeds_hz}
    recording = _recording(sheet, kind, sensed, grid, facts, pulses, heard)
    return SimulatedSession(recording, truth, sensed, clean, turns, sample_rate)


def _grid(duration_s: float, sample_rate: float) -> Grid:
    factor = max(1, math.ceil(INNER_RATE_HZ / sample_rate))
    n_out = round(duration_s * sample_rate)
    lead = round(_LEAD_S * sample_rate) * factor
    n = good_length(lead + n_out * factor + round(_TAIL_S * factor * sample_rate))
    return Grid(sample_rate, factor, lead, n_out, n)


def _require(duration: float, rate: float, condition: str, before: float, after: float, seed: int, run: int) -> None:
    if condition not in CONDITIONS:
        raise UsageError(f"condition {condition!r} must be one of {', '.join(CONDITIONS)}")
    if not (math.isfinite(duration) and 0.5 <= duration <= 3600):
        raise UsageError(f"duration {duration:g} s must be 0.5 to 3600")
    if not (math.isfinite(rate) and 10 <= rate <= 204800):
        raise UsageError(f"sample rate {rate:g} Hz must be 10 to 204800")
    if before < 0 or after < 0 or before + after >= duration:
        raise UsageError(f"off time {before:g} s + {after:g} s must leave some of the {duration:g} s")
    if seed < 0 or run < 0:
        raise UsageError("seed and run must not be negative")


def _power(specimen: Specimen, asked_w: float | None) -> float:
    """Return the shaft power of a loaded run [W]: as asked, within what the motor can give without stalling."""
    kind = specimen.kind
    most = 0.95 * kind.power_w / (4.0 * kind.droop)
    if asked_w is not None and not 0.0 < asked_w <= most:
        raise UsageError(f"shaft power {asked_w:g} W: tool {specimen.tool.tag} gives above 0 and at most {most:.0f} W")
    return kind.power_w if asked_w is None else asked_w


def _forces(specimen: Specimen, drive: Drive, rng: np.random.Generator) -> list[Force]:
    found: list[Force] = []
    for rotor in specimen.rotors:
        found += acting.rotor_forces(specimen, drive, rotor)
    found += acting.bent_spindle(specimen, drive)
    found += acting.orbiting_pad(specimen, drive)
    found += acting.motor_forces(specimen, drive)
    found += acting.noise_forces(specimen, drive, rng)
    found += mesh_forces(specimen, drive)
    found += bearing_forces(specimen, drive, rng)
    found += brush_kicks(specimen, drive, rng)
    found += worn_bushing(specimen, drive, rng)
    found += loose_mount(specimen, drive, rng)
    return found


def _tach(specimen: Specimen, drive: Drive, shaft: str, rng: np.random.Generator) -> FloatArray:
    if shaft not in specimen.speeds_hz:
        raise UsageError(f"tool {specimen.tool.tag}: no shaft {shaft!r} to count the turns of")
    turns, _ = acting.shaft_turns(specimen, drive, shaft)
    jitter = 2e-4 * rng.standard_normal(int(turns[-1] - turns[0]) + 4)
    return tach_channel(turns + 0.37, drive.grid, jitter)


def _on(drive: Drive) -> slice:
    """Return the samples with the trigger on, from press to release."""
    lead, rate = drive.grid.lead, drive.rate
    return slice(lead + round(drive.on_from_s * rate), min(lead + round(drive.on_to_s * rate), drive.grid.end))


def _settled(drive: Drive) -> slice:
    """Return the samples with the trigger on and the work begun: without run-up, approach and lifting off."""
    on = _on(drive)
    start = on.start + round((2.5 if drive.on_from_s > 0 else 0.0) * drive.rate)
    stop = on.stop - round((1.0 if on.stop < drive.grid.end else 0.0) * drive.rate)
    return slice(start, stop) if start < stop else on


def _mean_power(drive: Drive) -> float:
    return round(float(np.mean(drive.power_w[_settled(drive)])), 1)


def _truth(
    specimen: Specimen,
    drive: Drive,
    spectrum: ComplexArray,
    condition: str,
    sensed: Sensed,
) -> dict[str, Any]:
    whole = slice(drive.grid.lead, drive.grid.end)
    per_axis, total = true_magnitude(spectrum, drive.n, drive.rate, _on(drive))
    _, over_all = true_magnitude(spectrum, drive.n, drive.rate, whole)
    tracks = {name: acting.shaft_turns(specimen, drive, name)[1] for name in specimen.speeds_hz}
    settled = _settled(drive)
    time = (np.arange(drive.n) - drive.grid.lead) / drive.rate
    recorded = {name: track[whole] for name, track in tracks.items()}
    return {
        "document": "truth",
        "version": 1,
        "tool": specimen.tool.tag,
        "condition": condition,
        "faults": [fault.to_dict() for fault in specimen.faults],
        "healthy": not specimen.faults,
        "a_hw_mps2": per_axis,
        "a_hv_mps2": total,
        "a_hv_whole_mps2": over_all,
        "trigger_on_s": [drive.on_from_s, drive.on_to_s] if condition != "off" else None,
        "shafts": {
            name: {
                "mean_rpm": 60.0 * float(np.mean(track[settled])),
                "min_rpm": 60.0 * float(track[settled].min()),
                "max_rpm": 60.0 * float(track[settled].max()),
            }
            for name, track in tracks.items()
        },
        "speed": speed_track(time[whole], recorded),
        "unbalance_g_mm": {rotor.shaft + " " + rotor.point: rotor.unbalance_g_mm for rotor in specimen.rotors},
        "clipped_pct": 100.0 * sensed.clipped,
    }


def _recording(
    sheet: ToolSheet,
    kind: Sensor,
    sensed: Sensed,
    grid: Grid,
    facts: RecordingFacts,
    pulses: FloatArray | None,
    heard: FloatArray | None,
) -> Recording:
    rate = grid.rate
    top = kind.low_pass_hz(rate) or rate / 2.0
    worn = SensorFacts(
        range=f"{kind.range_mps2:.6g} m/s2",
        band_hz=(0.5, float(f"{min(0.9 * top, kind.mounting_hz / 3.0):.3g}")),
        mass_g=kind.mass_g or None,
        mounting=kind.mounting,
    )
    origin = Origin("simulated", None, facts, worn, sheet, Calibration.unit("m/s2"), log=("simulated",))
    samples = sensed.samples
    if kind.clock_jitter:
        clock = measure_clock([sensed.times_s], 1e-6, "simulated")
        rate = clock.timing.mean_rate_hz
        stamps = sensed.times_s
        parts = list(resample([(stamps, samples.T)], clock.start_s, rate, clock.n_frames))
        samples = np.concatenate(parts).T
        origin = replace(origin, timing=clock.timing)
        pulses = heard = None
    if kind.gravity:  # as `read` does with the written file
        blocks = without_gravity(iter([Block(0, samples)]), rate)
        samples, origin = next(blocks).acceleration, gravity_removed(origin)
    return Recording(samples, rate, ("x", "y", "z"), origin, pulses, heard)
