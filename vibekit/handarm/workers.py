"""Several people's days from one sheet: each one's exposure, and how long each may still hold any tool of the sheet."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from vibekit.errors import InputError, Notice, RecordingLimitError, document
from vibekit.handarm.exposure import (
    NOT_A_PERMIT,
    DailyExposure,
    ExposureTask,
    no_magnitude,
    refused_body,
)
from vibekit.handarm.exposure_notices import day_notices
from vibekit.handarm.verdict import severity
from vibekit.recording.tables import from_table, load_toml, read_small_text
from vibekit.standards.exposure_values import ExposureValues

_WORKER = re.compile(r"^\s*(\[+\s*)?worker\b", re.MULTILINE)


@dataclass(frozen=True)
class Worker:
    """A [[worker]] of a day sheet: the name, and tasks written as on the command line."""

    name: str
    tasks: tuple[str, ...]


@dataclass(frozen=True)
class _Day:
    tools: tuple[str, ...] = ()


@dataclass(frozen=True)
class DaySheet:
    """Who did what today, and other `tools` that somebody may still want to use, written as a task without its time."""

    workers: tuple[Worker, ...]
    tools: tuple[str, ...] = ()


def is_day_sheet(path: Path) -> bool:
    """Tell whether a file is meant as a sheet of workers, sound or not. Raises InputError where it cannot be read."""
    return bool(_WORKER.search(read_small_text(path)))


def load_day_sheet(path: Path) -> DaySheet:
    """Return the workers of a TOML sheet.

    Raises:
        InputError: not such a sheet: no worker, an unknown key, a name twice, a worker without tasks.
    """
    data = load_toml(path)
    if unknown := set(data) - {"day", "worker"}:
        raise InputError(f"{path}: unknown table {sorted(unknown)[0]!r}; known are day, worker")
    rows = data.get("worker", [])
    if not isinstance(rows, list) or not rows:
        raise InputError(f'{path}: workers must be written as [[worker]], each with name = "A" and tasks = ["3.5@3h"]')
    workers = tuple(from_table(Worker, row, f"{path}: [[worker]] {i}") for i, row in enumerate(rows, 1))
    for i, worker in enumerate(workers):
        if not worker.tasks:
            raise InputError(f"{path}: worker {worker.name!r} has no tasks")
        if worker.name in [other.name for other in workers[:i]]:
            raise InputError(f"{path}: worker {worker.name!r} stands twice")
    return DaySheet(workers, from_table(_Day, data.get("day", {}), f"{path}: [day]").tools)


def workers_document(
    days: Mapping[str, DailyExposure | RecordingLimitError], tools: Sequence[ExposureTask], values: ExposureValues
) -> dict[str, Any]:
    """Return the `exposure` document of several workers; a day that cannot be given is the reason why.

    The document's own figures are those of the worker who is worst off; each worker's stand in `workers`, with `still`:
    the time left with every tool of the sheet, held in both hands.
    """
    told = {name: day for name, day in days.items() if isinstance(day, DailyExposure)}
    held = [*(task for day in told.values() for task in day.tasks), *tools]
    kinds = {(t.tool, t.a_hv_mps2, t.expanded_uncertainty_mps2): _idle(t) for t in held}
    rows = [_row(name, day, list(kinds.values()), values) for name, day in days.items()]
    worst = max(told, key=lambda name: (severity(told[name].verdict), told[name].a8_mps2), default=None)
    top = told[worst].body() if worst is not None else refused_body(values)
    notices = [n for name, day in days.items() for n in _notices(name, day)]
    return document("exposure", {"worker": worst, **top, "workers": rows}, (*notices, NOT_A_PERMIT))


def _idle(task: ExposureTask) -> ExposureTask:
    """Return a tool at rest, to be held in both hands."""
    return replace(task, time_s=0.0, time_uncertainty_s=None, hand=None)


def _row(
    name: str, day: DailyExposure | RecordingLimitError, tools: Sequence[ExposureTask], values: ExposureValues
) -> dict[str, Any]:
    if isinstance(day, RecordingLimitError):
        return {"name": name, **refused_body(values), "still": []}
    beside = replace(day, tasks=(*day.tasks, *tools))
    return {"name": name, **day.body(), "still": [_tool(tool) | beside.time_left(tool) for tool in tools]}


def _tool(tool: ExposureTask) -> dict[str, Any]:
    return {
        "tool": tool.tool,
        "a_hv_mps2": tool.a_hv_mps2,
        "expanded_uncertainty_mps2": tool.expanded_uncertainty_mps2,
    }


def _notices(name: str, day: DailyExposure | RecordingLimitError) -> list[Notice]:
    """Return the remarks on a worker's day, each saying whose it is."""
    if isinstance(day, RecordingLimitError):
        found: list[Notice] = [no_magnitude(day)]
    else:
        found = [*day.notices, *day_notices(day.each, day.tasks)]
    return [replace(notice, message=f"{name}: {notice.message}") for notice in found]
