"""Many recordings: every core, a bad one in between, stopped and gone on with, nothing done or counted twice."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.bench.tools import write_run
from vibekit.bench import session
from vibekit.bench.analysis import RunResult, analyse, fingerprint
from vibekit.bench.logbook import entries, open_log
from vibekit.bench.parallel import run_all
from vibekit.bench.session import Job, jobs_of, run_session
from vibekit.errors import InputError


def _square(n: int) -> int:
    if n == 3:
        raise InputError("three cannot be used")
    return n * n


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_bad_item_is_survived_in_its_place(jobs: int) -> None:
    seen: list[float] = []
    outcomes = dict(run_all(_square, range(8), jobs, seen.append))
    assert [outcomes[n] for n in range(8) if n != 3] == [n * n for n in range(8) if n != 3]
    assert isinstance(outcomes[3], InputError) and str(outcomes[3]) == "three cannot be used"
    assert seen == [pytest.approx((n + 1) / 8) for n in range(8)]


def test_two_processes_are_at_work() -> None:
    """Each item tells its process; as many as asked for take part, none of them this one."""
    outcomes = dict(run_all(_whose, range(12), 2))
    processes = set(outcomes.values())
    assert len(processes) == 2 and os.getpid() not in processes


def _whose(_: int) -> int:
    time.sleep(0.05)
    return os.getpid()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("rec")
    for n in range(12):
        write_run(path, f"run-{n:02d}", f"T-{n % 3}", 4.0 + n % 3, seed=n, condition="loaded", run=n)
    return path


def test_results_keep_the_order_and_are_the_same_on_any_number_of_cores(folder: Path) -> None:
    jobs, _ = jobs_of([folder])
    one, two = (run_session(jobs, workers=workers).runs for workers in (1, 2))
    assert [run.file for run in one] == [f"run-{n:02d}.wav" for n in range(12)]
    assert one == two


def test_a_result_comes_back_from_the_log_as_it_was(folder: Path, tmp_path: Path) -> None:
    jobs, _ = jobs_of([folder])
    with open_log(tmp_path / "log.sqlite") as log:
        first = run_session(jobs, log, 1)
        again = run_session(jobs, log, 1, work=_never)
    assert (first.from_log, again.from_log) == (0, 12)
    plain = [(r.file, r.tag, r.a_hv_mps2, r.budget, r.spindle_rpm, r.inputs) for r in first.runs]
    assert [(r.file, r.tag, r.a_hv_mps2, r.budget, r.spindle_rpm, r.inputs) for r in again.runs] == plain


def _never(_: Job) -> RunResult:
    raise AssertionError("computed again")


def test_another_revision_or_other_facts_are_computed_again(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    jobs, _ = jobs_of([folder / "run-00.wav"])
    with open_log(tmp_path / "log.sqlite") as log:
        run_session(jobs, log)
        monkeypatch.setattr("vibekit.bench.analysis.REVISION", 99)
        assert run_session(jobs, log).from_log == 0
        assert len(entries(log, kind="grade")) == 1
    prints = [fingerprint(folder / "run-00.wav", {"recording": {"operator": name}}).inputs for name in "AB"]
    assert prints[0] != prints[1]


STOPPED = """
import sys, time
import vibekit.bench.session as session
from vibekit.bench.logbook import open_log
def slow(job):
    time.sleep(0.1)
    return session.analyse_job(job)
jobs, _ = session.jobs_of([sys.argv[1]])
with open_log(sys.argv[2]) as log:
    print("ready", flush=True)
    session.run_session(jobs, log, int(sys.argv[3]), work=slow)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
@pytest.mark.parametrize("workers", [1, 2])
def test_a_killed_run_goes_on_where_it_was(folder: Path, tmp_path: Path, workers: int) -> None:
    path = tmp_path / "log.sqlite"
    arguments = [sys.executable, "-c", STOPPED, str(folder), str(path), str(workers)]
    process = subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True)
    deadline = time.monotonic() + 30
    done = 0
    while time.monotonic() < deadline and done < 4:
        time.sleep(0.05)
        if path.exists():
            with open_log(path) as log:
                done = len(entries(log, kind="grade"))
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate(timeout=30)
    with open_log(path) as log:
        kept = len(entries(log, kind="grade"))
        assert 4 <= kept < 12
        result = run_session(jobs_of([folder])[0], log, 1)
        assert result.from_log == kept
        assert len(result.runs) == len(entries(log, kind="grade", superseded=True)) == 12


def test_failures_are_named_and_the_rest_done(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "bad.wav").write_bytes(b"RIFF")
    said: list[str] = []
    result = run_session(jobs_of([tmp_path, folder])[0], workers=1, on_failure=said.append)
    assert len(result.runs) == 12 and len(result.failures) == 1
    assert "bad.wav" in said[0] and result.failures[0].value == str(tmp_path / "bad.wav")
    with pytest.raises(InputError, match=r"bad\.wav"):
        run_session(jobs_of([tmp_path])[0])


def test_the_speed_of_a_recording_that_is_too_long_is_left_out(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_run(folder.parent, "long", "T-9", 4.0)
    sidecar = path.with_suffix(".toml")
    sidecar.write_text(sidecar.read_text().replace("spindle_rpm = 4775\n", ""))
    monkeypatch.setattr("vibekit.bench.analysis.SPEED_READS_S", 1.0)
    result = analyse(path)
    assert result.spindle_rpm is None and "speed_unknown" in {n.code for n in result.notices}


def test_a_sheet_and_a_folder_name_a_recording_once(folder: Path) -> None:
    sheet = folder / "bench.toml"
    sheet.write_text('[bench]\nrecordings = ["run-0*.wav"]\noperator = "A"\n')
    jobs, sheets = jobs_of([sheet, folder])
    assert len(jobs) == 12 and len(sheets) == 1
    assert jobs[0].defaults == {"recording": {"operator": "A"}}
    assert session.analyse_job(jobs[0]).operator == "A"
    sheet.unlink()


def test_sidecars_among_the_arguments_are_no_bench_sheets(tmp_path: Path) -> None:
    """As a shell hands them over for `run-*`; a sidecar alone is named as what it is."""
    write_run(tmp_path, "run-1", "T-1", 4.0)
    write_run(tmp_path, "run-2", "T-1", 4.0, seed=2)
    given = sorted(tmp_path.glob("run-*"))
    assert {path.suffix for path in given} == {".wav", ".toml"}
    jobs, sheets = jobs_of(given)
    assert [job.path.name for job in jobs] == ["run-1.wav", "run-2.wav"]
    assert sheets == []
    with pytest.raises(InputError, match="is the sidecar of a recording"):
        jobs_of([tmp_path / "run-1.toml"])
