"""One workshop for all tests of faults: made once, copied where it is changed."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.robustness.workshop import furnish


@pytest.fixture(autouse=True)
def interruptible() -> Iterator[None]:
    """Undo what a shell does to a job in the background: it ignores Ctrl-C, and so do all processes it starts."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("workshop")
    furnish(folder)
    return folder
