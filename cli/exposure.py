"""`vibekit exposure`: a day's exposure A(8) and the time left."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import InputError, Notice, RecordingLimitError, UsageError, distinct
from vibekit.units import format_duration, parse_duration

from .options import Json, PlotOption, RecordingOptions, recording_command
from .output import Document, Progress, emit, note, notice_lines, number, printable

if TYPE_CHECKING:
    from vibekit.bench.plots_hand import ShiftCourse
    from vibekit.handarm.exposure import ExposureTask

_NUMBER = re.compile(r"[+-]?(\d|\.\d|nan$|inf(inity)?$)", re.IGNORECASE)
_OVER_EXIT = 5
_MUCH_OUTSIDE = 0.05  # of a shift's energy: it makes 2.5 % of A(8)
_MOST_DOCUMENT_BYTES = 1 << 26  # of a grade document: some thousand recordings

Tasks = Annotated[
    list[str],
    typer.Argument(
        metavar="TASK...",
        help="MAGNITUDE@TIME (3.5@3h), grade.json@1h20m, run.wav@1h20m, or a recording of a whole shift.",
    ),
]
FailOver = Annotated[
    str | None,
    typer.Option("--fail-over", metavar="VALUE", help="End with exit code 5 over the value: action or limit."),
]
Regime = Annotated[str, typer.Option("--regime", help="Whose daily values: eu, uk, jp, us-ansi.")]

OtherDays = Annotated[
    list[float] | None,
    typer.Option("--other-day", metavar="A8", help="A(8) of another day of the week; repeat for each: weekly average."),
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(exposure))


def exposure(
    tasks: Tasks,
    options: RecordingOptions,
    regime: Regime = "eu",
    other_day: OtherDays = None,
    plot: PlotOption = None,
    as_json: Json = False,
    fail_over: FailOver = None,
) -> None:
    """Add up a day's exposure A(8) from tasks, and the time left to the action and limit values."""
    from vibekit.handarm.exposure import day_of, refused_day, weekly_exposure
    from vibekit.standards.exposure_values import REGIMES

    if regime not in REGIMES:
        raise UsageError(f"--regime {regime!r} is not one of {', '.join(REGIMES)}")
    try:
        given = [_task(text, options) for text in tasks]
        notices = distinct([notice for one in given for notice in one.notices])
        day = day_of([one.task for one in given], REGIMES[regime], notices)
    except RecordingLimitError as error:
        emit(refused_day(REGIMES[regime], str(error)), as_json, render)
        return
    if plot is not None:
        from vibekit.bench.plots_hand import plot_exposure

        plot_exposure(day, plot, [one.shift for one in given])
        note(f"plot written to {plot}")
    week = weekly_exposure([day.a8_mps2, *other_day]) if other_day else None
    document = day.to_dict() | {"weekly_a8_mps2": week}
    emit(document, as_json, render, end_over(fail_over, day.a8_mps2))


def end_over(value_name: str | None, value: float | None) -> int:
    """Return exit code 5 where a value has reached the daily value named by --fail-over, else 0.

    Raises:
        UsageError: the name is neither action nor limit.
    """
    from vibekit.standards.exposure_values import EU

    if value_name is None:
        return 0
    limits = {"action": EU.action_mps2, "limit": EU.limit_mps2}
    if value_name not in limits:
        raise UsageError(f"--fail-over {value_name!r} must be action or limit")
    return _OVER_EXIT if value is not None and value >= limits[value_name] * (1 - 1e-12) else 0


@dataclass(frozen=True)
class _Given:
    """A task as given: with the course of a whole-shift recording, and what its magnitude came with."""

    task: ExposureTask
    shift: ShiftCourse | None = None
    notices: tuple[Notice, ...] = ()


def _task(text: str, options: RecordingOptions) -> _Given:
    """Return one task: a number, a grade document, or a recording; without a time that of a whole shift."""
    from vibekit.bench.gather import recording_suffixes
    from vibekit.handarm.exposure import ExposureTask

    what, at, time = text.rpartition("@")
    if not at:
        if _NUMBER.match(text) and not Path(text).exists():
            raise UsageError(f"task {text!r} has no time: write MAGNITUDE@TIME, such as 3.5@3h")
        whole = _shift(Path(text), options)
        return replace(whole, notices=(*whole.notices, *_outside(whole)))
    try:
        seconds = parse_duration(time)
    except UsageError as error:
        raise UsageError(f"task {text!r}: {error}") from None
    if _NUMBER.match(what) and not Path(what).is_file():
        try:
            return _Given(ExposureTask(float(what), seconds, name=text))
        except ValueError:
            raise UsageError(f"task {text!r}: {what!r} is not a magnitude in m/s², such as 3.5") from None
    if not what:
        raise UsageError(f"task {text!r} has no magnitude: write MAGNITUDE@TIME, such as 3.5@3h")
    path = Path(what)
    if path.suffix.lower() in recording_suffixes():
        whole = _shift(path, options)
        return replace(whole, task=replace(whole.task, time_s=seconds), shift=None)
    return _graded(path, seconds)


def _graded(path: Path, seconds: float) -> _Given:
    from vibekit.handarm.exposure import LARGEST_MPS2, ExposureTask
    from vibekit.recording.tables import read_small_text

    try:
        document = json.loads(read_small_text(path, _MOST_DOCUMENT_BYTES))
        magnitude, doubt = (document["summary"][key] for key in ("a_hv_mps2", "expanded_uncertainty_mps2"))
        cautions = [_caution(notice) for notice in document.get("notices", ()) if notice["severity"] == "caution"]
    except InputError as error:
        raise InputError(f"{error} (a task is MAGNITUDE@TIME, GRADE_DOCUMENT@TIME or RECORDING@TIME)") from None
    except (ValueError, RecursionError, KeyError, TypeError, AttributeError):
        raise InputError(f"{path}: is not a grade document (write one with vibekit grade --json)") from None
    if magnitude is None:
        raise InputError(f"{path}: holds no magnitude: its recordings could not be graded")
    if not all(_is_number(v) and 0 <= v <= LARGEST_MPS2 for v in (magnitude, 0 if doubt is None else doubt)):
        raise InputError(f"{path}: its magnitude or uncertainty is not a number of m/s² from 0 to {LARGEST_MPS2:g}")
    task = ExposureTask(float(magnitude), seconds, None if doubt is None else float(doubt), path.name)
    return _Given(task, notices=_of(path, cautions))


def _caution(notice: dict[str, Any]) -> Notice:
    remedy = notice.get("remedy")
    return Notice(str(notice["code"]), "caution", str(notice["message"]), remedy=str(remedy) if remedy else None)


def _of(path: Path, notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """Return the cautions among notices, each saying from which file it comes."""
    return tuple(
        n if path.name in n.message else replace(n, message=f"{path.name}: {n.message}")
        for n in notices
        if n.severity == "caution"
    )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shift(path: Path, options: RecordingOptions) -> _Given:
    """Return the task of a whole-shift recording: its magnitude over the trigger-on time, held for that time."""
    import vibekit as vk
    from vibekit.bench.plots_hand import ShiftCourse
    from vibekit.handarm.exposure import ExposureTask

    progress = Progress(f"grading {path.name}")
    stream = options.open(path)
    magnitude = vk.grade(stream, progress=progress)
    progress.done()
    if magnitude.a_hv_mps2 is None:
        reason = next(n.message for n in magnitude.notices if n.severity == "refusal")
        raise RecordingLimitError(f"{path}: cannot be graded: {reason}")
    task = ExposureTask(magnitude.a_hv_mps2, magnitude.trigger_on_s, magnitude.expanded_uncertainty_mps2, path.name)
    return _Given(task, ShiftCourse(magnitude, stream.origin.facts.started), _of(path, magnitude.notices))


def _outside(shift: _Given) -> tuple[Notice, ...]:
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


def render(document: Document) -> str:
    """Return the day as text."""
    if document["a8_mps2"] is None:
        return "\n".join(["no day's exposure can be given (see the refusal below)", *notice_lines(document)])
    doubt = document["expanded_uncertainty_mps2"]
    spread = f" ± {number(doubt, 2)}" if doubt is not None else ""
    lines = [
        f"A(8) {number(document['a8_mps2'])}{spread} m/s², {number(document['points'])} points: {document['verdict']}",
        f"  action value {document['action_value_mps2']:g} m/s², limit value {document['limit_value_mps2']:g} m/s²",
        *_longer_view(document),
        "",
        "  a_hv       time          A(8) alone   points   more time to action / limit value",
    ]
    lines += [line for task in document["tasks"] for line in _task_lines(task)]
    lines += _cut_lines(document)
    return "\n".join([*lines, "", *notice_lines(document)])


def _task_lines(task: dict[str, Any]) -> list[str]:
    left = " / ".join(_left(task[f"time_left_to_{value}_s"]) for value in _VALUES)
    lines = [
        f"  {number(task['a_hv_mps2']):>6}  {_held(task['time_s']):>12}  "
        f"{number(task['partial_a8_mps2']):>9}  {number(task['points']):>9}     {left}   {printable(task['name'])}"
    ]
    doubtful = task["time_left_to_action_low_s"] is not None
    if doubtful and any(task[f"time_left_to_{value}_high_s"] != 0 for value in _VALUES):
        ends = " / ".join(_between(task, value) for value in _VALUES)
        lines.append(f"{'for the doubt of a_hv':>44}     {ends}")
    return lines


_VALUES = ("action", "limit")


def _held(seconds: float) -> str:
    """Return the time a tool was held, to the nearest minute; times that may still come are rounded down."""
    return format_duration(seconds if seconds < 120 else 60 * round(seconds / 60))


def _between(task: dict[str, Any], value: str) -> str:
    low, high = (_left(task[f"time_left_to_{value}_{end}_s"]) for end in ("low", "high"))
    return low if low == high else f"{low} to {high}"


def _longer_view(document: Document) -> list[str]:
    lines = []
    if document["weekly_a8_mps2"] is not None:
        lines.append(
            f"  week's average, referred to five 8 h days: {number(document['weekly_a8_mps2'])} m/s² "
            "(only where the law lets days be averaged)"
        )
    if document["white_finger_years"] is not None:
        lines.append(
            f"  at this level day by day about {document['white_finger_years']:.0f} years until one in ten of a group "
            "shows white finger (ISO 5349-1 Annex C; for groups, not for one person)"
        )
    return lines


def _cut_lines(document: Document) -> list[str]:
    """Return what each task alone would have to give up for the day to come under a value, to the next minute."""
    lines = []
    for value in _VALUES:
        cuts = [(task, task[f"cut_to_{value}_s"]) for task in document["tasks"]]
        if any(cut != 0 for _, cut in cuts):
            ways = [
                f"{printable(task['name'])} by {format_duration(min(60 * math.floor(cut / 60 + 1), task['time_s']))}"
                for task, cut in cuts
                if cut is not None
            ]
            lines.append(
                f"  to get under the {value} value shorten "
                + (" or ".join(ways) or "several tasks: no single one is enough")
            )
    return lines


def _left(seconds: float | None) -> str:
    if seconds is None:
        return "no limit"
    return "none left" if seconds == 0 else "over a day" if seconds > 86_400 else format_duration(seconds)
