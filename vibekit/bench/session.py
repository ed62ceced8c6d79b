"""Many recordings analysed once each: on all cores, kept in a log so that a stopped run goes on where it was."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vibekit.bench.analysis import RunResult, analyse, fingerprint
from vibekit.bench.gather import companions, gather
from vibekit.bench.logbook import Entry, add_entries, known_result
from vibekit.bench.parallel import run_all
from vibekit.bench.sheets import BenchSheet, SharedFacts, load_bench
from vibekit.errors import InputError, Notice, VibekitError


@dataclass(frozen=True)
class Job:
    """One recording with the facts shared with others."""

    path: Path
    defaults: SharedFacts | None = None


@dataclass(frozen=True)
class SessionResult:
    """Results and their files in the order given; what could not be used; how many came from the log."""

    runs: tuple[RunResult, ...]
    paths: tuple[Path, ...]
    failures: tuple[Notice, ...]
    from_log: int


def jobs_of(given: Iterable[str | Path]) -> tuple[list[Job], list[BenchSheet]]:
    """Return the recordings that bench sheets, recordings, folders and globs name, each once, and the sheets.

    What a sheet names comes first, with what it says of all its recordings; sidecars of given recordings are no sheets.

    Raises:
        InputError: a sheet cannot be used, or a folder or glob holds no recording.
    """
    entries = [Path(entry) for entry in given]
    loose = gather(path for path in entries if path.suffix.lower() != ".toml")
    left_out = companions([*entries, *loose])
    sheets = [load_bench(path) for path in entries if path.suffix.lower() == ".toml" and path not in left_out]
    jobs: dict[Path, Job] = {}
    for job in [Job(path, sheet.defaults) for sheet in sheets for path in sheet.recordings] + [Job(p) for p in loose]:
        jobs.setdefault(job.path.absolute(), job)
    return list(jobs.values()), sheets


def analyse_job(job: Job) -> RunResult:
    """Return the result of one job. Raises InputError."""
    return analyse(job.path, job.defaults)


def run_session(
    jobs: Sequence[Job],
    log: sqlite3.Connection | None = None,
    workers: int | None = None,
    progress: Callable[[float], None] | None = None,
    on_failure: Callable[[str], None] | None = None,
    work: Callable[[Job], RunResult] = analyse_job,
    options: Mapping[str, Any] | None = None,
    engine: str | None = None,
) -> SessionResult:
    """Return the results of all jobs; those the log holds are not computed again, new ones are logged as they come.

    `options` enters the fingerprint of results that `work` makes with them; `workers` and `engine` are as of `run_all`.

    Raises:
        InputError: no recording at all can be used (the first reason).
    """
    done: dict[int, RunResult | VibekitError] = {}
    if log is not None:
        done = {place: found for place, job in enumerate(jobs) if (found := _logged(log, job, options)) is not None}
    from_log = sum(isinstance(result, RunResult) for result in done.values())
    open_places = [place for place in range(len(jobs)) if place not in done]
    for at, result in run_all(work, [jobs[place] for place in open_places], workers, progress, engine):
        place = open_places[at]
        done[place] = result
        if isinstance(result, RunResult) and log is not None and result.tag is not None:
            add_entries(log, entries_of(result, jobs[place].path))
    ordered = [done[place] for place in range(len(jobs))]
    good = [(result, job.path) for result, job in zip(ordered, jobs, strict=True) if isinstance(result, RunResult)]
    failures = [(jobs[i].path, error) for i, error in enumerate(ordered) if isinstance(error, VibekitError)]
    if failures and not good:
        raise failures[0][1]
    if on_failure is not None:
        for _, error in failures:
            on_failure(str(error))
    runs, paths = tuple(result for result, _ in good), tuple(path for _, path in good)
    return SessionResult(runs, paths, tuple(_failure(path, error) for path, error in failures), from_log)


def _logged(log: sqlite3.Connection, job: Job, options: Mapping[str, Any] | None) -> RunResult | VibekitError | None:
    try:
        document = known_result(log, fingerprint(job.path, job.defaults, options).inputs, "grade")
    except InputError as error:
        return error
    try:
        return RunResult.from_dict(document) if document is not None else None
    except (KeyError, TypeError, AttributeError):  # written by another revision, or by hand: computed again
        return None


def _failure(path: Path, error: VibekitError) -> Notice:
    remedy = "see the message; the others are done"
    return Notice("recording_unusable", "caution", str(error), value=str(path), remedy=remedy)


def entries_of(run: RunResult, path: Path) -> list[Entry]:
    """Return the log entries of a result: its grade, and its speed where it has one.

    Raises:
        InputError: no tool sheet names the tool.
    """
    if run.tag is None:
        raise InputError(f"{run.file}: no tool sheet names the tool: give --tool, or tool in the sidecar")
    when = datetime.fromisoformat(run.started) if run.started else datetime.fromtimestamp(path.stat().st_mtime, UTC)
    shared: dict[str, Any] = {
        "recorded_at": when,
        "tag": run.tag,
        "recording_sha256": run.sha256,
        "inputs_sha256": run.inputs,
        "file": run.file,
        "recorded_from": "stated" if run.started else "file time",
        "condition": run.condition,
        "position": run.position,
        "accessory": run.accessory,
        "hours_used": run.hours_used,
    }
    graded = {
        "a_hv_mps2": run.a_hv_mps2,
        "expanded_uncertainty_mps2": run.expanded_uncertainty_mps2,
        "trigger_on_s": run.trigger_on_s,
        "running_max_mps2": run.grade.get("running_max_mps2"),
    }
    entries = [Entry(kind="grade", quantities=graded, document=run.to_dict(), **shared)]
    if run.spindle_rpm is not None:
        turning = {"spindle_rpm": run.spindle_rpm, "source": run.speed_source}
        entries.append(Entry(kind="speed", quantities=turning, **shared))
    return entries
