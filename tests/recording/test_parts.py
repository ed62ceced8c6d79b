"""A recording in several files is the same recording; what does not go on is refused by name."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings, strategies as st

import vibekit as vk
from tests.cli.inprocess import run
from vibekit.bench.analysis import fingerprint
from vibekit.bench.gather import gather

RATE = 500.0
N = 1500
TRUE = np.round(np.random.default_rng(4).standard_normal((3, N)) * 7.3, 6)
HEADER = "time [s],x [m/s2],y [m/s2],z [m/s2]"


def rows(first: int, last: int, late_s: float = 0.0) -> list[str]:
    return [
        f"{i / RATE + late_s:.6f},{','.join(repr(float(v)) for v in TRUE[:, i])}" for i in range(first, min(last, N))
    ]


def split(folder: Path, texts: Sequence[str | bytes], suffix: str = ".csv") -> Path:
    """Write the parts and the sidecar that names them; return the first."""
    names = [f"run_{i:03d}{suffix}" for i in range(1, len(texts) + 1)]
    for name, text in zip(names, texts, strict=True):
        (folder / name).write_bytes(text.encode() if isinstance(text, str) else text)
    listed = ", ".join(f'"{name}"' for name in names[1:])
    (folder / "run_001.toml").write_text(f'[recording]\nfull_scale = "1 m/s2"\ncontinued_in = [{listed}]\n')
    return folder / names[0]


def text(part: list[str], header: str | None = HEADER, eol: str = "\n") -> str:
    return eol.join([*([header] if header else []), *part]) + eol


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    cuts=st.lists(st.integers(20, N - 1), unique=True, min_size=1, max_size=4),
    headers=st.lists(st.sampled_from([HEADER, None, "# logger 3\n" + HEADER]), min_size=4, max_size=4),
    eols=st.lists(st.sampled_from(["\n", "\r\n"]), min_size=5, max_size=5),
    bom=st.booleans(),
    size=st.integers(7, 2000),
    span=st.tuples(st.integers(0, N - 2), st.integers(2, N)).filter(lambda s: s[0] < s[1]),
)
def test_wherever_it_is_cut(
    tmp_path: Path, cuts: list[int], headers: list[str], eols: list[str], bom: bool, size: int, span: tuple[int, int]
) -> None:
    """Property: cuts, repeated headers, line ends and byte-order marks of the parts change nothing."""
    edges = [0, *sorted(cuts), N]
    texts = [
        ("\ufeff" if bom else "") + text(rows(a, b), HEADER if i == 0 else headers[i - 1], eols[i])
        for i, (a, b) in enumerate(itertools.pairwise(edges))
    ]
    stream = vk.open_recording(split(tmp_path, texts))
    assert (stream.n_samples, stream.sample_rate) == (N, pytest.approx(RATE, rel=1e-9))
    blocks = [block.acceleration for block in stream.blocks(size)]
    assert {b.shape[1] for b in blocks[:-1]} <= {size}
    np.testing.assert_array_equal(np.concatenate(blocks, axis=1), TRUE)
    part = vk.read(tmp_path / "run_001.csv", start_s=span[0] / RATE, stop_s=span[1] / RATE)
    np.testing.assert_array_equal(part.samples, TRUE[:, slice(*span)])


def test_what_was_joined_is_said(tmp_path: Path) -> None:
    first = split(tmp_path, [text(rows(0, 700)), text(rows(700, 1400), None), text(rows(1400, N), None)])
    line = "joined 3 files as one recording: run_001.csv, run_002.csv, run_003.csv"
    assert line in vk.read(first).origin.log
    code, out, _ = run("check", str(first))
    assert code == 0 and line in out


def test_a_gap_between_files_is_a_gap(tmp_path: Path) -> None:
    first = split(tmp_path, [text(rows(0, 600)), text(rows(600, N, late_s=0.25))])
    found = vk.read(first)
    assert found.origin.timing is not None
    np.testing.assert_allclose(found.origin.timing.gaps, [(600 / RATE, 0.25)])
    assert "gaps" in {n.code for n in found.origin.notices}
    np.testing.assert_array_equal(found.samples[:, :600], TRUE[:, :600])
    np.testing.assert_array_equal(found.samples[:, 725:], TRUE[:, 600:])


def test_times_of_day_and_decimal_commas(tmp_path: Path) -> None:
    """A short last file, whose few lines alone would not tell their layout."""
    stamp = [f"2026-03-07T23:59:{59 + i / RATE:09.6f}" for i in range(500)]
    stamp += [f"2026-03-08T00:00:{i / RATE:09.6f}" for i in range(N - 500)]
    lines = [f"{t};" + ";".join(f"{v:.6f}".replace(".", ",") for v in TRUE[:, i]) for i, t in enumerate(stamp)]
    header = "time;x [m/s2];y [m/s2];z [m/s2]"
    parts = [lines[:500], lines[500 : N - 1], lines[N - 1 :]]
    found = vk.read(split(tmp_path, [text(parts[0], header), text(parts[1], None), text(parts[2], None)]))
    np.testing.assert_array_equal(found.samples, TRUE)


def test_without_time_column(tmp_path: Path) -> None:
    lines = [",".join(repr(float(v)) for v in TRUE[:, i]) for i in range(N)]
    first = split(tmp_path, [text(lines[:100], "x [m/s2],y [m/s2],z [m/s2]"), text(lines[100:], None)])
    np.testing.assert_array_equal(vk.read(first, sample_rate=RATE).samples, TRUE)


@pytest.mark.parametrize(
    ("second", "message"),
    [
        (text(rows(500, 900)), r"run_002.csv: starts 0.198 s before the end"),
        (text(rows(0, 600)), r"run_002.csv: starts"),
        (text(rows(600, 900), "time [s],x [m/s2],z [m/s2],y [m/s2]"), r"run_002.csv: columns time \[s\], x"),
        (text(rows(600, 900), "time [s],x [g],y [g],z [g]"), r"run_002.csv: columns"),
        (text([line + ",1" for line in rows(600, 900)], None), r"run_002.csv: no table of numbers in 4 columns"),
        (text([line.replace(",", ";") for line in rows(600, 900)], None), r"run_002.csv: no table of numbers"),
        (HEADER + "\n", r"run_002.csv: no table of numbers"),
        ("", r"run_002.csv: the file is empty, named in continued_in"),
        (text([*rows(600, 610), "1.22,a,b,c", *rows(611, 700)]), r"run_002.csv: line 12: 'a'"),
        (text([*rows(600, 610), "1.22,nan,0,0", *rows(611, 700)]), r"run_002.csv: sample 610 of x .* line 12"),
        (text([*rows(600, 700), *rows(650, 700)]), r"run_001.csv and what it goes on in: .* backwards at sample 700"),
        (b"\x00\x01" * 99, r"run_002.csv: is not text"),
    ],
)
def test_what_does_not_go_on_is_refused_by_name(tmp_path: Path, second: str | bytes, message: str) -> None:
    first = split(tmp_path, [text(rows(0, 600)), second])
    with pytest.raises(vk.InputError, match=message) as caught:
        vk.read(first)
    assert "\n" not in str(caught.value)


def test_lists_that_make_no_sense(tmp_path: Path) -> None:
    first = split(tmp_path, [text(rows(0, 600)), text(rows(600, N))])
    for listed, message in [
        ('["run_002.csv", "run_003.csv"]', "run_003.csv: no such file, named in continued_in of .*run_001.toml"),
        ('["run_002.csv", "run_002.csv"]', "run_002.csv: stands twice"),
        ('["run_001.csv"]', "run_001.csv: stands twice"),
        ('["."]', "not a file"),
        ('["a\\u0000b"]', "no such file"),
        ('"run_002.csv"', "must be a list"),
    ]:
        (tmp_path / "run_001.toml").write_text(f"[recording]\ncontinued_in = {listed}\n")
        with pytest.raises(vk.InputError, match=message):
            vk.read(first)
    (tmp_path / "run_001.toml").write_text('[recording]\ncontinued_in = ["run_002.csv"]\n')
    (tmp_path / "run_002.toml").write_text('[recording]\ncontinued_in = ["run_003.csv"]\n')
    with pytest.raises(vk.InputError, match=r"run_002.csv: is a part of .*: name all parts"):
        vk.read(first)
    code, out, err = run("grade", str(first), "--json")
    assert (code, out) == (3, "") and err.count("\n") == 1


def audio(folder: Path, cuts: Sequence[int], suffix: str = ".wav", **how: Any) -> Path:
    counts = (TRUE / 64).T
    edges = [0, *cuts, N]
    first = split(folder, [b"."] * (len(cuts) + 1), suffix)
    for i, (a, b) in enumerate(itertools.pairwise(edges), 1):
        soundfile.write(folder / f"run_{i:03d}{suffix}", counts[a:b], int(RATE), **how)
    return first


@pytest.mark.parametrize(("suffix", "subtype"), [(".wav", "PCM_16"), (".wav", "FLOAT"), (".flac", "PCM_24")])
def test_audio_files_join_bit_for_bit(tmp_path: Path, suffix: str, subtype: str) -> None:
    (tmp_path / "whole").mkdir()
    whole = vk.read(audio(tmp_path / "whole", [], suffix, subtype=subtype)).samples
    first = audio(tmp_path, [1, 700, 1400], suffix, subtype=subtype)
    stream = vk.open_recording(first)
    assert stream.n_samples == N and stream.origin.log[0].startswith("joined 4 files")
    blocks = list(stream.blocks(64))
    assert [b.start for b in blocks] == list(range(0, N, 64))
    np.testing.assert_array_equal(np.concatenate([b.acceleration for b in blocks], axis=1), whole)
    for a, b in ((0, 1), (1, 2), (699, 701), (700, 1450), (1399, N)):
        np.testing.assert_array_equal(vk.read(first, start_s=a / RATE, stop_s=b / RATE).samples, whole[:, a:b])


@pytest.mark.parametrize(
    ("rate", "channels", "subtype", "message"),
    [
        (1000, 3, "PCM_16", "run_002.wav: sample rate 1000.0 differs from 500.0 in run_001.wav"),
        (500, 2, "PCM_16", "run_002.wav: number of channels 2"),
        (500, 3, "PCM_24", "run_002.wav: value of a count"),
    ],
)
def test_audio_of_another_kind_is_refused(tmp_path: Path, rate: int, channels: int, subtype: str, message: str) -> None:
    first = audio(tmp_path, [700], subtype="PCM_16")
    soundfile.write(tmp_path / "run_002.wav", np.zeros((100, channels)), rate, subtype=subtype)
    with pytest.raises(vk.InputError, match=message):
        vk.read(first)


def test_arrays_and_parquet_join(tmp_path: Path) -> None:
    pa, parquet = pytest.importorskip("pyarrow"), pytest.importorskip("pyarrow.parquet")
    for suffix in (".npz", ".parquet"):
        first = split(tmp_path, [b".", b"."], suffix)
        for name, part in (("run_001", slice(0, 900)), ("run_002", slice(900, N))):
            values = dict(zip("xyz", TRUE[:, part], strict=True))
            if suffix == ".npz":
                np.savez(tmp_path / f"{name}.npz", **values, sample_rate_hz=RATE, unit="m/s2")
            else:
                named = {"time [s]": np.arange(N)[part] / RATE} | {f"{k} [m/s2]": v for k, v in values.items()}
                parquet.write_table(pa.table(named), tmp_path / f"{name}.parquet")
        np.testing.assert_array_equal(vk.read(first).samples, TRUE)
    parquet.write_table(pa.table({"time [s]": [2.0, 3.0], "x [g]": [0.0, 1.0]}), tmp_path / "run_002.parquet")
    with pytest.raises(vk.InputError, match=r"run_002.parquet: columns"):
        vk.read(tmp_path / "run_001.parquet")


def test_parts_are_one_recording_in_folders_globs_and_the_log(tmp_path: Path) -> None:
    first = split(tmp_path, [text(rows(0, 600)), text(rows(600, N))])
    assert gather([tmp_path]) == gather([tmp_path / "*.csv"]) == gather(sorted(tmp_path.glob("*.csv"))) == [first]
    assert gather([tmp_path / "run_002.csv"]) == [tmp_path / "run_002.csv"]
    before = fingerprint(first)
    (tmp_path / "run_002.csv").write_text(text(rows(601, N)))
    after = fingerprint(first)
    assert before.sha256 != after.sha256 and before.inputs != after.inputs
    (tmp_path / "run_002.csv").unlink()
    with pytest.raises(vk.InputError, match=r"run_002.csv: no such file"):
        fingerprint(first)


@pytest.mark.parametrize(
    ("own", "words"),
    [
        ('full_scale = "50 g"', "run_002.toml: full_scale 50 g differs from 1 m/s2 of run_001.csv"),
        ('unit = "g"', None),
    ],
)
def test_a_part_whose_sidecar_says_something_else(tmp_path: Path, own: str, words: str | None) -> None:
    first = split(tmp_path, [text(rows(0, 600)), text(rows(600, N))])
    (tmp_path / "run_002.toml").write_text(f"[recording]\n{own}\n")
    if words is None:
        assert vk.read(first).n_samples == N  # the first one's sidecar leaves that open: the header says it
    else:
        with pytest.raises(vk.InputError, match=words):
            vk.read(first)
