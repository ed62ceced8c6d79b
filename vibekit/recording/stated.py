"""What a file, its sidecar and the options say of unit, full scale and rate: held against each other, never averaged.

The sidecar and the options say what a file leaves open. Where both speak and differ, one of them is wrong and nobody
here can know which: the recording is refused, and both sides are named. What a bench sheet says of all recordings is
not meant against a file that knows better.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from vibekit.errors import InputError, Notice, UsageError
from vibekit.recording.calibration import Calibration
from vibekit.recording.sidecar import RecordingFacts
from vibekit.recording.source import RawSource
from vibekit.recording.text_names import acceleration_unit, is_scalable
from vibekit.units import parse_acceleration, unit_factor

_SAME_RATE = 0.001  # of the rate, where the file states it
_SAME_CLOCK = 0.05  # of the rate, where it is measured from timestamps: a sensor's nominal rate is that far off
_SAME_VALUE = 1e-4  # of a calibration: the same written in another unit


def calibration_of(
    path: Path, facts: RecordingFacts, given: Calibration | None, unit_option: str | None, source: RawSource
) -> Calibration:
    """Return what a sample is worth; `given` and `unit_option` are options, which win over the sidecar.

    Raises:
        InputError: nothing says it, or two sides say different things.
    """
    try:
        if source.needs_full_scale:
            return given or _full_scale(path, facts)
        if source.unit is None:
            return given or _left_open(path, facts, unit_option, source)
        if acceleration_unit(source.unit) is None:
            return _other_quantity(path, facts, given, source.unit)
        return _in_unit(path, facts, given, unit_option, source.unit)
    except UsageError as error:
        raise InputError(f"{path}: {error}") from None


def _full_scale(path: Path, facts: RecordingFacts) -> Calibration:
    if facts.full_scale is None:
        raise InputError(
            f'{path}: uncalibrated: give --full-scale "50 g" or full_scale in the sidecar (the value of 1.0)'
        )
    return Calibration.full_scale(facts.full_scale)


def _left_open(path: Path, facts: RecordingFacts, unit_option: str | None, source: RawSource) -> Calibration:
    """Return the calibration of values whose unit the file does not say."""
    unit = unit_option if unit_option is not None else facts.unit
    if unit is None and facts.full_scale is not None:
        return Calibration.full_scale(facts.full_scale)
    if unit is None:
        raise InputError(
            f"{path}: uncalibrated: the file does not say its unit: give --unit m/s2 or --unit g, "
            f"or unit in the sidecar{source.unit_hint}"
        )
    both = unit_option is None and facts.full_scale is not None and not facts.shared & {"unit", "full_scale"}
    if both and not _same(parse_acceleration(facts.full_scale or ""), unit_factor(unit)):
        raise InputError(
            f"{path}: the sidecar says unit {unit} and full_scale {facts.full_scale}: each says what a value of 1 is: "
            "leave one out"
        )
    return Calibration.unit(unit)


def _in_unit(
    path: Path, facts: RecordingFacts, given: Calibration | None, unit_option: str | None, stated: str
) -> Calibration:
    """Return the calibration of values whose unit the file says; what else is said must be the same."""
    worth = unit_factor(stated)
    for side, value in _sides(facts, given, unit_option):
        if not _same(value, worth):
            raise InputError(f"{path}: the file says its unit is {stated}, {side}: one of them is wrong")
    return Calibration.unit(stated)


def _sides(facts: RecordingFacts, given: Calibration | None, unit_option: str | None) -> Iterator[tuple[str, float]]:
    """Yield who says what a value of 1 is [m/s²], but for what a bench sheet says of all recordings."""
    if unit_option is not None:
        yield f"--unit says {unit_option}", unit_factor(unit_option)
    elif facts.unit is not None and "unit" not in facts.shared:
        yield f"the sidecar {facts.unit}", unit_factor(facts.unit)
    if given is not None:
        yield f"the calibration given says {given.origin}", given.mps2_per_unit
    elif facts.full_scale is not None and "full_scale" not in facts.shared:
        yield f"the sidecar full_scale {facts.full_scale}", parse_acceleration(facts.full_scale)


def _other_quantity(path: Path, facts: RecordingFacts, given: Calibration | None, stated: str) -> Calibration:
    """Return the calibration of volts or counts, where a full scale says what 1 is. Raises InputError for all else."""
    if not is_scalable(stated):
        raise InputError(
            f"{path}: the file says its unit is {stated}: acceleration is read, in m/s2, mm/s2, g or mg: export that"
        )
    scale = given or (Calibration.full_scale(facts.full_scale) if facts.full_scale is not None else None)
    if scale is None or scale.full_scale_mps2 is None:
        against = f", and a unit of acceleration is given ({facts.unit})" if facts.unit is not None else ""
        raise InputError(
            f"{path}: the file says its unit is {stated}{against}: "
            f'say what 1 {stated} is, as --full-scale "10 g" or full_scale in the sidecar'
        )
    return Calibration(scale.mps2_per_unit, f"1 {stated} is {scale.origin.removeprefix('full scale ')}")


def rate_of(path: Path, facts: RecordingFacts, option: float | None, source: RawSource) -> float:
    """Return the sample rate [Hz]; what the file says or its timestamps show must be what else is said.

    Raises:
        InputError: nothing says it, or two sides say different things.
    """
    said, own = facts.sample_rate_hz, source.sample_rate
    if own is None and said is None:
        raise InputError(
            f"{path}: the file does not say its sample rate: give --sample-rate or sample_rate_hz in the sidecar"
        )
    if own is None or said is None:
        return float(own or said or math.nan)
    tolerance = _SAME_RATE if source.timing is None else _SAME_CLOCK
    if abs(said / own - 1.0) > tolerance and (option is not None or "sample_rate_hz" not in facts.shared):
        side = "--sample-rate" if option is not None else "sample_rate_hz in the sidecar"
        how = "the file says" if source.timing is None else "its timestamps come at"
        raise InputError(f"{path}: {how} {own:.6g} Hz, {side} says {said:.6g} Hz: one of them is wrong")
    return own


def _same(a: float, b: float) -> bool:
    return abs(a / b - 1.0) <= _SAME_VALUE


def remarks(facts: RecordingFacts, roles: tuple[str, ...], unit_option: str | None, source: RawSource) -> list[Notice]:
    """Return what is to be said where one side goes before another without contradicting it."""
    found = []
    if source.names is None and facts.axes is None:
        found.append(_assumed_axes(roles))
    if source.needs_full_scale and unit_option is not None:
        message = f"--unit {unit_option} is not used: values of such a file are parts of its full scale"
        found.append(Notice("unit_unused", "info", message, remedy="leave it out"))
    shared = facts.unit if "unit" in facts.shared and unit_option is None else None
    if source.unit is not None and shared is not None and acceleration_unit(shared) != acceleration_unit(source.unit):
        message = f"the file says its unit is {source.unit}: that is used, and not {shared} of the bench sheet"
        found.append(Notice("unit_of_file", "info", message))
    return found


def _assumed_axes(roles: tuple[str, ...]) -> Notice:
    taken = f"{', '.join(roles)} in file order" if roles[0] != "sound" else "sound, the first if there are two"
    return Notice(
        "axes_assumed",
        "info",
        f"the file does not name its channels: taken as {taken}",
        remedy="name them with --axes or axes in the sidecar",
    )
