"""A result takes its name only when the disk holds it; devices, links and leftovers of killed runs come to no harm."""

from __future__ import annotations

import errno
import os
import stat
import sys
from pathlib import Path

import pytest

from tests.robustness.contract import command
from vibekit.errors import InputError, UsageError
from vibekit.recording.atomic import atomic


def write(path: Path, text: str = "new") -> None:
    with atomic(path) as temporary:
        temporary.write_text(text)


def test_the_disk_holds_the_bytes_before_the_name_and_the_name_before_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX lets a rename reach the disk before the bytes of the file: after a loss of power it would be empty."""
    seen: list[tuple[str, str, int]] = []
    sync, replace = os.fsync, os.replace

    def fsync(descriptor: int) -> None:
        of = os.fstat(descriptor)
        seen.append(("fsync", "folder" if stat.S_ISDIR(of.st_mode) else "file", of.st_size))
        sync(descriptor)

    def renamed(source: Path, target: Path) -> None:
        seen.append(("replace", Path(target).name, Path(source).stat().st_size))
        replace(source, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(os, "replace", renamed)
    write(tmp_path / "page.html", "x" * 70_000)
    done = [(what, name) for what, name, _ in seen]
    folder = [] if sys.platform == "win32" else [("fsync", "folder")]
    assert done == [("fsync", "file"), ("replace", "page.html"), *folder]
    assert {size for what, name, size in seen if name != "folder"} == {70_000}


def test_a_disk_that_does_not_take_the_bytes_leaves_the_old_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Some file systems say only on fsync that there is no room or that the disk is broken."""
    write(tmp_path / "r.toml", "old")

    def broken(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(InputError, match=r"r\.toml: cannot be written: Input/output error"):
        write(tmp_path / "r.toml")
    assert (tmp_path / "r.toml").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["r.toml"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes of POSIX")
def test_a_device_or_a_pipe_is_not_replaced_by_a_file(tmp_path: Path) -> None:
    """As root a rename over /dev/null would take it from the whole machine."""
    os.mkfifo(tmp_path / "pipe")
    with (
        pytest.raises(UsageError, match="pipe: cannot be written: a device or a pipe"),
        atomic(tmp_path / "pipe", UsageError),
    ):
        pass
    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    assert [p.name for p in tmp_path.iterdir()] == ["pipe"]


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
@pytest.mark.parametrize("there", [True, False], ids=["to a file", "to nothing yet"])
def test_a_symbolic_link_stays_one(there: bool, tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    if there:
        write(tmp_path / "real" / "page.html", "old")
    (tmp_path / "latest.html").symlink_to("real/page.html")
    write(tmp_path / "latest.html")
    assert (tmp_path / "latest.html").is_symlink()
    assert (tmp_path / "real" / "page.html").read_text() == "new"


def test_what_a_killed_run_left_is_taken_for_nothing(workshop: Path, tmp_path: Path) -> None:
    """Half a recording, sidecar and log under their hidden names, in folders and globs that are read whole."""
    folder = tmp_path / "a"
    folder.mkdir()
    for path in (workshop / "a").iterdir():
        content = path.read_bytes()
        (folder / path.name).write_bytes(content)
        (folder / f".{path.name}.0123abcd.tmp").write_bytes(content[: len(content) // 2])
    for given in (folder, folder / "*", folder / ".*", tmp_path / "*"):
        outcome = command("grade", given, "--json")
        if given.name == ".*":
            assert outcome.code == 3, outcome
            assert "no recordings there" in outcome.err
        else:
            assert [r["file"] for r in outcome.document["recordings"]] == ["recording.wav"]
