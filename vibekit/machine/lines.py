"""The lines of a recording, named: spectrum over frequency or orders, or of the envelope, against the tool sheet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np

from vibekit.errors import Notice, RecordingLimitError, UsageError, document
from vibekit.machine.drivetrain import SHAFT_HARMONICS, ExpectedLine, expected_lines
from vibekit.machine.envelope import band_notices, most_impulsive
from vibekit.machine.families import SidebandRow, sideband_families
from vibekit.machine.orders import ShaftShare, carried, order_spectrum, shaft_shares, to_angle, without_average
from vibekit.machine.reading import FlooredSpectrum, LineReading, dense, peaks, with_floor
from vibekit.machine.resonances import Resonance, crossed_resonances
from vibekit.machine.spectra import Spectrum, amplitude_spectrum
from vibekit.machine.speed import MIN_DURATION_S, MIN_RATE_HZ, SpeedEstimate, estimate_speed
from vibekit.machine.teeth import TeethProposal, propose_teeth, untold_mesh
from vibekit.recording.recording import FloatArray, Recording, SignalSource
from vibekit.recording.toolsheet import Shaft, ToolSheet

Kind = Literal["amplitude", "density", "envelope", "order"]

_SCALINGS = {"amplitude": "r.m.s. amplitude", "density": "power spectral density"}

_SHOWN = 60  # lines listed, the clearest ones
_FLOOR_POINTS = 40
_IN_STEP = 0.05  # of a shaft's rate: further off a multiple of it, a line is not in step with it
_SPEED_ERROR = 1e-3  # of the frequency: what a speed read from lines leaves open


@dataclass(frozen=True)
class NamedLine:
    """A line found: `frequency_hz`, `order` on shaft `of` (None without a speed), r.m.s. `amplitude` [m/s²] per axis.

    `names` are the expected lines it fits; `not_separable` those among them, or beside it, that lie closer together
    than the resolution, so that the level belongs to all of them together.
    """

    frequency_hz: float
    order: float | None
    of: str | None
    amplitude: FloatArray
    over_floor_db: FloatArray
    names: tuple[str, ...]
    not_separable: tuple[str, ...]


@dataclass(frozen=True)
class LineSpectrum:
    """A spectrum with its floor and its named lines; `speed` what the names rest on; `axes` the order of rows;
    `teeth` the tooth pairs that would fit, best first, where the sheet does not give a mesh's counts; `families` of
    sidebands at meshes. Of order spectra only: `resonances` that orders cross in a run-up, droop or coast-down (None:
    none could be told), `shares` what repeats with every turn of each shaft and what is left, `rest` the spectrum of
    what is left of the shaft followed.
    """

    file: str
    kind: Kind
    axes: tuple[str, ...]
    floored: FlooredSpectrum
    resolution_hz: float
    hz_per_unit: float
    lines: tuple[NamedLine, ...]
    expected: tuple[ExpectedLine, ...]
    speed: SpeedEstimate | None
    teeth: tuple[TeethProposal, ...]
    resonances: tuple[Resonance, ...] | None
    notices: tuple[Notice, ...]
    families: tuple[SidebandRow, ...] = ()
    shares: tuple[ShaftShare, ...] = ()
    rest: Spectrum | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the `spectrum` document."""
        spectrum = self.floored.spectrum
        return document(
            "spectrum",
            {
                "file": self.file,
                "kind": self.kind,
                "axes": list(self.axes),
                "scaling": _SCALINGS[spectrum.scaling],
                "unit": spectrum.unit,
                "window": spectrum.window,
                "averages": spectrum.averages,
                "resolution_hz": self.resolution_hz,
                "resolution_orders": spectrum.resolution if spectrum.frequency_unit == "orders" else None,
                "band_hz": list(spectrum.band_hz) if spectrum.band_hz else None,
                "of": spectrum.of or (self.speed.of if self.speed and self.speed.known else None),
                "floor": self._floor(),
                "lines": [self._line(line) for line in self.lines],
                "teeth_proposals": [proposal.to_dict() for proposal in self.teeth],
                "resonances": None if self.resonances is None else [found.to_dict() for found in self.resonances],
                "repeating": [share.to_dict(self.axes) for share in self.shares],
                "sideband_families": [family.to_dict() for family in self.families],
            },
            self.notices,
        )

    def _floor(self) -> dict[str, Any]:
        spectrum = self.floored.spectrum
        last = spectrum.frequency.size - 1
        index = np.unique(np.geomspace(max(1, last // 2000), last, _FLOOR_POINTS).astype(int))
        unit = "mps2" if spectrum.scaling == "amplitude" else "mps2_squared_per_hz"
        values = {f"{axis}_{unit}": self.floored.floor[i, index].tolist() for i, axis in enumerate(self.axes)}
        return {"frequency_hz": (spectrum.frequency[index] * self.hz_per_unit).tolist(), **values}

    def _line(self, line: NamedLine) -> dict[str, Any]:
        values = dict.fromkeys(("x", "y", "z"), None) | dict(zip(self.axes, line.amplitude.tolist(), strict=True))
        return {
            "frequency_hz": line.frequency_hz,
            "order": line.order,
            "of": line.of,
            "amplitude_mps2": values,
            "over_floor_db": float(line.over_floor_db.max()),
            "names": list(line.names),
            "not_separable": list(line.not_separable),
        }


def spectrum(
    recording: Recording,
    tool: ToolSheet | None = None,
    kind: Kind = "amplitude",
    speed: SpeedEstimate | None = None,
) -> LineSpectrum:
    """Return the lines in a recording, each with level, height over the noise and what it may be.

    `kind`: "amplitude" over frequency, "density" (the same lines, with spectrum and noise as power spectral density),
    "order" over turns of the shaft followed (needs a speed), "envelope" of the band in which impacts ring (over turns
    where the speed is known). `speed` saves estimating it again.

    Raises:
        UsageError: unknown kind.
        RecordingLimitError: too short, sampled too slowly, or an order spectrum without a speed.
    """
    if kind not in get_args(Kind):
        raise UsageError(f"kind {kind!r} is not one of {', '.join(get_args(Kind))}")
    if recording.duration_s < MIN_DURATION_S:
        raise RecordingLimitError(
            f"{recording.origin.file}: {recording.duration_s:.2f} s is too short: {MIN_DURATION_S:g} s are needed"
        )
    if recording.sample_rate < MIN_RATE_HZ:
        raise RecordingLimitError(
            f"{recording.origin.file}: {recording.sample_rate:g} Hz cannot carry a line: {MIN_RATE_HZ:g} Hz are needed"
        )
    tool = tool or recording.tool
    speed = speed or estimate_speed(recording, tool)
    notices = _speed_notices(speed)
    crossed: tuple[Resonance, ...] | None = None
    shares: tuple[ShaftShare, ...] = ()
    rest: Spectrum | None = None
    if kind == "order":
        floored, rest, hz_per_unit = _over_orders(recording, speed)
        shares = shaft_shares(recording.samples, recording.sample_rate, speed)
        crossed, why_not = crossed_resonances(recording, speed, tool)
        notices += why_not
    elif kind == "envelope":
        floored, hz_per_unit = most_impulsive(recording, speed, tool)
        notices += band_notices(recording, floored)
    else:
        floored, hz_per_unit = with_floor(amplitude_spectrum(running(recording, speed), recording.sample_rate)), 1.0
        notices += _smeared(speed, floored.spectrum.resolution)
    highest = float(floored.spectrum.frequency[-1]) * hz_per_unit
    rates = _rates(speed, hz_per_unit if floored.spectrum.frequency_unit == "orders" else None)
    expected = _expected(tool, rates, highest)
    named = named_lines(peaks(floored), expected, floored, hz_per_unit, speed)
    teeth = propose_teeth(recording, tool, speed) if tool is not None else ()
    return LineSpectrum(
        recording.origin.file,
        kind,
        recording.axes,
        dense(floored) if kind == "density" else floored,
        floored.spectrum.resolution * hz_per_unit,
        hz_per_unit,
        named,
        expected,
        speed,
        teeth,
        crossed,
        notices + _teeth_notices(teeth, tool, speed),
        sideband_families(floored, hz_per_unit, tool, rates) if kind != "envelope" else (),
        shares,
        rest,
    )


def refused_spectrum(recording: SignalSource, kind: str, reason: str) -> dict[str, Any]:
    """Return the `spectrum` document of a recording that cannot give one, and why."""
    unknown = dict.fromkeys(("scaling", "unit", "window", "averages", "resolution_hz", "resolution_orders", "band_hz"))
    known = {"file": recording.origin.file, "kind": kind, "axes": list(recording.axes)}
    nothing: dict[str, Any] = {"of": None, "floor": None, "lines": [], "teeth_proposals": [], "resonances": None}
    nothing |= {"repeating": [], "sideband_families": []}
    notice = Notice("no_spectrum", "refusal", reason, remedy="record at least 20 s of running at 3200 Hz or more")
    return document("spectrum", {**known, **unknown, **nothing}, [notice])


def running(recording: Recording, speed: SpeedEstimate | None) -> FloatArray:
    """Return the longest stretch at speed (steady or loaded), or everything where no speed is known [m/s²]."""
    if speed is None or not speed.known:
        return recording.samples
    stretches: list[list[float]] = []
    for segment in speed.segments:
        if segment.state not in ("steady", "loaded"):
            continue
        if stretches and abs(stretches[-1][1] - segment.start_s) < 1e-6:
            stretches[-1][1] = segment.stop_s
        else:
            stretches.append([segment.start_s, segment.stop_s])
    if not stretches:
        return recording.samples
    start, stop = max(stretches, key=lambda s: s[1] - s[0])
    part = recording.samples[:, round(start * recording.sample_rate) : round(stop * recording.sample_rate)]
    return part if part.shape[1] > MIN_DURATION_S * recording.sample_rate / 2 else recording.samples


def _over_orders(recording: Recording, speed: SpeedEstimate) -> tuple[FlooredSpectrum, Spectrum, float]:
    """Return the order spectrum, that of what does not repeat every turn, and the mean speed [Hz]."""
    signal = to_angle(recording.samples, recording.sample_rate, speed) if speed.known else None
    if signal is None:
        reason = next((n.message for n in speed.notices if n.severity == "refusal"), "no speed is known")
        raise RecordingLimitError(f"{recording.origin.file}: no order spectrum: {reason}")
    rest = carried(order_spectrum(without_average(signal)), signal)
    return with_floor(carried(order_spectrum(signal), signal)), rest, signal.hz


def _smeared(speed: SpeedEstimate, resolution_hz: float) -> tuple[Notice, ...]:
    """Return a caution where the speed wanders so much that the lines of the shaft are spread over bins."""
    spread = wander(speed)
    if not speed.known or spread * speed.shaft_hz[speed.of] < resolution_hz:
        return ()
    return (
        Notice(
            "lines_smeared",
            "caution",
            f"the speed wanders by {100 * spread:.1f} %: lines are spread over frequency and read too low",
            value=100 * spread,
            limit=100 * resolution_hz / speed.shaft_hz[speed.of],
            remedy="use the order spectrum (--kind order), in which they stand still",
        ),
    )


def _teeth_notices(
    teeth: tuple[TeethProposal, ...], tool: ToolSheet | None, speed: SpeedEstimate
) -> tuple[Notice, ...]:
    mesh = untold_mesh(tool, speed) if tool is not None and speed.known else None
    if mesh is None:
        return ()
    if not teeth:
        untold = f"the lines do not carry a proposal for the teeth of {mesh.driver} and {mesh.driven}"
        remedy = "record without load at a steady speed, or count the teeth at the next opening"
        return (Notice("teeth_not_told", "info", untold, remedy=remedy),)
    best = teeth[0]
    rivals = ", ".join(f"{t.driver_teeth}/{t.driven_teeth} ({t.chance:.2f})" for t in teeth[1:])
    return (
        Notice(
            "teeth_proposed",
            "info",
            f"the lines fit {best.driver_teeth} teeth on {best.driver} and {best.driven_teeth} on {best.driven} "
            f"(chance {best.chance:.2f}{'; rivals ' + rivals if rivals else ''})",
            remedy="count the teeth at the next opening and write them into the tool sheet",
        ),
    )


def _speed_notices(speed: SpeedEstimate) -> tuple[Notice, ...]:
    if speed.known:
        return speed.notices
    return (
        Notice(
            "lines_unnamed",
            "caution",
            "no speed could be told: lines are listed without orders and names",
            remedy=next((n.message for n in speed.notices), None),
        ),
    )


def _rates(speed: SpeedEstimate, turning_hz: float | None) -> dict[str, float]:
    """Return the rate of every shaft [Hz], none without a speed.

    `turning_hz` is the speed of the shaft followed where it is not its median (order spectra: its mean).
    """
    if not speed.known:
        return {}
    turning = speed.shaft_hz[speed.of] if turning_hz is None else turning_hz
    return {name: ratio * turning for name, ratio in speed.ratios.items()}


def _expected(tool: ToolSheet | None, rates: Mapping[str, float], highest_hz: float) -> tuple[ExpectedLine, ...]:
    """Return what the sheet predicts, or without a sheet the harmonics of the one shaft known."""
    if not rates:
        return ()
    sheet = tool or ToolSheet("", shafts=tuple(Shaft(name) for name in rates))
    return expected_lines(sheet, rates, highest_hz)


def named_lines(
    found: Sequence[LineReading],
    expected: Sequence[ExpectedLine],
    floored: FlooredSpectrum,
    hz_per_unit: float,
    speed: SpeedEstimate,
) -> tuple[NamedLine, ...]:
    """Return the clearest of the lines found, each with its order and the expected lines that it fits."""
    resolution = floored.spectrum.resolution * hz_per_unit
    clearest = sorted(found, key=lambda reading: -reading.best_db)[:_SHOWN]
    turning = speed.shaft_hz.get(speed.of)
    over_orders = floored.spectrum.frequency_unit == "orders"
    lines = []
    for reading in sorted(clearest, key=lambda r: r.frequency):
        hz = reading.frequency * hz_per_unit
        names = fitting(hz, expected, resolution, 0.0 if over_orders else wander(speed))
        order = None if turning is None else reading.frequency if over_orders else hz / turning
        close = [e.name for e in expected if abs(e.frequency_hz - hz) <= resolution]
        lines.append(
            NamedLine(
                hz,
                order,
                speed.of if turning else None,
                reading.amplitude,
                reading.over_floor_db,
                names,
                tuple(close) if len(close) > 1 else (),
            )
        )
    return tuple(lines)


def wander(speed: SpeedEstimate) -> float:
    """Return the share by which the speed wanders about its median while the tool is at speed (a robust spread)."""
    shaft = next((s for s in speed.shafts if s.name == speed.of), None)
    if shaft is None:
        return 0.0
    known = speed.hz[np.isfinite(speed.hz) & (speed.hz >= shaft.min_hz) & (speed.hz <= shaft.max_hz)]
    return float(np.median(np.abs(known / shaft.median_hz - 1.0))) if known.size else 0.0


def fitting(hz: float, expected: Sequence[ExpectedLine], resolution_hz: float, spread: float = 0.0) -> tuple[str, ...]:
    """Return the names of the expected lines that a line at `hz` fits, the closest first.

    A line tied to the train fits within the resolution (and what the speed wanders, `spread`), higher multiples of a
    shaft's rate than the sheet's lines go to as well; a bearing line also within its slip, but only where nothing that
    is tied to the train fits.
    """

    def off(line: ExpectedLine) -> float:
        return abs(line.frequency_hz - hz)

    def within(line: ExpectedLine) -> float:
        return max(0.75 * resolution_hz, (_SPEED_ERROR + spread) * hz if line.shaft else 0.0)

    tied = [e for e in expected if e.kind != "bearing" and off(e) <= within(e)]
    if tied:
        # a plain harmonic or mesh line is likelier than a high sideband that happens to lie as close
        ranked = sorted(tied, key=lambda e: (e.kind == "sideband", off(e)))
        return tuple(dict.fromkeys(e.name for e in ranked[:3]))
    for turning in sorted(
        (e for e in expected if e.kind == "shaft" and e.harmonic == 1), key=lambda e: -e.frequency_hz
    ):
        multiple = round(hz / turning.frequency_hz)
        reach = min(within(turning), _IN_STEP * turning.frequency_hz)
        if multiple > SHAFT_HARMONICS and abs(hz - multiple * turning.frequency_hz) <= reach:
            return (f"{turning.part} {multiple}x",)
    slipped = [e for e in expected if e.kind == "bearing" and off(e) <= max(resolution_hz, e.tolerance * hz)]
    return tuple(dict.fromkeys(e.name for e in sorted(slipped, key=off)[:3]))
