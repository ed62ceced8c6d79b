"""The lines of a recording, named: spectrum over frequency or orders, or of the envelope, against the tool sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np

from vibekit.errors import Notice, RecordingLimitError, UsageError, document, refused
from vibekit.machine.lines.envelope import band_notices, most_impulsive
from vibekit.machine.lines.names import NamedLine, named_lines, wander
from vibekit.machine.lines.orders import (
    AngleSignal,
    ShaftShare,
    carried,
    order_spectrum,
    shaft_shares,
    to_angle,
    without_average,
)
from vibekit.machine.lines.resonances import Resonance, crossed_resonances
from vibekit.machine.lines.sidebands import SidebandRow, sideband_families
from vibekit.machine.lines.teeth import TeethProposal, propose_teeth, untold_mesh
from vibekit.machine.spectra.reading import FlooredSpectrum, dense, peaks, with_floor
from vibekit.machine.spectra.spectrum import Spectrum, amplitude_spectrum
from vibekit.machine.speed.estimate import MIN_DURATION_S, MIN_RATE_HZ, SpeedEstimate, estimate_speed
from vibekit.machine.train.drivetrain import ExpectedLine, expected_lines
from vibekit.recording.gaps import in_one_piece, piece_notice
from vibekit.recording.quality import verdict_on
from vibekit.recording.recording import FloatArray, Recording, SignalSource
from vibekit.recording.toolsheet import Shaft, ToolSheet

Kind = Literal["amplitude", "density", "envelope", "order"]

_SCALINGS = {"amplitude": "r.m.s. amplitude", "density": "power spectral density"}

_FLOOR_POINTS = 40


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
    if (whole := in_one_piece(recording)) is not recording:
        found = spectrum(whole, tool, kind, speed)
        return replace(found, notices=(*found.notices, *piece_notice(whole)))
    if recording.duration_s < MIN_DURATION_S:
        raise RecordingLimitError(
            f"{recording.origin.file}: {recording.duration_s:.2f} s is too short: {MIN_DURATION_S:g} s are needed"
        )
    if recording.sample_rate < MIN_RATE_HZ:
        raise RecordingLimitError(
            f"{recording.origin.file}: {recording.sample_rate:g} Hz cannot carry a line: {MIN_RATE_HZ:g} Hz are needed"
        )
    tool = tool or recording.tool
    doubts = verdict_on(recording, "speed", tool)
    if refused(doubts):
        raise RecordingLimitError(doubts[0].message, doubts[0].remedy)
    speed = speed or estimate_speed(recording, tool)
    notices = (*_speed_notices(speed), *doubts)
    crossed: tuple[Resonance, ...] | None = None
    shares: tuple[ShaftShare, ...] = ()
    rest: Spectrum | None = None
    if kind == "order":
        signal = _over_turns(recording, speed)
        floored, hz_per_unit = with_floor(carried(order_spectrum(signal), signal)), signal.hz
        rest = carried(order_spectrum(without_average(signal)), signal)
        shares = shaft_shares(recording.samples, recording.sample_rate, speed, signal)
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


def refused_spectrum(recording: SignalSource, kind: str, why: RecordingLimitError) -> dict[str, Any]:
    """Return the `spectrum` document of a recording that cannot give one, and why."""
    unknown = dict.fromkeys(("scaling", "unit", "window", "averages", "resolution_hz", "resolution_orders", "band_hz"))
    known = {"file": recording.origin.file, "kind": kind, "axes": list(recording.axes)}
    nothing: dict[str, Any] = {"of": None, "floor": None, "lines": [], "teeth_proposals": [], "resonances": None}
    nothing |= {"repeating": [], "sideband_families": []}
    remedy = why.remedy or "record at least 20 s of running at 3200 Hz or more"
    notice = Notice("no_spectrum", "refusal", str(why), remedy=remedy)
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


def _over_turns(recording: Recording, speed: SpeedEstimate) -> AngleSignal:
    """Return the recording over turns of the shaft followed."""
    signal = to_angle(recording.samples, recording.sample_rate, speed) if speed.known else None
    if signal is None:
        reason = next((n.message for n in speed.notices if n.severity == "refusal"), "no speed is known")
        raise RecordingLimitError(f"{recording.origin.file}: no order spectrum: {reason}")
    return signal


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
