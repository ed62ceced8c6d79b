"""The envelope of the band in which impacts ring: chosen by spectral kurtosis, counted over turns.

A spalled race strikes hundreds of times a second, a fast shaft's a thousand times and more. Each impact rings the
structure for a millisecond or two; the envelope of the ringing's band has a line at the rate of the impacts. Shafts,
fan and gears hide it where they are loud, so that the band is looked for with lines cut down to the noise.
"""

from __future__ import annotations

from dataclasses import replace

from vibekit.errors import Notice
from vibekit.machine.lines.orders import SEGMENT_TURNS, order_resolution, to_angle
from vibekit.machine.lines.views import fastest_impacts
from vibekit.machine.spectra.impacts import impact_band, levelled
from vibekit.machine.spectra.reading import FlooredSpectrum, with_floor
from vibekit.machine.spectra.spectrum import envelope_spectrum
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.recording.limits import band_covered
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import ToolSheet

_BAND_OVER_IMPACTS = 1.5  # width of the band over the highest rate: its flat part shows that rate
_SEGMENTS = 6  # that the spectrum is averaged over at least: slow shafts make few turns


def most_impulsive(recording: Recording, speed: SpeedEstimate, tool: ToolSheet | None) -> tuple[FlooredSpectrum, float]:
    """Return the spectrum of the envelope in the most impulsive band, and the Hz of its frequency unit.

    Impacts are found where the noise has been brought to one level and lines cut down to it: loud lines of shafts, fan
    and gears hide the ringing. A bearing of a fast shaft strikes a thousand times a second, which only a band wide
    enough can show. Its rate moves with the speed: where that is known all is done over turns.
    """
    _, top = band_covered(recording.sample_rate, None, recording.origin.timing)
    signal = to_angle(recording.samples, recording.sample_rate, speed) if speed.known else None
    if signal is None:
        samples, rate, hz = recording.samples, recording.sample_rate, 1.0
    else:
        samples, rate, hz = signal.samples, float(signal.per_turn), signal.hz
    wanted = _BAND_OVER_IMPACTS * _fastest(tool, speed) if signal else 0.0
    low, high = impact_band(levelled(samples), rate, min(top / hz, 0.45 * rate), wanted, wider=True).band_hz
    resolution = None if signal is None else order_resolution(signal, min(SEGMENT_TURNS, signal.turns / _SEGMENTS))
    spectrum = envelope_spectrum(samples, rate, (low, high), resolution, unfolded=True)
    if signal is not None:
        spectrum = replace(spectrum, frequency_unit="orders", of=signal.of)
    return with_floor(replace(spectrum, band_hz=(low * hz, high * hz))), hz


def _fastest(tool: ToolSheet | None, speed: SpeedEstimate) -> float:
    """Return the highest rate at which a bearing may strike, per turn of the shaft followed."""
    turns = {name: ratio / speed.ratios[speed.of] for name, ratio in speed.ratios.items()} if speed.known else {}
    return fastest_impacts(tool, turns)


def band_notices(recording: Recording, floored: FlooredSpectrum) -> tuple[Notice, ...]:
    """Return which band the envelope is of, and a caution where it lies beyond the sensor's flat band."""
    low, high = floored.spectrum.band_hz or (0.0, 0.0)
    said = f"envelope of the band {low:.0f} to {high:.0f} Hz, where it is most impulsive"
    flat = recording.origin.sensor.band_hz
    if flat is None or high <= flat[1]:
        return (Notice("envelope_band", "info", said),)
    beyond = f"{said}; the sensor is flat up to {flat[1]:g} Hz: the rates of the lines hold, their levels do not"
    return (Notice("envelope_band", "caution", beyond, value=high, limit=flat[1]),)
