"""The same work over many recordings: on several cores or an engine, in any order, a bad one in between survived."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from typing import Any, TypeVar

from vibekit.errors import InputError, UsageError, VibekitError

T = TypeVar("T")
R = TypeVar("R")

_WORTH_WORKERS = 6  # fewer items are done before worker processes have started
_ENGINE = "dask://"
_REACH_S = "10s"  # an engine that does not answer within is not there


def run_all(
    work: Callable[[T], R],
    items: Sequence[T],
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
    engine: str | None = None,
) -> Iterator[tuple[int, R | VibekitError]]:
    """Yield the place of each item and its result, or the error that makes it unusable, as they come in.

    `jobs`: worker processes (None: one per core where it is worth starting them). `engine`: an existing Dask scheduler
    ``"dask://HOST:PORT"`` whose workers have vibekit and see the same files under the same names.

    Raises:
        UsageError: the engine's name cannot be read, or its extra is not installed.
        InputError: the engine cannot be reached.
    """
    workers = jobs or ((os.cpu_count() or 1) if len(items) >= _WORTH_WORKERS else 1)
    outcomes = _spread(work, items, min(workers, max(len(items), 1)), engine)
    for done, outcome in enumerate(outcomes, start=1):
        if progress is not None:
            progress(done / len(items))
        yield outcome


def _spread(
    work: Callable[[T], R], items: Sequence[T], workers: int, engine: str | None
) -> Iterator[tuple[int, R | VibekitError]]:
    if not items:
        return
    if workers == 1 and engine is None:
        yield from (_caught(work, place, item) for place, item in enumerate(items))
        return
    from joblib import Parallel, delayed

    with nullcontext() if engine is None else _connected(engine):
        pool = Parallel(n_jobs=workers if engine is None else -1, return_as="generator_unordered")
        yield from pool(delayed(_caught)(work, place, item) for place, item in enumerate(items))


@contextmanager
def _connected(engine: str) -> Iterator[None]:
    """Make joblib hand its work to a Dask scheduler; a worker that dies there has its work done by another."""
    if not engine.startswith(_ENGINE) or len(engine) == len(_ENGINE):
        raise UsageError(f"engine {engine!r} cannot be read: write {_ENGINE}HOST:PORT")
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("an engine needs the extra: pip install 'vibekit-toolroom[dask]'") from None
    from joblib import parallel_config

    try:
        client = Client(f"tcp://{engine.removeprefix(_ENGINE)}", timeout=_REACH_S)
    except (OSError, ValueError) as error:
        raise InputError(f"engine {engine} cannot be reached: {error or 'no answer'}") from None
    with client, parallel_config(backend="dask", client=client):
        yield


def _caught(work: Callable[[Any], Any], place: int, item: Any) -> tuple[int, Any]:
    try:
        return place, work(item)
    except VibekitError as error:
        return place, error
