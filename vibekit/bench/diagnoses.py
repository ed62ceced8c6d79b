"""Diagnoses for the log: one per tool, over the recordings that show most."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from vibekit.bench.analysis import RunResult, file_sha256
from vibekit.bench.logbook import Entry
from vibekit.bench.parallel import run_all
from vibekit.bench.session import entries_of
from vibekit.errors import Notice, VibekitError
from vibekit.machine.faults import judgement
from vibekit.recording.recording import RecordingStream

Run = tuple[RunResult, Path]

MOST_RECORDINGS = 6  # of one diagnosis: they are in memory together


def by_tool(runs: Sequence[Run]) -> list[list[Run]]:
    """Return the recordings that make each tool's diagnosis: the last of each condition and position, six at most."""
    groups = []
    for tag in dict.fromkeys(run.tag for run, _ in runs if run.tag is not None):
        latest = {(run.condition, run.position): (run, path) for run, path in runs if run.tag == tag}
        groups.append(list(latest.values())[-MOST_RECORDINGS:])
    return groups


def diagnoses(
    groups: Sequence[list[Run]],
    open_stream: Callable[[Path], RecordingStream],
    workers: int | None = None,
    engine: str | None = None,
) -> Iterator[Entry | Notice]:
    """Yield, as they come, a log entry per tool, or a notice where it could not be diagnosed.

    `workers` and `engine` are as of `run_all`.
    """
    for place, outcome in run_all(partial(_diagnose, open_stream), groups, workers, engine=engine):
        if isinstance(outcome, VibekitError):
            message = f"{groups[place][0][0].tag}: no diagnosis: {outcome}"
            yield Notice("not_diagnosed", "info", message, remedy="see vibekit diagnose")
        else:
            yield outcome


def _diagnose(open_stream: Callable[[Path], RecordingStream], runs: Sequence[Run]) -> Entry:
    from vibekit.machine.faults.diagnosis import diagnose

    recordings = [open_stream(path).read() for _, path in runs]
    document = diagnose(recordings, recordings[0].tool).to_dict()
    last, path = max(runs, key=lambda pair: entries_of(*pair)[0].recorded_at)
    shared = entries_of(last, path)[0]
    return Entry(
        recorded_at=shared.recorded_at,
        recorded_from=shared.recorded_from,
        tag=shared.tag,
        kind="diagnosis",
        quantities=quantities(document),
        recording_sha256=joint_hash([run.sha256 for run, _ in runs]),
        inputs_sha256=inputs_of(runs),
        file=", ".join(run.file for run, _ in runs),
        accessory=shared.accessory,
        hours_used=shared.hours_used,
        document=document,
    )


def quantities(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return probability and, where stated, unbalance of each finding of a `diagnose` document, and its verdict."""
    values: dict[str, Any] = {}
    for finding in document["findings"]:
        values[finding["fault"]] = finding["probability"]
        unbalance = (finding.get("size") or {}).get("residual_unbalance_g_mm")
        if unbalance is not None:
            values[f"{finding['fault']}.residual_unbalance_g_mm"] = unbalance
    return {**values, "verdict": document["verdict"]}


def inputs_of(runs: Sequence[Run]) -> str:
    """Return the hash of all that enters a diagnosis: the recordings' inputs and the table it is judged by."""
    table = Path(judgement.__file__).with_name("judgement.toml")
    return joint_hash([file_sha256(table), *(run.inputs for run, _ in runs)])


def joint_hash(hashes: Sequence[str]) -> str:
    """Return the hash of one recording, or of the sorted hashes of several."""
    return hashes[0] if len(hashes) == 1 else hashlib.sha256("\n".join(sorted(hashes)).encode()).hexdigest()
