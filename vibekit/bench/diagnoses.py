"""Diagnoses for the log: one per tool, over the recordings that show most."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from vibekit.bench.analysis import RunResult
from vibekit.bench.logbook import Entry
from vibekit.bench.session import entries_of
from vibekit.errors import Notice, VibekitError
from vibekit.recording.recording import RecordingStream

MOST_RECORDINGS = 6  # of one diagnosis: they are in memory together


def diagnoses(
    runs: Sequence[tuple[RunResult, Path]], open_stream: Callable[[Path], RecordingStream]
) -> tuple[list[Entry], list[Notice]]:
    """Return a log entry per tool, and a notice for each tool that could not be diagnosed.

    Of each condition and position the last run enters.
    """
    entries, notices = [], []
    for tag in dict.fromkeys(run.tag for run, _ in runs if run.tag is not None):
        chosen = _telling([(run, path) for run, path in runs if run.tag == tag])
        try:
            entries.append(_diagnose(chosen, open_stream))
        except VibekitError as error:
            message = f"{tag}: no diagnosis: {error}"
            notices.append(Notice("not_diagnosed", "info", message, remedy="see vibekit diagnose"))
    return entries, notices


def _telling(runs: Sequence[tuple[RunResult, Path]]) -> list[tuple[RunResult, Path]]:
    latest = {(run.condition, run.position): (run, path) for run, path in runs}
    return list(latest.values())[-MOST_RECORDINGS:]


def _diagnose(runs: Sequence[tuple[RunResult, Path]], open_stream: Callable[[Path], RecordingStream]) -> Entry:
    from vibekit.machine.diagnosis import diagnose

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
        recording_sha256=_joint([run.sha256 for run, _ in runs]),
        inputs_sha256=_joint([run.inputs for run, _ in runs]),
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


def _joint(hashes: Sequence[str]) -> str:
    """Return the hash of one recording, or of the sorted hashes of several."""
    return hashes[0] if len(hashes) == 1 else hashlib.sha256("\n".join(sorted(hashes)).encode()).hexdigest()
