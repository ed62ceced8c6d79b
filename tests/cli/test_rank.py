"""`vibekit rank` on recordings of known magnitude."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from tests.bench.tools import write_run
from tests.cli.inprocess import run


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    for tag, a_hv, power in (("=1+1", 4.0, 200), ("T-2", 8.0, 900)):
        for n in range(3):
            facts = {"condition": "loaded", "run": n + 1, "shaft_power_w": power, "accessory": "grinding disc"}
            write_run(tmp_path, f"{tag}-{n}", tag, a_hv * (1 + 0.02 * n), seed=n, position="rear handle", **facts)
    (tmp_path / "bench.toml").write_text('[bench]\ntitle = "Spring check"\nrecordings = ["*.wav"]\n')
    return tmp_path / "bench.toml"


def test_bench_document(bench: Path) -> None:
    """a_hv from the amplitudes: mean of 4·(1, 1.02, 1.04) at the spot value of Wh; work = power·8 h·(2.5/a)²."""
    code, out, _ = run("rank", str(bench), "--json")
    document = json.loads(out)
    assert (code, document["document"], document["title"]) == (0, "rank", "Spring check")
    first, second = document["tools"]
    assert (first["tag"], first["rank"], second["rank"]) == ("=1+1", 1, 2)
    assert first["a_hv_mps2"] == pytest.approx(4.08, rel=2e-3)
    assert second["work_to_action_value_wh"] == pytest.approx(900 * 8 * (2.5 / 8.16) ** 2, rel=5e-3)
    assert first["spindle_rpm_loaded"] == 4775
    assert document["pairs"][0]["probability_a_shakes_less"] > 0.99


def test_csv_keeps_a_formula_as_text(bench: Path, tmp_path: Path) -> None:
    code, _, _ = run("rank", str(bench), "--csv", str(tmp_path / "tools.csv"))
    with (tmp_path / "tools.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert code == 0
    assert [row["tag"] for row in rows] == ["'=1+1", "T-2"]
    assert float(rows[0]["a_hv_mps2"]) > 0


def test_text_names_places_and_pairs(bench: Path) -> None:
    code, out, _ = run("rank", str(bench))
    assert code == 0
    assert "Spring check" in out and "=1+1 shakes less than T-2" in out


def test_one_bad_recording_is_named_and_the_rest_done(bench: Path) -> None:
    (bench.parent / "bad.wav").write_bytes(b"RIFF nonsense")
    code, out, err = run("rank", str(bench), "--json")
    document = json.loads(out)
    assert code == 3
    assert len(document["tools"]) == 2
    assert "bad.wav" in err
    assert any(n["code"] == "recording_unusable" and "bad.wav" in n["message"] for n in document["notices"])


def test_second_run_comes_from_the_log(bench: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    log = ["--log", str(tmp_path / "log.sqlite"), "--jobs", "1", "--json"]
    first = run("rank", str(bench), *log)

    def never(*_: object) -> None:
        raise AssertionError("graded again")

    monkeypatch.setattr("vibekit.bench.analysis.analyse_stream", never)
    assert run("rank", str(bench), *log) == first


def test_missing_bench_is_named(tmp_path: Path) -> None:
    code, out, err = run("rank", str(tmp_path / "none.toml"))
    assert (code, out) == (3, "") and "none.toml" in err
