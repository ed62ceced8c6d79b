"""The same work over many recordings: on several cores or an engine, in any order, a bad one in between survived."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

from vibekit.errors import VibekitError

T = TypeVar("T")
R = TypeVar("R")

_WORTH_WORKERS = 6  # fewer items are done before worker processes have started


def run_all(
    work: Callable[[T], R],
    items: Sequence[T],
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Iterator[tuple[int, R | VibekitError]]:
    """Yield the place of each item and its result, or the error that makes it unusable, as they come in.

    `jobs`: worker processes (None: one per core where it is worth starting them).
    """
    workers = jobs or ((os.cpu_count() or 1) if len(items) >= _WORTH_WORKERS else 1)
    for done, outcome in enumerate(_outcomes(work, items, min(workers, max(len(items), 1))), start=1):
        if progress is not None:
            progress(done / len(items))
        yield outcome


def _outcomes(work: Callable[[T], R], items: Sequence[T], workers: int) -> Iterator[tuple[int, R | VibekitError]]:
    if workers == 1:
        yield from (_caught(work, place, item) for place, item in enumerate(items))
        return
    from joblib import Parallel, delayed

    pool = Parallel(n_jobs=workers, return_as="generator_unordered", pre_dispatch="2*n_jobs")
    yield from pool(delayed(_caught)(work, place, item) for place, item in enumerate(items))


def _caught(work: Callable[[Any], Any], place: int, item: Any) -> tuple[int, Any]:
    try:
        return place, work(item)
    except VibekitError as error:
        return place, error
