"""A few pieces of work at a time, results in order: for passes over recordings of any length."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

import numpy as np

WORKERS = 2
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
            if len(waiting) > WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
