"""A simulated session on disk: recording, sidecar, tool sheet, truth; each written whole or not at all."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import InputError, UsageError
from vibekit.recording.atomic import atomic
from vibekit.recording.recording import Recording
from vibekit.recording.tables import sheet_fields
from vibekit.recording.toolsheet import ToolSheet
from vibekit.simulate.sensor import Sensed
from vibekit.units import parse_acceleration

_SUBTYPES = {16: "PCM_16", 24: "PCM_24", 32: "FLOAT"}
FORMATS = ("wav", "flac", "csv")
DEFAULT_NAME = "recording"


def write_session(
    recording: Recording,
    sensed: Sensed,
    truth: Mapping[str, Any],
    folder: Path,
    name: str,
    file_format: str,
    bits: int,
) -> Path:
    """Write a recording as `name`.wav (or .flac, .csv) with `name`.toml, its tool sheet and its truth.

    The truth goes into truth.json for the name "recording", else into `name`.truth.json.

    Audio-type files hold ±1.0 of the sensor's range; text holds time [s] and m/s². Returns the recording's path.

    Raises:
        UsageError: unknown format or bits, or a name that is a path.
        InputError: the folder cannot be written.
    """
    if file_format not in FORMATS or bits not in _SUBTYPES or (file_format == "flac" and bits == 32):
        raise UsageError(
            f"format {file_format!r} with {bits} bits: choose wav, flac or csv, and 16, 24 or 32 (wav) bits"
        )
    if not name or Path(name).name != name:
        raise UsageError(f"name {name!r} must be a plain file name")
    if recording.origin.timing is not None and file_format != "csv":
        raise UsageError("samples with uneven timestamps go into csv: an audio file cannot say when they were taken")
    sheet = recording.origin.tool
    assert sheet is not None
    path, tool_path = folder / f"{name}.{file_format}", tool_path_in(folder, sheet)
    if tool_path.stem == name:
        raise UsageError(f"name {name!r} is the tool's tag: its sheet would be taken for the sidecar")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if file_format == "csv":
            _write_text(recording, sensed, path)
        else:
            _write_audio(recording, path, file_format, bits)
        _write(
            path.with_suffix(".toml"),
            lambda part: part.write_text(_sidecar(recording, tool_path, file_format), "utf-8"),
        )
        _write(tool_path, lambda part: part.write_text(tool_toml(sheet), "utf-8"))
        told = json.dumps(_rounded({**truth, "file": path.name}), indent=1) + "\n"
        _write(truth_path(folder, name), lambda part: part.write_text(told, "utf-8"))
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror or error})") from None
    return path


def tool_path_in(folder: Path, sheet: ToolSheet) -> Path:
    """Return where the tool sheet stands: named by its tag, what is not fit for a file name left out."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", sheet.tag).strip("-")
    return folder / f"{plain or 'tool'}.toml"


def _rounded(value: Any) -> Any:
    """Return plain data with numbers to nine figures: the last bits differ between processors."""
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_rounded(item) for item in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value


def truth_path(folder: Path, name: str) -> Path:
    """Return where the truth of a recording of that name stands."""
    return folder / ("truth.json" if name == DEFAULT_NAME else f"{name}.truth.json")


def _write(path: Path, work: Callable[[Path], Any]) -> None:
    """Let `work` write `path`, whole or not at all."""
    with atomic(path) as part:
        work(part)


def _channels(recording: Recording) -> tuple[list[str], NDArray[np.float64]]:
    """Return names and values (n_channels, n) of what goes into an audio file, in ±1.0 of the range."""
    names, rows = list(recording.axes), list(recording.samples / _range(recording))
    for name, extra in (("tach", recording.tach), ("sound", recording.sound)):
        if extra is not None:
            names.append(name)
            rows.append(extra)
    return names, np.array(rows)


def _range(recording: Recording) -> float:
    return parse_acceleration(recording.origin.facts.full_scale or "50 g")


def _write_audio(recording: Recording, path: Path, file_format: str, bits: int) -> None:
    import soundfile

    rate = recording.sample_rate
    if rate != round(rate):
        raise UsageError(f"sample rate {rate:g} Hz: audio files need a whole number")
    values = _channels(recording)[1].T
    if bits < 32:
        step = 2.0 ** (1 - bits)
        values = np.clip(np.round(values / step) * step, -1.0, 1.0 - step)

    def write(part: Path) -> None:
        try:
            soundfile.write(str(part), values, round(rate), format=file_format.upper(), subtype=_SUBTYPES[bits])
        except (soundfile.LibsndfileError, AssertionError) as error:  # it asserts that all was written
            raise OSError(f"no room, or not permitted ({error or 'cut short'})") from None

    _write(path, write)


def _write_text(recording: Recording, sensed: Sensed, path: Path) -> None:
    names, columns = [f"{axis} [m/s2]" for axis in recording.axes], list(sensed.samples)
    for name, extra in (("tach", recording.tach), ("sound", recording.sound)):
        if extra is not None:
            names.append(name)
            columns.append(extra)
    table = np.column_stack([sensed.times_s, *columns])
    formats = ["%.6f", *["%.4f"] * len(columns)]
    header = ",".join(["time [s]", *names])
    _write(
        path,
        lambda part: np.savetxt(part, table, fmt=formats, delimiter=",", header=header, comments="", encoding="utf-8"),
    )


def _sidecar(recording: Recording, tool_path: Path, file_format: str) -> str:
    origin = recording.origin
    own = _table(origin.facts) | {"tool": tool_path.name}
    if file_format == "csv":
        own.pop("full_scale")
    else:
        own["axes"] = _channels(recording)[0]
    if recording.tach is None:
        own.pop("tach_shaft", None)
    return to_toml({"recording": own, "sensor": _table(origin.sensor)})


def tool_toml(sheet: ToolSheet) -> str:
    """Return a tool sheet as TOML text that `load_tool` reads back."""
    rows = ("shafts", "meshes", "bearings", "accessory")
    tool = {k: v for k, v in _table(sheet).items() if k not in rows}
    tables: dict[str, Any] = {"tool": tool}
    for key, many in (("shaft", sheet.shafts), ("mesh", sheet.meshes), ("bearing", sheet.bearings)):
        tables[key] = [_table(row) for row in many]
    if sheet.accessory is not None:
        tables["accessory"] = _table(sheet.accessory)
    return to_toml(tables)


def _table(value: Any) -> dict[str, Any]:
    """Return the fields of a dataclass that say more than its defaults."""
    assert is_dataclass(value)
    return {f.name: v for f in sheet_fields(type(value)) if (v := getattr(value, f.name)) != f.default}


def to_toml(tables: Mapping[str, Any]) -> str:
    """Return tables (and lists of tables) of plain values as TOML text."""
    blocks = []
    for name, content in tables.items():
        many = isinstance(content, list)
        for table in content if many else [content]:
            lines = [f"[[{name}]]" if many else f"[{name}]"]
            lines += [f"{key} = {_scalar(value)}" for key, value in table.items()]
            blocks.append("\n".join(lines))
    return "\n\n".join(blocks) + "\n"


def _scalar(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, datetime):
        return value.isoformat()
    if is_dataclass(value):
        return "{ " + ", ".join(f"{key} = {_scalar(inner)}" for key, inner in _table(value).items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_scalar, value)) + "]"
    if isinstance(value, float) and math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(value)
