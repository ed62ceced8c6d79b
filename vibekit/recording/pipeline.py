"""A few pieces of work at a time, results in order: for passes over recordings of any length."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from vibekit.recording.recording import FloatArray

WORKERS = 2
_IN_FLIGHT = 4  # pieces: enough that no worker waits while the reader is busy with the next
_KEPT = 3_000_000  # numbers; see `in_order`

Piece = TypeVar("Piece")
Result = TypeVar("Result")


def in_order(work: Callable[[Piece], Result], pieces: Iterable[Piece]) -> Iterator[Result]:
    """Yield `work` of every piece in order, a few in flight at a time.

    Worth while where the work is numpy's on large arrays, which lets go of the interpreter lock.
    """
    np.empty(
        _KEPT
    )  # freed at once, never touched: from here on the C library keeps freed arrays of this size for reuse
    with ThreadPoolExecutor(WORKERS) as pool:
        waiting: deque[Future[Result]] = deque()
        for piece in pieces:
            waiting.append(pool.submit(work, piece))
            if len(waiting) > _IN_FLIGHT:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def overlapping(
    parts: Iterable[FloatArray], n_channels: int, size: int, hop: int, at_once: int
) -> Iterator[FloatArray]:
    """Yield stretches that hold up to `at_once` segments of `size`, from consecutive parts (n_channels, n) of a signal.

    Segments follow each other by `hop`; each stretch begins with its own first segment and may be kept or changed.
    What is left at the end is yielded where it holds one segment at least.
    """
    length = size + (at_once - 1) * hop
    stretch, filled = np.empty((n_channels, length)), 0
    for part in parts:
        fresh = part
        while fresh.shape[1]:
            take = min(length - filled, fresh.shape[1])
            stretch[:, filled : filled + take] = fresh[:, :take]
            fresh, filled = fresh[:, take:], filled + take
            if filled == length:
                rest = stretch[:, at_once * hop :].copy()
                yield stretch
                stretch, filled = np.empty_like(stretch), rest.shape[1]
                stretch[:, :filled] = rest
    if filled >= size:
        yield stretch[:, :filled]
