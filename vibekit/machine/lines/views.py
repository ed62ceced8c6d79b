"""The views of one recording that evidence is read from: orders, hertz, envelope, averages over turns."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from vibekit.machine.lines.orders import AngleSignal, order_spectrum, synchronous_average, to_angle
from vibekit.machine.spectra.impacts import impact_band, levelled
from vibekit.machine.spectra.reading import FlooredSpectrum, read_line, with_floor
from vibekit.machine.spectra.spectrum import Spectrum, amplitude_spectrum, envelope_spectrum
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.recording.limits import band_covered
from vibekit.recording.recording import FloatArray, Recording
from vibekit.recording.toolsheet import ToolSheet

LOW_BAND_HZ = (5.0, 1400.0)  # where the hand feels and shafts turn
HIGH_BAND_HZ = (1000.0, 12000.0)  # where gears mesh and impacts ring
_TURNS = 96  # of the reference shaft per segment, at most
_SHORT_TURNS = 32  # per segment for lines that slip: they are not sharper
_LEAST_TURNS = 48  # below, a spectrum over orders has too few segments to know its floor
_LEVELLED_BAND = (0.04, 0.45)  # of the sample rate over angle: clear of the lowest shaft lines and of the edge
_TINY = 1e-9  # m/s²: below any sensor's noise; keeps ratios finite
_MEDIAN_TO_RMS = 0.833  # of noise amplitudes: sqrt(ln 2), Rayleigh


@dataclass(frozen=True)
class Line:
    """One expected line as found: r.m.s. level over all axes [m/s²], over the noise [dB], the axis it stands out on."""

    name: str
    order: float | None
    frequency_hz: float
    amplitude_mps2: float
    over_floor_db: float
    axis: str
    by_axis_mps2: tuple[float, ...]


@dataclass(frozen=True)
class View:
    """A spectrum made ready for reading lines by name; `hz_per_unit` turns its frequency unit into Hz.

    Above `top_hz` nothing is read: what the recording does not carry, though the samples over angle are closer.
    """

    floored: FlooredSpectrum
    axes: tuple[str, ...]
    hz_per_unit: float
    top_hz: float = math.inf

    def read(self, name: str, at: float, tolerance: float = 0.0) -> Line | None:
        """Return what stands within ± `tolerance` (share) of `at` [Hz or orders]; None outside the band."""
        if at * self.hz_per_unit > self.top_hz:
            return None
        reading = read_line(self.floored, at, tolerance)
        if not reading.in_band:
            return None
        return Line(
            name,
            reading.frequency if self.floored.spectrum.frequency_unit != "Hz" else None,
            reading.frequency * self.hz_per_unit,
            float(np.sqrt(np.square(reading.amplitude).sum())),
            reading.best_db,
            self.axes[reading.axis],
            tuple(reading.amplitude.tolist()),
        )

    @cached_property
    def mean_over_floor_db(self) -> FloatArray:
        """Decibels over the floor up to `top_hz`, mean power of the axes, nothing below the floor; shape (n_bins,)."""
        spectrum = self.floored.spectrum
        n_bins = int(min(spectrum.frequency.size, self.top_hz / self.hz_per_unit / spectrum.spacing + 1.0))
        power = np.mean(np.square(spectrum.values[:, :n_bins] / self.floored.floor[:, :n_bins]), axis=0)
        return np.asarray(10.0 * np.log10(np.maximum(power, 1.0)))

    def rms_mps2(self, low_hz: float, high_hz: float) -> float:
        """Return the r.m.s. value over all axes between two frequencies [m/s²]."""
        return self._rms(np.square(self.floored.spectrum.values), low_hz, high_hz)

    def noise_mps2(self, low_hz: float, high_hz: float) -> float:
        """Return the r.m.s. value of the noise floor over all axes between two frequencies, lines left out [m/s²]."""
        return self._rms(np.square(self.floored.floor / _MEDIAN_TO_RMS), low_hz, high_hz)

    def _rms(self, squares: np.ndarray[tuple[int, ...], np.dtype[np.float64]], low_hz: float, high_hz: float) -> float:
        spacing = self.floored.spectrum.spacing * self.hz_per_unit
        part = squares[:, max(1, int(low_hz / spacing)) : int(high_hz / spacing) + 1]
        return math.sqrt(float(part.sum()) / self.floored.spectrum.bins_per_resolution)


@dataclass(frozen=True)
class SignalViews:
    """Views of a recording whose speed is known; `ratios`: turns of each shaft per turn of the reference shaft.

    `fastest_impacts`: highest rate at which a bearing can knock, per turn of the reference shaft.
    """

    recording: Recording
    speed: SpeedEstimate
    reference: str
    ratios: Mapping[str, float]
    angle: AngleSignal
    fastest_impacts: float

    @cached_property
    def orders(self) -> View:
        """Order spectrum of the reference shaft."""
        spectrum = order_spectrum(self.angle, min(_TURNS, self.angle.turns / 6))
        return View(with_floor(spectrum), self.recording.axes, self.angle.hz, self._top_hz * self._slower)

    @cached_property
    def hertz(self) -> View:
        """Amplitude spectrum over frequency, 1.5 Hz resolution."""
        spectrum = amplitude_spectrum(self.recording.samples, self.recording.sample_rate, 1.5)
        return View(with_floor(spectrum), self.recording.axes, 1.0, self._top_hz)

    @cached_property
    def envelope(self) -> View:
        """Envelope spectrum over orders, of the band in which impacts ring."""
        return self._envelope_of(self.angle)

    @cached_property
    def slipping_orders(self) -> View:
        """Order spectrum of short segments, less what is in step with a shaft: what slips shows its own lines."""
        spectrum = order_spectrum(self.angle, min(_SHORT_TURNS, self.angle.turns / 6))
        top_hz = self._top_hz * self._slower
        return self._out_of_step(View(with_floor(spectrum), self.recording.axes, self.angle.hz, top_hz))

    @cached_property
    def slipping_envelope(self) -> View:
        """Envelope spectrum over orders of the whole band, levelled, less what is in step with a shaft."""
        signal = replace(self.angle, samples=levelled(self.angle.samples))
        top = min(_LEVELLED_BAND[1] * signal.per_turn, 0.94 * self.recording.sample_rate / 2.0 / signal.hz)
        return self._out_of_step(self._envelope_of(signal, (_LEVELLED_BAND[0] * signal.per_turn, top)))

    @property
    def _top_hz(self) -> float:
        """Where the flat band of sensor, mounting and recorder ends: a line above it has a level that nobody knows."""
        origin = self.recording.origin
        return band_covered(self.recording.sample_rate, origin.sensor.band_hz, origin.timing)[1]

    @property
    def _slower(self) -> float:
        """Mean speed of the samples over angle, run-up and coast-down among them, against the usual speed."""
        return self.angle.hz / self.speed.shaft_hz[self.reference]

    def _out_of_step(self, view: View) -> View:
        """Return an envelope with the multiples of every shaft's rate levelled to the floor."""
        spectrum = view.floored.spectrum
        in_step = np.zeros(spectrum.frequency.size, dtype=bool)
        for ratio in self.ratios.values():
            multiple = np.maximum(1.0, np.round(spectrum.frequency / ratio)) * ratio
            in_step |= np.abs(spectrum.frequency - multiple) < min(1.2 * spectrum.resolution, 0.1 * ratio)
        levelled = np.where(in_step, np.minimum(spectrum.values, view.floored.floor), spectrum.values)
        return replace(view, floored=replace(view.floored, spectrum=replace(spectrum, values=levelled)))

    def _envelope_of(self, signal: AngleSignal, band: tuple[float, float] | None = None) -> View:
        per_turn = float(signal.per_turn)
        resolution = 1.5 / min(_TURNS, signal.turns / 6)
        spectrum = envelope_spectrum(signal.samples, per_turn, band or self._ringing_band(signal), resolution)
        return View(with_floor(_in_orders(spectrum)), self.recording.axes, signal.hz)

    def _ringing_band(self, signal: AngleSignal) -> tuple[float, float]:
        """Return the most impulsive band that is wide enough to show the fastest impacts (orders).

        Where the tool turns so fast that no part of the band is wide enough, the upper band of the needed width.
        """
        highest = 0.45 * signal.per_turn
        needed = 2.2 * self.fastest_impacts
        band = impact_band(signal.samples, float(signal.per_turn), highest, needed).band_hz
        if band[1] - band[0] >= 0.9 * needed:
            return band
        return max(highest - needed, 0.15 * highest), highest

    @cached_property
    def low_band_mps2(self) -> float:
        """R.m.s. value over all axes in the low band [m/s²]."""
        return self.hertz.rms_mps2(*LOW_BAND_HZ)

    @cached_property
    def high_band_mps2(self) -> float:
        """R.m.s. value over all axes in the high band [m/s²]."""
        return self.hertz.rms_mps2(*HIGH_BAND_HZ)

    @cached_property
    def noise_mps2(self) -> float:
        """R.m.s. value of what is not lines, 20 to 1000 Hz [m/s²]."""
        return self.orders.noise_mps2(20.0, 1000.0)

    def turn_kurtosis(self, shaft: str, teeth: int | None) -> float:
        """Return how impulsive the average turn of a shaft is: log10 of kurtosis/3, largest of the axes.

        Mesh harmonics and the first two orders are taken out. A knock once per turn stands in the average as an
        impulse; all that is not in step with the shaft averages away.
        """
        record = self.angle if shaft == self.reference else self._angle_of(shaft)
        if record is None or record.turns < 8:
            return 0.0
        average = synchronous_average(record)
        spectrum = np.fft.rfft(average, axis=1)
        spectrum[:, :3] = 0.0
        for harmonic in range(teeth, spectrum.shape[1], teeth) if teeth else ():
            spectrum[:, harmonic - 1 : harmonic + 2] = 0.0
        square = np.square(np.fft.irfft(spectrum, average.shape[1], axis=1))
        kurtosis = np.mean(np.square(square), axis=1) / np.maximum(np.mean(square, axis=1) ** 2, 1e-30)
        return math.log10(max(float(kurtosis.max()), 1.0) / 3.0)

    def _angle_of(self, shaft: str) -> AngleSignal | None:
        return to_angle(self.recording.samples, self.recording.sample_rate, self.speed, shaft)


def _in_orders(spectrum: Spectrum) -> Spectrum:
    return replace(spectrum, frequency_unit="orders")


def views_of(
    recording: Recording, speed: SpeedEstimate, reference: str, tool: ToolSheet | None = None
) -> SignalViews | None:
    """Return the views of a recording on a reference shaft; None where its speed is not known for enough turns."""
    if reference not in speed.ratios:
        return None
    angle = to_angle(recording.samples, recording.sample_rate, speed, reference)
    if angle is None or angle.turns < _LEAST_TURNS:
        return None
    ratios = {name: ratio / speed.ratios[reference] for name, ratio in speed.ratios.items()}
    return SignalViews(recording, speed, reference, ratios, angle, fastest_impacts(tool, ratios))


def fastest_impacts(tool: ToolSheet | None, ratios: Mapping[str, float]) -> float:
    """Return the highest rolling rate of any bearing on the sheet (less than its elements per turn), at least 4."""
    rolling = [b.balls * ratios[b.shaft] for b in tool.bearings if b.balls and b.shaft in ratios] if tool else []
    return max([4.0, *rolling])


def decibels(value: float, reference: float, least: float = -80.0, most: float = 60.0) -> float:
    """Return 20·log10 of a ratio of levels, kept within what a recording can mean."""
    return min(most, max(least, 20.0 * math.log10(max(value, _TINY) / max(reference, _TINY))))


def root_sum(lines: Sequence[Line | None]) -> float:
    """Return the root of the summed squares of the levels read [m/s²]."""
    return math.sqrt(math.fsum(line.amplitude_mps2**2 for line in lines if line is not None))
