"""`vibekit exposure`: a day's exposure A(8) and the time left."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import RecordingLimitError, UsageError, distinct

from .exposure_tasks import Given, open_task, typed_notices
from .exposure_text import render
from .options import Json, PlotOption, RecordingOptions, recording_command
from .output import emit, note

if TYPE_CHECKING:
    from vibekit.handarm.exposure import DailyExposure
    from vibekit.standards.exposure_values import ExposureValues

_OVER_EXIT = 5

Tasks = Annotated[
    list[str],
    typer.Argument(
        metavar="TASK...",
        help="MAGNITUDE@TIME (3.5@3h, 6±1.5@30m; +- for ±; 4h±30m where the time is not sure), grade.json@1h20m, "
        "run.wav@1h20m, TOOL_SHEET.toml@1h for declared values, or a recording of a whole shift; left: or right: "
        "before it names the hand. Or one sheet of several workers: day.toml.",
    ),
]
FailOver = Annotated[
    str | None,
    typer.Option(
        "--fail-over",
        metavar="VALUE",
        help="End with exit code 5 unless shown to be below the value: action or limit.",
    ),
]
Regime = Annotated[str, typer.Option("--regime", help="Whose daily values: eu, uk, jp, us-ansi.")]
Points = Annotated[bool, typer.Option("--points", help="Also give exposure points.")]

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
    points: Points = False,
    plot: PlotOption = None,
    as_json: Json = False,
    fail_over: FailOver = None,
) -> None:
    """Add up a day's exposure A(8) from tasks, and the time left to the action and limit values."""
    from vibekit.handarm.exposure import refused_day, weekly_exposure
    from vibekit.standards.exposure_values import REGIMES

    if regime not in REGIMES:
        raise UsageError(f"--regime {regime!r} is not one of {', '.join(REGIMES)}")
    values, show = REGIMES[regime], partial(render, points=points)
    over = daily_value(fail_over, values)
    sheet = _day_sheet(tasks)
    if sheet is not None and (plot is not None or other_day):
        raise UsageError(f"{sheet}: --plot and --other-day are for one person's day, not a sheet of several")
    try:
        if sheet is not None:
            document, below = _workers(sheet, options, values, over)
            emit(document | {"weekly_a8_mps2": None}, as_json, show, 0 if below else _OVER_EXIT)
            return
        given = [open_task(text, options) for text in tasks]
        day = _day(given, values)
    except RecordingLimitError as error:
        emit(refused_day(values, error), as_json, show)
        return
    if plot is not None:
        from vibekit.bench.plots_hand import plot_exposure

        plot_exposure(day, plot, [one.shift for one in given])
        note(f"plot written to {plot}")
    week = weekly_exposure([day.a8_mps2, *other_day]) if other_day else None
    below = over is None or day.shown_below(over)
    emit(day.to_dict() | {"weekly_a8_mps2": week}, as_json, show, 0 if below else _OVER_EXIT)


def _day(given: list[Given], values: ExposureValues) -> DailyExposure:
    from vibekit.handarm.exposure import day_of

    notices = [*(n for one in given for n in one.notices), *typed_notices(given)]
    return day_of([one.task for one in given], values, distinct(notices))


def _day_sheet(tasks: list[str]) -> Path | None:
    """Return the sheet of several workers where the tasks name one.

    Raises:
        UsageError: it does not stand alone.
    """
    from vibekit.handarm.workers import is_day_sheet

    named = [Path(text) for text in tasks if "@" not in text and text.lower().endswith(".toml")]
    sheets = [path for path in named if path.is_file() and is_day_sheet(path)]
    if sheets and len(tasks) > 1:
        raise UsageError(f"{sheets[0]}: a sheet of several workers stands alone: add the tasks to it")
    return sheets[0] if sheets else None


def _workers(
    sheet: Path, options: RecordingOptions, values: ExposureValues, over: float | None
) -> tuple[dict[str, Any], bool]:
    """Return the document of a sheet of several workers, and whether each is shown to be below a value."""
    from vibekit.handarm.workers import load_day_sheet, workers_document

    loaded, days = load_day_sheet(sheet), dict[str, "DailyExposure | RecordingLimitError"]()
    for worker in loaded.workers:
        try:
            days[worker.name] = _day([open_task(text, options, sheet.parent) for text in worker.tasks], values)
        except RecordingLimitError as error:
            days[worker.name] = error
        except UsageError as error:
            raise UsageError(f"{sheet}: worker {worker.name!r}: {error}") from None
    tools = [open_task(f"{text}@0s", options, sheet.parent).task for text in loaded.tools]
    below = over is None or all(isinstance(day, RecordingLimitError) or day.shown_below(over) for day in days.values())
    return workers_document(days, tools, values), below


def daily_value(name: str | None, values: ExposureValues | None = None) -> float | None:
    """Return the daily value that --fail-over names [m/s²], None where it is not given.

    Raises:
        UsageError: the name is neither action nor limit.
    """
    from vibekit.standards.exposure_values import EU

    if name is None:
        return None
    values = values or EU
    if name not in ("action", "limit"):
        raise UsageError(f"--fail-over {name!r} must be action or limit")
    return values.action_mps2 if name == "action" else values.limit_mps2


def end_over(value: float | None, ends: list[tuple[float, float]]) -> int:
    """Return exit code 5 where a daily value is named and ends [m/s²] of some magnitude do not lie below it, else 0."""
    from vibekit.handarm.verdict import state

    if value is None:
        return 0
    return _OVER_EXIT if any(state(one, value) != "below" for one in ends) else 0
