"""Faults of disk, files and surroundings: the old result stays, nothing is left half written, one line says why."""

from __future__ import annotations

import contextlib
import locale
import os
import re
import resource
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.robustness.contract import command, require_contract
from tests.robustness.workshop import OLD, READERS, WRITERS, copied, ended, leftovers, start

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="resource limits and signals of POSIX")


@contextlib.contextmanager
def no_file_beyond(size: int) -> Iterator[None]:
    """Let no file of this process grow beyond that many bytes: writing fails as on a full disk."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def entries(log: Path) -> list[tuple[str, str]]:
    with contextlib.closing(sqlite3.connect(log)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return connection.execute("SELECT tag, kind FROM entry ORDER BY id").fetchall()


@pytest.mark.parametrize("name", sorted(WRITERS))
def test_a_full_disk_leaves_the_old_result_whole(
    name: str, workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No file may grow beyond 200 bytes: every write of a result fails as on a full disk."""
    own = copied(workshop, tmp_path)
    words, target = WRITERS[name]
    before, present = entries(workshop / "log.sqlite"), {p.name for p in own.rglob("*")}
    monkeypatch.chdir(own)
    with no_file_beyond(200 if name != "calibrate" else 20):
        outcome = command(*words)
    assert outcome.code in (2, 3), outcome.err
    if target is not None:
        assert OLD.strip() in (own / target).read_text()
    assert leftovers(own) == []
    made = {p.name for p in own.rglob("*") if p.is_file()} - present
    assert made <= {"log.sqlite-wal", "log.sqlite-shm"}, made
    for name in ("log.sqlite-wal", "log.sqlite-shm"):
        (own / name).unlink(missing_ok=True)
    assert entries(own / "log.sqlite") == before


def test_a_file_system_that_is_full(workshop: Path, tmp_path: Path) -> None:
    """A real one of 16 KiB, where one can be mounted."""
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=16k", "none", small], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("no file system can be mounted here")
    try:
        page = str(small / "page.html")
        for words in (
            ["report", "a/recording.wav", "--out", page],
            ["simulate", "--out", str(small / "o"), "--duration", "4", "--rate", "12800"],
            ["simulate", "--out", str(small / "o"), "--duration", "4", "--rate", "3200", "--format", "csv"],
            ["log", "add", "a/recording.wav", "--log", str(small / "log.sqlite"), "--jobs", "1"],
        ):
            outcome = ended(start(words, workshop), words)
            require_contract(outcome)
            assert outcome.code in (2, 3), outcome
            assert leftovers(small) == []
            assert not Path(page).exists()
    finally:
        subprocess.run(["umount", small], check=True)


@pytest.mark.parametrize("name", sorted(WRITERS))
def test_a_target_that_cannot_be_written_is_said_in_one_line(
    name: str, workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder to write into is a file: fails for everybody, root too."""
    own = copied(workshop, tmp_path)
    (own / "nofolder").write_text(OLD)
    words, _ = WRITERS[name]
    names = ("old.html", "old.png", "old.svg", "old.csv", "old.parquet", "old.toml", "log.sqlite", "o", "c.wav")
    moved = [f"nofolder/{word}" if word in names else word for word in words]
    monkeypatch.chdir(own)
    assert command(*moved).code in (2, 3)
    assert (own / "nofolder").read_text() == OLD
    assert leftovers(own) == []


def test_a_log_on_a_medium_that_cannot_be_written_is_still_read(
    workshop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = copied(workshop, tmp_path)
    entries(own / "log.sqlite")
    log = own / "log.sqlite"
    writable = command("log", "list", "--log", log, "--json").document["entries"]
    access = os.access
    monkeypatch.setattr(os, "access", lambda path, mode, **k: mode != os.W_OK and access(path, mode, **k))
    assert command("log", "list", "--log", log, "--json").document["entries"] == writable
    (own / "log.sqlite-wal").write_bytes(b"entries not merged yet")
    assert command("log", "list", "--log", log).code == 3


def test_a_file_that_is_cut_while_it_is_read(workshop: Path, tmp_path: Path) -> None:
    import vibekit as vk

    path = tmp_path / "r.wav"
    shutil.copy(workshop / "a" / "recording.wav", path)
    stream = vk.open_recording(path, calibration=vk.Calibration.full_scale("50 g"), axes=["x", "y", "z", "tach"])
    blocks = stream.blocks(1000)
    next(blocks)
    os.truncate(path, 9000)
    with pytest.raises(vk.InputError, match="truncated"):
        list(blocks)


@pytest.mark.parametrize("suffix", [".wav", ".csv"])
def test_a_file_that_is_taken_away_before_it_is_read(suffix: str, workshop: Path, tmp_path: Path) -> None:
    import vibekit as vk

    path = tmp_path / f"r{suffix}"
    if suffix == ".wav":
        shutil.copy(workshop / "a" / "recording.wav", path)
        stream = vk.open_recording(path, calibration=vk.Calibration.full_scale("50 g"), axes=["x", "y", "z", "tach"])
    else:
        path.write_text("x [g],y [g],z [g]\n" + "1,2,3\n" * 9000)
        stream = vk.open_recording(path, sample_rate=1000.0)
    path.unlink()
    with pytest.raises((vk.InputError, OSError), match=f"r{suffix}"):  # an OSError is one line and exit code 3 as well
        list(stream.blocks())


def test_a_file_that_grows_while_it_is_read_is_read_as_it_was_opened(tmp_path: Path) -> None:
    import numpy as np
    import soundfile

    import vibekit as vk

    path = tmp_path / "r.wav"
    soundfile.write(path, np.zeros((4000, 3)), 1000)
    stream = vk.open_recording(path, calibration=vk.Calibration.full_scale("50 g"))
    blocks = stream.blocks(500)
    count = next(blocks).acceleration.shape[1]
    soundfile.write(path, np.zeros((9000, 3)), 1000)
    assert count + sum(block.acceleration.shape[1] for block in blocks) == 4000


@pytest.mark.parametrize(
    "surroundings",
    [
        {"LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8"},
        {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii"},
        {"COLUMNS": "1", "LINES": "1", "TERM": "dumb", "NO_COLOR": "1"},
        {"HOME": "/nonexistent", "XDG_DATA_HOME": "/proc/none", "TZ": "Pacific/Kiritimati"},
    ],
    ids=lambda s: ",".join(s),
)
def test_surroundings_change_no_number(
    surroundings: dict[str, str], workshop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ["grade", "a/recording.wav", "--json"]
    plain = command("grade", workshop / "a" / "recording.wav", "--json")
    for name, value in surroundings.items():
        monkeypatch.setenv(name, value)
    changed = ended(start(words, workshop), words)
    require_contract(changed)
    assert changed.document == plain.document
    helped = ended(start(["grade", "--help"], workshop), ["grade", "--help"])
    assert helped.code == 0
    assert "--full-scale" in helped.out


@pytest.fixture(scope="module")
def decimal_comma(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Run with a decimal comma in the library of C: its locale is made for the test where the machine can make one."""
    folder, before, path = (
        tmp_path_factory.mktemp("locales"),
        locale.setlocale(locale.LC_ALL),
        os.environ.get("LOCPATH"),
    )
    made = shutil.which("localedef") and subprocess.run(
        ["localedef", "-i", "de_DE", "-f", "UTF-8", folder / "de_DE.UTF-8"], capture_output=True, check=False
    )
    if not made or made.returncode:
        pytest.skip("no locale can be made here: the sources are missing (package locales)")
    os.environ["LOCPATH"] = str(folder)
    try:
        locale.setlocale(locale.LC_ALL, "de_DE.UTF-8")
        assert locale.localeconv()["decimal_point"] == ","
        yield
    finally:
        os.environ.pop("LOCPATH") if path is None else os.environ.update(LOCPATH=path)
        locale.setlocale(locale.LC_ALL, before)


@pytest.fixture(scope="module")
def with_a_point(workshop: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    """Return what every command says and writes with the decimal point."""
    return dict(said_and_written(workshop, tmp_path_factory.mktemp("point")))


_UNLIKE = re.compile(rb"<dc:date>.*?</dc:date>|(?<=[#\"])[a-z][0-9a-f]{10}(?=[\")])")  # of every SVG: its time, its ids


def said_and_written(workshop: Path, folder: Path) -> Iterator[tuple[str, object]]:
    """Yield what every command says, as text and as a document, and what the files hold that it writes."""
    own = copied(workshop, folder)
    home = Path.cwd()
    os.chdir(own)
    try:
        for words in READERS:
            for form in ([], ["--json"]):
                outcome = command(*words, *form)
                yield " ".join([*words, *form]), (outcome.code, outcome.out, outcome.err)
        for name, (words, target) in WRITERS.items():
            outcome = command(*words)
            yield name, (outcome.code, outcome.err)
            if target is not None and not target.endswith(".parquet"):
                yield f"{name}: {target}", _UNLIKE.sub(b"", (own / target).read_bytes())
        for path in sorted((own / "o").iterdir()):
            yield path.name, path.read_bytes()
    finally:
        os.chdir(home)


def test_a_decimal_comma_in_the_library_of_c_changes_nothing(
    workshop: Path, with_a_point: dict[str, object], decimal_comma: None, tmp_path: Path
) -> None:
    """A host program of the library may have called setlocale; no word, number or file of any command differs."""
    for what, result in said_and_written(workshop, tmp_path):
        assert result == with_a_point[what], what


@pytest.mark.parametrize(
    ("module", "suffix", "names"),
    [("h5py", ".h5", "hdf5"), ("pyuff", ".uff", "uff"), ("pyarrow", ".parquet", "parquet")],
)
def test_a_missing_extra_is_named(
    module: str, suffix: str, names: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / f"r{suffix}"
    path.write_bytes(b"something")
    for loaded in [m for m in sys.modules if m == module or m.startswith(f"{module}.")]:
        monkeypatch.delitem(sys.modules, loaded)
    monkeypatch.setitem(sys.modules, module, None)
    outcome = command("check", path, "--unit", "g")
    assert outcome.code == 3
    assert f"[{names}]" in outcome.err


@pytest.mark.parametrize("lost", [">&-", "2>&-", "<&-", "> /dev/full", "2> /dev/full", "| head -c 0"])
def test_a_stream_that_is_closed_or_full_is_no_defect(lost: str, workshop: Path) -> None:
    line = f"'{sys.executable}' -m vibekit_cli exposure 3@1h {lost}"
    shell = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {line}"], cwd=workshop, capture_output=True, text=True, check=False
    )
    assert "Traceback" not in shell.stderr
    assert "Exception ignored" not in shell.stderr
    assert shell.returncode == (3 if lost == "> /dev/full" else 0), shell


def test_no_clock_runs_backwards_into_a_number(workshop: Path, tmp_path: Path) -> None:
    """A log whose entries came in with a clock that jumped to 1970 and to 2100 is still listed and followed."""
    own = copied(workshop, tmp_path)
    with sqlite3.connect(own / "log.sqlite") as connection:
        rows = connection.execute("SELECT * FROM entry WHERE kind = 'grade'").fetchall()
        columns = [c[1] for c in connection.execute("PRAGMA table_info(entry)")]
        for i, when in enumerate(("1970-01-01T00:00:00.000000+00:00", "2100-01-01T00:00:00.000000+00:00")):
            row = dict(zip(columns, rows[0], strict=True))
            row |= {"id": None, "recorded_at": when, "logged_at": when, "recording_sha256": f"{i}" * 64}
            connection.execute(f"INSERT INTO entry VALUES ({','.join('?' * len(row))})", tuple(row.values()))
    for words in (["log", "list"], ["log", "show", "T-11"], ["trend", "T-11"]):
        outcome = command(*words, "--log", own / "log.sqlite", "--json")
        assert outcome.code == 0, outcome.err
    assert command("teardown", "T-11", "--found", "healthy", "--log", own / "log.sqlite", "--json").code == 0
