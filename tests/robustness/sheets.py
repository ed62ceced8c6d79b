"""Invented sheets, tables and command lines: near the right form, with every kind of value in every place."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from vibekit.bench.sheets import load_bench
from vibekit.recording.sidecar import RecordingFacts, SensorFacts, load_sidecar
from vibekit.recording.toolsheet import Accessory, Bearing, Mesh, Shaft, load_tool

LOADERS: dict[str, Callable[[Path], Any]] = {"tool": load_tool, "sidecar": load_sidecar, "bench": load_bench}

_NAMES = st.sampled_from(["armature", "spindle", "a", "b", "", "\u202e", "\x1b[31m", "<b>", "=1+1", "../x"])
_TAG_KEYS = ("tag", "kind", "mass_kg", "supply", "declared_vibration_mps2", "declared_uncertainty_mps2", "hours_used")
_KEYS = {
    "tool": _TAG_KEYS,
    "shaft": tuple(f.name for f in fields(Shaft)),
    "mesh": tuple(f.name for f in fields(Mesh)),
    "bearing": tuple(f.name for f in fields(Bearing)),
    "accessory": tuple(f.name for f in fields(Accessory)),
    "recording": tuple(f.name for f in fields(RecordingFacts)),
    "sensor": tuple(f.name for f in fields(SensorFacts)),
    "bench": ("title", "recordings", *(f.name for f in fields(RecordingFacts))),
}
_TABLES = {
    "tool": ("[tool]", "[[shaft]]", "[[mesh]]", "[[bearing]]", "[accessory]"),
    "sidecar": ("[recording]", "[sensor]"),
    "bench": ("[bench]",),
}
_TOML_VALUES = st.one_of(
    _NAMES.map(lambda s: json.dumps(s)),
    st.integers(-3, 60).map(str),
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from(
        [
            "nan",
            "inf",
            "-inf",
            "9" * 400,
            "9" * 5000,
            "-0.0",
            "1e999",
            "true",
            "[]",
            "[[]]",
            "{}",
            "{a=1}",
            "1_0",
            "0x1F",
            '["x","y","z"]',
            '["x"]',
            "[2, 3000]",
            "[1e400]",
            "1979-05-27T07:32:00Z",
            "1979-05-27",
            "07:32:00",
            '"""a\nb"""',
            "'''\\'''",
            '"\\u0000"',
            '"50 g"',
            '"m/s2"',
            '"a.wav"',
            '["*.wav"]',
            '["/"]',
            '["**/*"]',
            '["~"]',
            "[" * 3000,
            "",
            "=",
            "2026-13-01",
            '"/dev/zero"',
            '"/proc/self/mem"',
            '"."',
        ]
    ),
)


@st.composite
def sheet_texts(draw: st.DrawFn) -> tuple[str, bytes]:
    """Return a kind of sheet and its text: known tables and keys for the most part, any values, some damage."""
    kind = draw(st.sampled_from(sorted(LOADERS)))
    lines = []
    if kind == "tool" and draw(st.booleans()):
        lines += ["[tool]", 'tag = "T"', *(["[[shaft]]", 'name = "a"'] if draw(st.booleans()) else [])]
        lines += ["[[shaft]]", 'name = "b"', "rated_rpm = 3000"] if draw(st.booleans()) else []
    for table in draw(st.lists(st.sampled_from(_TABLES[kind]), max_size=6)):
        lines.append(table)
        keys = _KEYS[table.strip("[]")]
        for key in draw(st.lists(st.sampled_from(keys), max_size=6, unique=True)):
            lines.append(f"{key} = {draw(_TOML_VALUES)}")
    if draw(st.integers(0, 9)) == 0:
        lines.insert(draw(st.integers(0, len(lines))), draw(st.text(max_size=30)))
    text = "\n".join(lines).encode("utf-8", "replace")
    if draw(st.integers(0, 19)) == 0:
        text += draw(st.binary(max_size=20))
    return kind, text


_CELLS = st.one_of(
    st.floats(-100, 100).map(lambda v: f"{v:.4f}"),
    st.floats().map(repr),
    st.integers(-(10**20), 10**20).map(str),
    st.sampled_from(
        [
            "",
            " ",
            "nan",
            "inf",
            "-",
            '"',
            '"a"',
            "1,5",
            "1.5.5",
            "2026-03-07T10:15:00.5Z",
            "9999-99-99T99:99",
            "2026-03-07 10:15",
            "1e400",
            "1e-400",
            "0x10",
            "١٢",
            "½",
            "x",
            "\x00",
            "\ufeff",
            "\x1b[2J",
            "1e5e5",
        ]
    ),
)
_HEADS = st.sampled_from(
    [
        "time [s]",
        "time",
        "time [ns]",
        "t",
        "x",
        "x [g]",
        "y [m/s2]",
        "z [mg]",
        "tach",
        "sound",
        "",
        "#",
        "x [V]",
        "acc_x",
        "timestamp",
        "date",
        "(((((",
        "x" * 300,
        "[" * 2000,
        "{<[(" * 900,
        "=cmd()",
        "<b>",
        "\x1b[31m",
        "m/s²",
        "time [m/s²]",
    ]
)


@st.composite
def text_tables(draw: st.DrawFn) -> bytes:
    """Return a delimited text near a recording: rising or wild stamps, wild cells, any header, encoding, line ends."""
    width = draw(st.integers(1, 6))
    delimiter, decimal = draw(st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", "."), (" ", ".")]))
    lines = [draw(st.sampled_from(["# note", "% x", "//", "!", "Logger 3", "[s],[g]"]))] if draw(st.booleans()) else []
    if draw(st.booleans()):
        lines.append(delimiter.join(draw(_HEADS) for _ in range(width)))
    step, start = draw(st.sampled_from([1e-3, 1, 1e6, 1e-9, 0, -1])), draw(st.sampled_from([0, 1.7e9, 1.7e18, -5]))
    rows = draw(st.integers(0, 60))
    wild = draw(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 5), _CELLS), max_size=6))
    table = [[repr(start + i * step), *(f"{(7 * i + c) % 13 - 6:.2f}" for c in range(width - 1))] for i in range(rows)]
    for row, column, cell in wild:
        if row < rows and column < width:
            table[row][column] = cell
    if draw(st.integers(0, 5)) == 0 and table:
        table[draw(st.integers(0, rows - 1))].append(draw(_CELLS))
    lines += [delimiter.join(cell.replace(".", decimal) for cell in row) for row in table]
    text = draw(st.sampled_from(["\n", "\r\n", "\r"])).join(lines)
    content = text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"])), "replace")
    return content + draw(st.one_of(st.just(b"\n"), st.binary(max_size=6)))


_NUMBERS = st.one_of(
    st.floats().map(repr),
    st.integers(-5, 10**6).map(str),
    st.sampled_from(["", "1e400", "-0", "1e-320", "1e308", "nan", "inf", "0x1", "1_0", "١", "9" * 5000, "-1", "0"]),
)
_UNITS_OF_TIME = st.sampled_from(["h", "m", "s", "min", "h20m", "", "d", "H", " h", "h1h"])
_HANDS = st.sampled_from(["", "left:", "right: ", "both:", "Left:"])
_TASKS = st.one_of(
    st.builds(lambda a, t, u: f"{a}@{t}{u}", _NUMBERS, _NUMBERS, _UNITS_OF_TIME),
    st.builds(lambda a, t: f"{a}@{t}h", st.floats(0, 1e9).map(repr), st.floats(0, 24).map(lambda v: f"{v:.3f}")),
    st.sampled_from(["@", "@@", "a.wav", "a.wav@1h", "/dev/zero@1h", ".@1h", "x" * 5000, "\n@1h", "3@1h@1h", "-3@1h"]),
    st.builds(lambda h, a, u, t, v: f"{h}{a}±{u}@{t}h±{v}", _HANDS, _NUMBERS, _NUMBERS, _NUMBERS, _NUMBERS),
    st.sampled_from(
        ["6±1.5@30m", "6+-20%@1h+/-9m left", "left:", "left:@1h", "3@1h±", "3±@1h", "3±1±1@1h", "a.toml@1h"]
    ),
    st.text(max_size=12),
)
_READINGS = st.one_of(
    st.builds(lambda a, p: f"{a}@{p}", _NUMBERS, _NUMBERS),
    st.builds(lambda a, p: f"{a:g}@{p:g}", st.floats(0, 100), st.floats(0, 360)),
    _NUMBERS,
    st.text(max_size=6),
)
_OPTIONS: dict[str, st.SearchStrategy[str]] = {
    "--full-scale": st.one_of(
        st.sampled_from(["50 g", "1e308 g", "1e-308 g", "0 g", "nan g", "g", "1,5,5 g", "٣ g", ""]), _NUMBERS
    ),
    "--unit": st.sampled_from(["g", "m/s2", "", "V", "\x1b[31m", "x" * 400]),
    "--sample-rate": _NUMBERS,
    "--axes": st.sampled_from(
        ["x,y,z", "x", "x,x,x", "", ",", "x,y,-", "tach,sound,x", "x=a,y=b,z=c", "x=,y", "q,y,z", "=" * 50]
    ),
    "--tool": st.sampled_from(["none.toml", "a.wav", ".", "/dev/zero", "", "x" * 300]),
    "--tach-pulses": _NUMBERS,
    "--from": _NUMBERS,
    "--to": _NUMBERS,
}
_SIMULATE: dict[str, st.SearchStrategy[str]] = {
    "--duration": _NUMBERS,
    "--rate": _NUMBERS,
    "--seed": _NUMBERS,
    "--power": _NUMBERS,
    "--off-before": _NUMBERS,
    "--off-after": _NUMBERS,
    "--fault": st.one_of(
        st.builds(
            lambda n, v: f"{n}={v}", st.sampled_from(["imbalance.accessory", "gear.wear", "resonance"]), _NUMBERS
        ),
        st.sampled_from(
            ["healthy", "", "=", "x=1", "bearing.cage@front=0.1", "gear.tooth@=1", "imbalance.accessory@x=1"]
        ),
    ),
    "--name": st.sampled_from(["", ".", "..", "a/b", "/x", "n" * 300, "\n", "=1+1", "-x", "T-11"]),
    "--format": st.sampled_from(["wav", "flac", "csv", "exe", ""]),
    "--bits": _NUMBERS,
    "--sensor": st.sampled_from(["phone", "board", "ideal", ""]),
    "--tach-shaft": st.sampled_from(["spindle", "none", ""]),
    "--condition": st.sampled_from(["off", "loaded", "no load", ""]),
    "--runs": st.sampled_from(["1", "0", "-1", "x", "101"]),
}
_BALANCE: dict[str, st.SearchStrategy[str]] = {
    "--radius-mm": _NUMBERS,
    "--rotor-mass-kg": _NUMBERS,
    "--rpm": _NUMBERS,
    "--amplitude-uncertainty-pct": _NUMBERS,
    "--phase-uncertainty-deg": _NUMBERS,
}


@st.composite
def command_lines(draw: st.DrawFn) -> tuple[str, ...]:
    """Return a command with options of any value."""
    kind = draw(st.sampled_from(["exposure", "exposure", "balance", "recordings", "simulate", "wild"]))
    as_json = ["--json"] if draw(st.booleans()) else []
    if kind == "exposure":
        tasks = draw(st.lists(_TASKS, max_size=3))
        extra = ["--other-day", draw(_NUMBERS)] if draw(st.booleans()) else []
        over = ["--fail-over", draw(st.sampled_from(["action", "limit", "x"]))] if draw(st.booleans()) else []
        return _words("exposure", *tasks, *extra, *over, *as_json)
    if kind == "balance":
        planes = draw(st.integers(1, 2))
        trials = draw(st.integers(0, 3))
        given = [w for _ in range(planes) for w in ("--initial", draw(_READINGS))]
        for _ in range(trials):
            given += ["--trial", draw(_READINGS)]
            given += [w for _ in range(planes) for w in ("--response", draw(_READINGS))]
        return _words("balance", *given, *draw(_some(_BALANCE)), *as_json)
    if kind == "simulate":
        small = ["--out", "o", "--rate", "800", "--duration", "2"]
        return _words("simulate", *small, *draw(_some(_SIMULATE)), *as_json)
    if kind == "recordings":
        word = draw(st.sampled_from(["check", "grade", "speed", "spectrum"]))
        return _words(word, "a.wav", "--full-scale", "50 g", *draw(_some(_OPTIONS)), *as_json)
    names = ["check", "grade", "log", "trend", "rank", "report", "teardown", "calibrate", "diagnose", "--help", "-h"]
    return _words(draw(st.sampled_from(names)), *draw(st.lists(st.text(max_size=8), max_size=4)))


def _words(*words: str) -> tuple[str, ...]:
    """Return words as a process can be given them: text without NUL; `--debug` would ask for a traceback."""
    return tuple(w.replace("\x00", "").encode("utf-8", "replace").decode() for w in words if w != "--debug")


@st.composite
def _some(draw: st.DrawFn, options: dict[str, st.SearchStrategy[str]]) -> list[str]:
    chosen = draw(st.lists(st.sampled_from(sorted(options)), max_size=3, unique=True))
    return [f"{name}={draw(options[name])}" for name in chosen]
