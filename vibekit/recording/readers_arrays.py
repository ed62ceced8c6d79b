"""Files of named arrays: NumPy .npz (without pickles), MATLAB .mat, HDF5, universal file 58."""

from __future__ import annotations

import importlib
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError, listed
from vibekit.recording.array_times import clock_of
from vibekit.recording.gaps import even_frames
from vibekit.recording.gravity import unit_from_gravity
from vibekit.recording.recording import BLOCK_SAMPLES
from vibekit.recording.sidecar import RecordingFacts, axis_names
from vibekit.recording.source import RawSource, damage_named, rebatch, require_plausible_size
from vibekit.recording.text_names import acceleration_unit, column_name, says_no_unit
from vibekit.recording.text_time import clock_line, clock_notices

SUFFIXES = frozenset({".npz", ".mat", ".h5", ".hdf5", ".hdf", ".uff", ".unv", ".bunv"})

_ROLES = ("x", "y", "z", "tach", "sound")
_RATES = ("sample_rate_hz", "sample_rate", "samplerate", "fs", "sr")
_UNITS = ("unit", "units")
_PROBE = 4096  # samples whose mean may show gravity


@dataclass(frozen=True)
class _Arrays:
    """What a file of arrays holds: `arrays` of two samples or more, of them `times` apart; single `values`; by name."""

    kind: str
    arrays: dict[str, Any] = field(default_factory=dict)
    values: dict[str, Any] = field(default_factory=dict)
    times: dict[str, Any] = field(default_factory=dict)

    def value(self, names: tuple[str, ...]) -> tuple[str, Any] | None:
        """Return the first single value with one of the names (its last part, any case)."""
        for wanted in names:
            for name, value in self.values.items():
                if _last(name) == wanted:
                    return name, value
        return None


def open_arrays(path: Path, facts: RecordingFacts) -> RawSource:
    """Return a file of arrays as a source.

    Arrays `x`, `y`, `z`, `tach`, `sound`; or one array `acceleration`, or the only array there is, whose longer side
    is time; or arrays named in axes as ``x=NAME``. Scalars `sample_rate_hz` and `unit` are taken where they stand.

    Raises:
        InputError: corrupt, a package is missing, or it does not say which array is what (the arrays are listed).
    """
    suffix = path.suffix.lower()
    load = {".npz": _npz, ".mat": _mat}.get(suffix, _hdf5 if suffix in (".h5", ".hdf5", ".hdf") else _universal)
    found = load(path)
    names, channels, chosen = _channels(path, facts, found)
    counts = {len(channel) for channel in channels}
    if len(counts) != 1:
        lengths = listed(f"{n} {len(c)}" for n, c in zip(chosen, channels, strict=True))
        raise InputError(f"{path}: channels differ in length: {lengths}")
    rate, unit = _rate(path, found), found.value(_UNITS)
    clock = clock_of(path, found.times, len(channels[0]), rate)

    def frames(size: int, first: int, last: int | None) -> Iterator[Any]:
        end = min(last or len(channels[0]), len(channels[0]))
        for start in range(first, end, size):
            with damage_named(path, f"{found.kind} from sample {start} on"):  # HDF5 is read only here
                block = np.stack([channel[start : min(start + size, end)] for channel in channels], axis=1)
            yield block

    def blocks(size: int, first: int, last: int | None) -> Iterator[Any]:
        if clock is None:
            return frames(size, first, last)
        chunks = zip(clock[1](), frames(BLOCK_SAMPLES, 0, None), strict=True)
        return rebatch(even_frames(clock[0], chunks), size, first, last)

    return RawSource(
        n_channels=len(channels),
        blocks=blocks,
        sample_rate=rate if clock is None else clock[0].timing.mean_rate_hz,
        n_frames=counts.pop() if clock is None else clock[0].n_frames,
        timing=None if clock is None else clock[0].timing,
        names=names,
        unit=None if unit is None or says_no_unit(str(unit[1])) else acceleration_unit(str(unit[1])) or str(unit[1]),
        unit_hint="" if unit else _gravity_hint(path, found.kind, channels),
        log=(
            f"read {found.kind}, channels from {', '.join(dict.fromkeys(chosen))}",
            *(() if clock is None else (clock_line(f"time array {next(iter(found.times))}", clock[0]),)),
        ),
        notices=() if clock is None else tuple(clock_notices(clock[0])),
    )


def _gravity_hint(path: Path, kind: str, channels: list[Any]) -> str:
    with damage_named(path, kind), np.errstate(over="ignore", invalid="ignore"):
        return unit_from_gravity(np.array([np.mean(channel[:_PROBE], dtype=np.float64) for channel in channels]))


def _channels(path: Path, facts: RecordingFacts, found: _Arrays) -> tuple[tuple[str, ...] | None, list[Any], list[str]]:
    """Return roles (None where the file does not say), 1-D channels and the array each one is from."""
    wanted = axis_names(facts)
    if wanted is None:
        by_role = {_last(name): name for name in reversed(found.arrays)}
        wanted = tuple((role, by_role[role]) for role in _ROLES if role in by_role)
        if not any(role in ("x", "y", "z") for role, _ in wanted):
            name = by_role.get("acceleration") or (next(iter(found.arrays)) if len(found.arrays) == 1 else None)
            if name is None:
                raise InputError(f"{path}: does not say which array is what: {_listing(found)}")
            return _one_array(path, name, found.arrays[name])
    channels = []
    for role, name in wanted:
        if name not in found.arrays:
            raise InputError(f"{path}: has no array {name[:40]!r}: {_listing(found)}")
        rows = _rows(path, name, found.arrays[name])
        if len(rows) != 1:
            raise InputError(f"{path}: array {name!r} holds {len(rows)} channels, {role} needs one")
        channels.append(rows[0])
    return tuple(role for role, _ in wanted), channels, [name for _, name in wanted]


def _one_array(path: Path, name: str, array: Any) -> tuple[None, list[Any], list[str]]:
    rows = _rows(path, name, array)
    return None, rows, [name] * len(rows)


def _listing(found: _Arrays) -> str:
    arrays = listed(f"{name} {'x'.join(map(str, array.shape))}" for name, array in found.arrays.items())
    example = next(iter(found.arrays), "NAME")[:40]
    return f"it holds {arrays or 'no arrays'}: name them as in --axes x={example} or axes in the sidecar"


class _Row:
    """One channel of a 2-D array, sliced where it lies (also on disk)."""

    def __init__(self, array: Any, index: int, time_first: bool) -> None:
        self._array, self._index, self._time_first = array, index, time_first

    def __len__(self) -> int:
        return int(self._array.shape[0 if self._time_first else 1])

    def __getitem__(self, part: slice) -> Any:
        return self._array[part, self._index] if self._time_first else self._array[self._index, part]


def _rows(path: Path, name: str, array: Any) -> list[Any]:
    """Return the channels of an array; its longer side is time."""
    if array.dtype.kind not in "fiu":
        raise InputError(f"{path}: array {name!r} holds {array.dtype}, not real numbers")
    if array.ndim == 1:
        return [array]
    if array.ndim != 2 or min(array.shape) > 64:
        raise InputError(f"{path}: array {name!r} has shape {array.shape}: it must be one channel or channels by time")
    time_first = array.shape[0] >= array.shape[1]
    return [_Row(array, i, time_first) for i in range(min(array.shape))]


def _rate(path: Path, found: _Arrays) -> float | None:
    stated = found.value(_RATES)
    if stated is None:
        return None
    name, value = stated
    try:
        rate = float(value)
    except (TypeError, ValueError):
        rate = float("nan")
    if not (np.isfinite(rate) and rate > 0):
        raise InputError(f"{path}: {name} is {value!r}: it must be a sample rate in Hz")
    return rate


def _last(name: str) -> str:
    return name.replace("/", ".").rsplit(".", 1)[-1].lower()


def _sorted(kind: str, items: Mapping[str, Any]) -> _Arrays:
    """Split what a file holds into arrays and single values."""
    arrays: dict[str, Any] = {}
    values: dict[str, Any] = {}
    for name, item in items.items():
        if getattr(item, "size", 1) > 1 and getattr(item, "dtype", np.dtype("O")).kind in "fiuc":
            arrays[name] = item
        elif getattr(item, "size", 1) == 1:
            values[name] = item.item() if isinstance(item, np.ndarray) else item
    times = {name: arrays.pop(name) for name in list(arrays) if column_name(_last(name)).role == "time"}
    return _Arrays(kind, arrays, values, times)


def _npz(path: Path) -> _Arrays:
    with damage_named(path, "npz without pickles"):
        with zipfile.ZipFile(path) as archive:
            require_plausible_size(path, sum(member.file_size for member in archive.infolist()))
        with np.load(path, allow_pickle=False) as file:
            return _sorted("NumPy npz", {name: file[name] for name in file.files})


def _mat(path: Path) -> _Arrays:
    import warnings

    import scipy.io

    with damage_named(path, "MATLAB file"), warnings.catch_warnings(record=True) as remarks:
        warnings.simplefilter("always")
        try:
            content = scipy.io.loadmat(str(path), squeeze_me=True, struct_as_record=False)
        except NotImplementedError:
            return _hdf5(path)
        items: dict[str, Any] = {}
        for name, item in content.items():
            if not name.startswith("__"):
                _flatten(name, item, items)
    remark = f" ({_one_line(remarks[0].message)})" if remarks else ""
    return _sorted(f"MATLAB file{remark}", items)


def _flatten(name: str, item: Any, items: dict[str, Any]) -> None:
    """Enter a variable, a struct's fields as NAME.FIELD."""
    if hasattr(item, "_fieldnames"):
        for key in item._fieldnames:
            _flatten(f"{name}.{key}", getattr(item, key), items)
    elif isinstance(item, np.ndarray) and item.dtype.kind == "O":
        return
    else:
        items[name] = item if isinstance(item, np.ndarray) else np.asarray(item)


def _hdf5(path: Path) -> _Arrays:
    h5py = _package(path, "h5py", "hdf5")
    items: dict[str, Any] = {}

    def enter(name: str, item: Any) -> None:
        items.update({f"{name}.{key}": value for key, value in item.attrs.items() if not key.startswith("MATLAB")})
        if isinstance(item, h5py.Dataset) and item.size:
            if item.external or item.is_virtual:
                raise InputError(f"{path}: dataset {name!r} lies in other files: store it in this one")
            items[name] = item if item.size > 1 else np.asarray(item[()])

    with damage_named(path, "HDF5"):
        file = h5py.File(path, "r")
        items.update({str(key): value for key, value in file.attrs.items()})
        file.visititems(enter)
        require_plausible_size(path, sum(item.nbytes for item in items.values() if isinstance(item, h5py.Dataset)))
    return _sorted("HDF5", items)


def _universal(path: Path) -> _Arrays:
    """Return the time responses of a universal file: data sets 58 of function type 1, by direction of the response."""
    pyuff = _package(path, "pyuff", "uff")
    with damage_named(path, "universal file"):
        file = pyuff.UFF(str(path))
        sets = [file.read_sets(i) for i, kind in enumerate(file.get_set_types()) if int(kind) == 58]
        return _sorted("universal file 58", _time_responses(path, sets))


def _time_responses(path: Path, sets: list[dict[str, Any]]) -> dict[str, Any]:
    if not path.read_bytes().rstrip().endswith(b"-1"):  # the mark that closes a data set
        raise InputError(f"{path}: truncated: the last data set is not closed")
    times = [s for s in sets if int(s.get("func_type", 0)) in (0, 1)]
    steps = {float(s["abscissa_inc"]) for s in times}
    if not times or len(steps) != 1 or min(steps) <= 0:
        raise InputError(f"{path}: holds no time responses (set 58, function type 1) of one sample rate")
    items: dict[str, Any] = {"sample_rate_hz": 1.0 / steps.pop()}
    directions = [abs(int(s.get("rsp_dir", 0))) for s in times]
    distinct = len(set(directions)) == len(directions) and all(1 <= d <= 3 for d in directions)
    for i, (one, direction) in enumerate(zip(times, directions, strict=True)):
        items["xyz"[direction - 1] if distinct else f"set{i + 1}"] = np.asarray(one["data"])
    units = {str(s.get("ordinate_axis_units_lab", "")).strip() for s in times}
    if len(units) == 1:
        items["unit"] = units.pop()
    return items


def _package(path: Path, module: str, extra: str) -> Any:
    try:
        return importlib.import_module(module)
    except ImportError:
        raise InputError(
            f"{path}: needs the package {module}: pip install 'vibekit-toolroom[{extra}]' or pip install {module}"
        ) from None


def _one_line(error: Warning | Exception | str) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0][:160]
