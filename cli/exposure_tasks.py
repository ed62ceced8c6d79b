"""Tasks of `vibekit exposure` as given: numbers, grade documents, recordings and tool sheets, opened."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit.errors import InputError, Notice, RecordingLimitError, UsageError
from vibekit.units import format_duration

from .options import RecordingOptions
from .output import Progress, number

if TYPE_CHECKING:
    from vibekit.bench.plots_hand import ShiftCourse
    from vibekit.handarm.exposure_task import ExposureTask
    from vibekit.handarm.task_text import TaskText

_MUCH_OUTSIDE = 0.05  # of a shift's energy: it makes 2.5 % of A(8)
_SHEET = ".toml"


@dataclass(frozen=True)
class Given:
    """A task as given: with the course of a whole-shift recording, and what its magnitude came with."""

    task: ExposureTask
    shift: ShiftCourse | None = None
    notices: tuple[Notice, ...] = ()
    typed: bool = False  # a number with a doubt


def open_task(text: str, options: RecordingOptions, beside: Path = Path()) -> Given:
    """Return one task; files are looked for from folder `beside`. Without a time it is a recording of a whole shift.

    Raises:
        UsageError: it cannot be read as a task.
        InputError: its file cannot be used.
        RecordingLimitError: its recordings have no magnitude.
    """
    from vibekit.handarm.task_text import parse_task

    parsed = parse_task(text)
    path = beside / parsed.what
    if parsed.time_s is None:
        if parsed.is_number and not path.exists():
            raise UsageError(f"task {text!r} has no time: write MAGNITUDE@TIME, such as 3.5@3h")
        given = _whole_shift(path, options)
    elif parsed.is_number and not path.is_file():
        given = _number(text, parsed)
    else:
        given = _file(path, parsed.time_s, options)
        given = replace(given, task=replace(given.task, time_uncertainty_s=parsed.time_uncertainty_s))
    return replace(given, task=replace(given.task, hand=parsed.hand or given.task.hand))


def _number(text: str, parsed: TaskText) -> Given:
    from vibekit.handarm.exposure_task import ExposureTask
    from vibekit.handarm.task_text import parse_magnitude

    try:
        a_hv, doubt = parse_magnitude(parsed.what)
    except UsageError as error:
        raise UsageError(f"task {text!r}: {error}") from None
    task = ExposureTask(a_hv, parsed.time_s or 0.0, doubt, parsed.name, time_uncertainty_s=parsed.time_uncertainty_s)
    return Given(task, typed=doubt is not None)


def typed_notices(given: Iterable[Given]) -> list[Notice]:
    """Return what doubts that were typed in are taken for, and what they would mean as makers' figures."""
    from vibekit.standards.exposure_values import REAL_USE_PER_DECLARED

    typed = [one.task for one in given if one.typed]
    if not typed:
        return []
    alone = math.hypot(*(task.partial_a8_mps2 for task in typed))
    least, most = REAL_USE_PER_DECLARED
    names = ", ".join(dict.fromkeys(task.name for task in typed))
    message = (
        f"{names}: taken as measured, with the doubt at k = 2; if these "
        f"are makers' a and K, work often shakes {least:g} to {most:g} times as much (CEN/TR 15350, from memory), "
        f"which alone would make A(8) {number(least * alone)} to {number(most * alone)} m/s²"
    )
    remedy = "of a declared value name the tool sheet that states it: SHEET.toml@TIME"
    return [Notice("stated_doubt", "info", message, remedy=remedy)]


def _file(path: Path, seconds: float, options: RecordingOptions) -> Given:
    from vibekit.bench.gather import recording_suffixes

    suffix = path.suffix.lower()
    if suffix in recording_suffixes():
        whole = _whole(path, options)
        return replace(whole, task=replace(whole.task, time_s=seconds), shift=None)
    return _declared(path, seconds) if suffix == _SHEET else _graded(path, seconds)


def _declared(path: Path, seconds: float) -> Given:
    """Return the task of a tool sheet: the maker's a and K, which real use may exceed."""
    import vibekit as vk
    from vibekit.handarm.emission import K_PER_SIGMA
    from vibekit.handarm.exposure_task import ExposureTask
    from vibekit.handarm.uncertainty import COVERAGE
    from vibekit.standards.exposure_values import REAL_USE_PER_DECLARED

    sheet = vk.load_tool(path)
    a, k = sheet.declared_vibration_mps2, sheet.declared_uncertainty_mps2
    if a is None:
        raise InputError(f"{path}: states no declared_vibration_mps2: measure the tool, or write MAGNITUDE@TIME")
    doubt = None if k is None else COVERAGE * k / K_PER_SIGMA
    return Given(ExposureTask(a, seconds, doubt, path.name, real_use=REAL_USE_PER_DECLARED))


def _graded(path: Path, seconds: float) -> Given:
    """Return the task of a grade document."""
    from vibekit.handarm.exposure_task import ExposureTask
    from vibekit.handarm.graded import read_graded

    try:
        found = read_graded(path)
    except InputError as error:
        raise InputError(f"{error} (a task is MAGNITUDE@TIME, GRADE_DOCUMENT@TIME or RECORDING@TIME)") from None
    doubt = found.expanded_uncertainty_mps2
    task = ExposureTask(found.a_hv_mps2, seconds, doubt, path.name, hand=found.hand, budget=found.budget)
    return Given(task, notices=(*_of(path, found.cautions), *((_both_hands(path),) if found.several_hands else ())))


def _both_hands(path: Path) -> Notice:
    message = f"{path.name}: recorded in both hands: the larger magnitude counts for both"
    return Notice("hands_together", "info", message, remedy="grade each hand by itself to count them apart")


def _of(path: Path, notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Return the cautions among notices, each saying from which file it comes."""
    return tuple(
        n if path.name in n.message else replace(n, message=f"{path.name}: {n.message}")
        for n in notices
        if n.severity == "caution"
    )


def _whole(path: Path, options: RecordingOptions) -> Given:
    """Return the task of a recording: its magnitude over the trigger-on time, held for that time."""
    import vibekit as vk
    from vibekit.bench.plots_hand import ShiftCourse
    from vibekit.handarm.exposure import graded_task

    progress = Progress(f"grading {path.name}")
    stream = options.open(path)
    magnitude = vk.grade(stream, progress=progress)
    progress.done()
    if magnitude.a_hv_mps2 is None:
        why = next(n for n in magnitude.notices if n.severity == "refusal")
        raise RecordingLimitError(f"{path}: cannot be graded: {why.message.removeprefix(f'{path.name}: ')}", why.remedy)
    task = graded_task(magnitude, magnitude.trigger_on_s, path.name)
    return Given(task, ShiftCourse(magnitude, stream.origin.facts.started), _of(path, magnitude.notices))


def _whole_shift(path: Path, options: RecordingOptions) -> Given:
    """Return the task of a whole-shift recording: with the doubt of its trigger-on time, and what lies outside it.

    In time whose samples are lost the trigger was on for none to all of it: rectangular, JCGM 100:2008 4.3.7.
    """
    from vibekit.handarm.uncertainty import COVERAGE

    whole = _whole(path, options)
    lost_s = whole.shift.magnitude.unknown_s if whole.shift else 0.0
    doubt = COVERAGE * lost_s / 2.0 / math.sqrt(3.0) if lost_s else None
    task = replace(whole.task, time_s=whole.task.time_s + lost_s / 2.0, time_uncertainty_s=doubt)
    outside = _outside(whole)
    said = {"vibration_while_off"} if outside else set()
    kept = tuple(n for n in whole.notices if n.code not in said)
    return replace(whole, task=task, notices=(*kept, *outside))


def _outside(shift: Given) -> tuple[Notice, ...]:
    """Return a caution where a shift recording holds much of its energy outside what was taken for trigger-on time."""
    if shift.shift is None or (share := shift.shift.magnitude.energy_outside) < _MUCH_OUTSIDE:
        return ()
    a8 = shift.task.partial_a8_mps2
    message = (
        f"{shift.task.name}: vibration outside the {format_duration(shift.task.time_s)} taken for trigger-on time, by "
        f"handling or a tool that shakes far less than the loudest; counted in, its A(8) is "
        f"{number(a8 * math.sqrt(1 + share))} and not {number(a8)} m/s²"
    )
    remedy = "see it with vibekit grade --plot; record each tool by itself"
    return (Notice("energy_outside", "caution", message, 100 * share, 100 * _MUCH_OUTSIDE, remedy),)
