"""An existing engine: a real local scheduler and two workers, one of them killed while it works."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench.tools import write_run
from vibekit.bench.logbook import entries, open_log
from vibekit.bench.parallel import run_all
from vibekit.bench.session import jobs_of, run_session
from vibekit.errors import InputError, UsageError


def start(part: str, *arguments: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", f"distributed.cli.dask_{part}", *arguments]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    pytest.importorskip("distributed")
    file = tmp_path / "scheduler.json"
    scheduler = start("scheduler", "--port", "0", "--no-dashboard", "--scheduler-file", str(file))
    workers = [
        start("worker", "--scheduler-file", str(file), "--nthreads", "1", "--no-dashboard", "--no-nanny")
        for _ in range(2)
    ]
    try:
        from distributed import Client

        deadline = time.monotonic() + 30
        while not file.exists() and time.monotonic() < deadline:
            time.sleep(0.1)
        with Client(scheduler_file=str(file)) as client:
            client.wait_for_workers(2, timeout=30)
            address = client.scheduler.address
        yield address.replace("tcp://", "dask://"), workers
    finally:
        for process in (*workers, scheduler):
            process.kill()
            process.wait(10)


def test_a_killed_worker_loses_and_doubles_nothing(
    engine: tuple[str, list[subprocess.Popen[bytes]]], tmp_path: Path
) -> None:
    """One of two workers is killed after the first results: all recordings are there once, as on one core."""
    name, workers = engine
    folder = tmp_path / "rec"
    folder.mkdir()
    for n in range(24):
        write_run(folder, f"run-{n:02d}", f"T-{n % 3}", 4.0 + n % 3, seed=n, condition="loaded")
    jobs, _ = jobs_of([folder])
    killed: list[float] = []

    def kill_one(fraction: float) -> None:
        if fraction > 0.1 and not killed:
            os.kill(workers[0].pid, signal.SIGKILL)
            killed.append(fraction)

    with open_log(tmp_path / "log.sqlite") as log:
        result = run_session(jobs, log, progress=kill_one, engine=name)
        stored = entries(log, kind="grade", superseded=True)
    assert killed and killed[0] < 1.0
    assert workers[0].wait(10) != 0 and workers[1].poll() is None
    assert len(stored) == 24
    assert result.runs == run_session(jobs, workers=1).runs


def test_an_engine_that_is_not_there_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vibekit.bench.parallel._REACH_S", "1s")
    with pytest.raises(UsageError, match="HOST:PORT"):
        list(run_all(abs, [1, 2], engine="spark://x"))
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="cannot be reached"):
        list(run_all(abs, [1, 2], engine="dask://127.0.0.1:9"))
