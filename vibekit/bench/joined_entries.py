"""Log entries of axes recorded one after the other: joined to one entry a run, as the grade joins them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby
from typing import Any

from vibekit.bench.analysis import RunResult
from vibekit.bench.logbook import Entry
from vibekit.errors import Notice, distinct
from vibekit.handarm.axes import OperatorRun, operator_runs
from vibekit.handarm.uncertainty import expanded, with_repeatability


def joined_entries(entries: Sequence[Entry]) -> tuple[list[Entry], list[Notice]]:
    """Return grade entries of equal terms, and a caution: of a day, those that lack different axes make one a run."""
    found: list[Entry] = []
    notices: list[Notice] = []
    for _, group in groupby(sorted(entries, key=_session), key=_session):
        day = list(group)
        results = [_result(entry) for entry in day]
        runs, said = operator_runs([one for one in results if one is not None]) if None not in results else ([], ())
        joined = [notice for notice in said if notice.code == "axes_joined"]
        found += [_entry(day[0], run) for run in runs] if joined else day
        notices += joined
    return found, list(distinct(notices))


def _session(entry: Entry) -> tuple[Any, ...]:
    return entry.recorded_at.date(), entry.hours_used or 0.0


def _result(entry: Entry) -> RunResult | None:
    try:
        return RunResult.from_dict(entry.document)
    except (KeyError, TypeError):  # written by another revision, or by hand
        return None


def _entry(first: Entry, run: OperatorRun) -> Entry:
    """Return a run as an entry of its own, with the facts of the first recording that it came from."""
    doubt = expanded(run.a_hv_mps2, with_repeatability(run.budget))
    quantities = {**first.quantities, "a_hv_mps2": run.a_hv_mps2, "expanded_uncertainty_mps2": doubt}
    return replace(
        first, quantities=quantities, document={**first.document, "budget": [part.stored() for part in run.budget]}
    )
