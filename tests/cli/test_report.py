"""`vibekit report` as a process: the page, the exit codes, and that nothing else is touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench.page_checks import check_structure
from tests.bench.tools import write_run
from tests.cli.run import vibekit


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_one_recording_gives_one_page_and_touches_nothing_else(tmp_path: Path) -> None:
    recording = write_run(tmp_path, "one", "T-1", 5.0)
    before = files(tmp_path)
    ended = vibekit("report", recording, "--out", tmp_path / "page.html")
    assert ended.code == 0
    assert "How harsh: It shakes the hand with" in ended.out
    after = files(tmp_path)
    check_structure(after.pop("page.html").decode())
    assert after == before


def test_json_is_one_document(tmp_path: Path) -> None:
    recording = write_run(tmp_path, "one", "T-1", 5.0)
    document = vibekit("report", recording, "--out", tmp_path / "page.html", "--json").document
    assert (document["document"], document["version"]) == ("report", 1)
    assert document["file"] == str(tmp_path / "page.html")
    assert document["tools"][0]["tool"] == "T-1"
    assert document["tools"][0]["recordings"] == ["one.wav"]
    assert any(notice["code"] == "few_runs" for notice in document["notices"])


def test_a_bench_sheet_gives_its_title_and_its_defaults(tmp_path: Path) -> None:
    for tag, a_hv in (("T-1", 2.5), ("T-2", 6.0)):
        write_run(tmp_path, f"{tag}-1", tag, a_hv)
    (tmp_path / "bench.toml").write_text(
        '[bench]\ntitle = "Spring check"\nrecordings = ["*.wav"]\ncondition = "loaded"\n'
    )
    ended = vibekit("report", tmp_path / "bench.toml", "--out", tmp_path / "page.html", "--json")
    assert ended.code == 0
    page = check_structure((tmp_path / "page.html").read_text())
    assert page.named("h1")[0].text == "Spring check"
    assert {tool["tool"] for tool in ended.document["tools"]} == {"T-1", "T-2"}
    assert "loaded" in ended.document["tools"][0]["headline"]["What it is"]


def test_workers_change_nothing_on_the_page(tmp_path: Path) -> None:
    for tag, a_hv in (("T-1", 2.5), ("T-2", 6.0), ("T-3", 9.0)):
        write_run(tmp_path, f"{tag}-1", tag, a_hv)
    pages = []
    for jobs in (1, 2):
        assert vibekit("report", tmp_path, "--out", tmp_path / "page.html", "--jobs", str(jobs)).code == 0
        pages.append((tmp_path / "page.html").read_text())
    assert pages[0] == pages[1]


def test_a_refusal_is_on_the_page_and_in_the_exit_code(tmp_path: Path) -> None:
    recording = write_run(tmp_path, "one", "T-1", 5.0)
    ended = vibekit("report", recording, "--to", "1.5", "--out", tmp_path / "page.html", "--json")
    assert ended.code == 4
    assert "Cannot be graded" in (tmp_path / "page.html").read_text()
    assert "refusal" in {notice["severity"] for notice in ended.document["notices"]}


def test_one_bad_among_several_is_named_on_the_page(tmp_path: Path) -> None:
    good = write_run(tmp_path, "good", "T-1", 5.0)
    bad = tmp_path / "bad.wav"
    bad.write_bytes(b"")
    ended = vibekit("report", good, bad, "--out", tmp_path / "page.html")
    assert ended.code == 3
    assert "bad.wav" in ended.err
    assert "bad.wav" in (tmp_path / "page.html").read_text()


def test_nothing_is_written_where_no_recording_can_be_used(tmp_path: Path) -> None:
    ended = vibekit("report", tmp_path / "absent.wav", "--out", tmp_path / "page.html")
    assert (ended.code, ended.out) == (3, "")
    assert files(tmp_path) == {}


@pytest.mark.parametrize("out", ["one.wav", "one.toml", "T-1.tool.toml", "absent/page.html", "."])
def test_places_that_cannot_be_written_are_refused_before_the_work(tmp_path: Path, out: str) -> None:
    recording = write_run(tmp_path, "one", "T-1", 5.0)
    before = files(tmp_path)
    ended = vibekit("report", recording, "--out", tmp_path / out)
    assert (ended.code, ended.out) == (2, "")
    assert files(tmp_path) == before


def test_out_is_required(tmp_path: Path) -> None:
    assert vibekit("report", write_run(tmp_path, "one", "T-1", 5.0)).code == 2
