"""One workshop for all tests of faults: made once, copied where it is changed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.robustness.workshop import furnish


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("workshop")
    furnish(folder)
    return folder
