"""Opening recordings: finds the reader for a file, settles the facts, calibrates once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import InputError, UsageError, listed
from vibekit.recording.calibration import Calibration
from vibekit.recording.gaps import gap_notices, known_samples
from vibekit.recording.gravity import PROBE_S, gravity_removed, is_gravity, without_gravity
from vibekit.recording.parts import following_parts, join_sources, require_file
from vibekit.recording.readers_audio import SUFFIXES as AUDIO_SUFFIXES, open_audio
from vibekit.recording.recording import (
    ACCELERATION_AXES,
    LARGEST,
    Block,
    FloatArray,
    Origin,
    Recording,
    RecordingStream,
)
from vibekit.recording.sidecar import RecordingFacts, axis_names, load_sidecar
from vibekit.recording.source import RawSource
from vibekit.recording.stated import calibration_of, rate_of, remarks
from vibekit.recording.toolsheet import ToolSheet, load_tool
from vibekit.units import require_positive

_RATES_HZ = (1e-3, 1e6)  # wider than any accelerometer's; blocks are some seconds long, so a rate is also memory

_NO_RECORDINGS = {
    ".toml": "is a sheet, not a recording: name the recording itself (a tool sheet goes with --tool, a bench sheet to "
    "vibekit rank)",
    ".json": "is a result, not a recording (a grade goes to vibekit exposure as NAME.json@TIME, such as 1h20m)",
}
_LOSSY = {".m4a", ".mp3", ".aac", ".ogg", ".oga", ".opus", ".wma", ".amr", ".3gp", ".mp4"}  # as phones record sound

CHANNEL_ROLES = (*ACCELERATION_AXES, "tach", "sound", "-")


def open_recording(
    path: str | Path,
    *,
    calibration: Calibration | None = None,
    axes: Sequence[str] | None = None,
    unit: str | None = None,
    sample_rate: float | None = None,
    tool: ToolSheet | str | Path | None = None,
    tach_pulses: float | None = None,
    includes_gravity: bool | None = None,
    start_s: float | None = None,
    stop_s: float | None = None,
    defaults: Mapping[str, Mapping[str, Any]] | None = None,
) -> RecordingStream:
    """Return a recording to be read block by block, calibrated to m/s²; arguments win over the sidecar.

    The sidecar wins over `defaults`, tables [recording] and [sensor] that several recordings share.

    Raises:
        UsageError: an argument makes no sense (axes, unit, time range).
        InputError: missing, corrupt or uncalibrated file, bad sidecar or tool sheet, axes that do not fit.
    """
    path = Path(path)
    for name, value in (("sample_rate", sample_rate), ("tach_pulses", tach_pulses)):
        if value is not None:
            require_positive(value, name)
    facts, sensor = load_sidecar(path, defaults)
    facts = replace(
        facts,
        axes=tuple(axes) if axes is not None else facts.axes,
        unit=unit if unit is not None else facts.unit,
        sample_rate_hz=sample_rate if sample_rate is not None else facts.sample_rate_hz,
        includes_gravity=includes_gravity if includes_gravity is not None else facts.includes_gravity,
        tach_pulses_per_rev=tach_pulses if tach_pulses is not None else facts.tach_pulses_per_rev,
    )
    sheet = _tool(path, facts, tool)
    source = open_raw(path, facts)
    roles = _roles(path, facts, source, heard=calibration is None and facts.full_scale is None)
    silent = not any(role in ACCELERATION_AXES for role in roles)  # sound alone: nothing to be scaled
    if silent:
        settled = calibration or Calibration.unit("m/s2")
    else:
        settled = calibration_of(path, facts, calibration, unit, source)
    rate = rate_of(path, facts, sample_rate, source)
    if not _RATES_HZ[0] <= rate <= _RATES_HZ[1]:
        raise InputError(
            f"{path}: sample rate {rate:g} Hz is no sensor's: {_RATES_HZ[0]:g} to {_RATES_HZ[1]:g} Hz are read"
        )
    first, last = _range(path, source, rate, start_s, stop_s)
    count = None if source.n_frames is None else min(last or source.n_frames, source.n_frames) - first
    timing = source.timing and source.timing.cut(first / rate, last and last / rate)
    origin = Origin(
        path.name,
        path,
        facts,
        sensor,
        sheet,
        settled,
        timing,
        (*source.log, f"calibrated: {settled.origin}"),
        (*source.notices, *gap_notices(timing, count and count / rate), *remarks(facts, roles, unit, source)),
    )

    blocks: Callable[[int], Iterator[Block]] = partial(_blocks, path, source, roles, settled, first, last)
    if _has_gravity(facts, source, rate, partial(_blocks, path, source, roles, settled, 0, None)):
        blocks = partial(_filtered, blocks, rate)
        origin = gravity_removed(origin)
    return RecordingStream(rate, tuple(r for r in roles if r in ACCELERATION_AXES), count, origin, blocks)


def read(
    path: str | Path,
    *,
    calibration: Calibration | None = None,
    axes: Sequence[str] | None = None,
    unit: str | None = None,
    sample_rate: float | None = None,
    tool: ToolSheet | str | Path | None = None,
    tach_pulses: float | None = None,
    includes_gravity: bool | None = None,
    start_s: float | None = None,
    stop_s: float | None = None,
) -> Recording:
    """Return a whole recording in memory, calibrated to m/s². Arguments and errors as `open_recording`."""
    return open_recording(
        path,
        calibration=calibration,
        axes=axes,
        unit=unit,
        sample_rate=sample_rate,
        tool=tool,
        tach_pulses=tach_pulses,
        includes_gravity=includes_gravity,
        start_s=start_s,
        stop_s=stop_s,
    ).read()


def open_raw(path: Path, facts: RecordingFacts) -> RawSource:
    """Return the uncalibrated source of a file by its suffix, with the files that it goes on in. Raises InputError."""
    require_file(path)
    parts = (path, *following_parts(path, facts))
    suffix = path.suffix.lower()
    if suffix in AUDIO_SUFFIXES:
        if axis_names(facts) is not None:
            raise InputError(f"{path}: its channels have no names: write axes in channel order, such as x,y,z")
        return join_sources(parts, [open_audio(part) for part in parts])
    from vibekit.recording import readers_arrays, readers_parquet, readers_text  # audio files need none of them

    if suffix in readers_arrays.SUFFIXES:
        return join_sources(parts, [readers_arrays.open_arrays(part, facts) for part in parts])
    if suffix in readers_parquet.SUFFIXES:
        return readers_parquet.open_parquet(path, facts, parts[1:])
    if suffix in readers_text.SUFFIXES:
        return readers_text.open_text(path, facts, parts[1:])
    what = _NO_RECORDINGS.get(suffix, f"no reader for {suffix or 'a file without suffix'}")
    if suffix in _LOSSY:
        what = "is compressed sound: record as WAV, or convert it to WAV (of sound for vibekit speed that does no harm)"
    raise InputError(f"{path}: {what}")


def _has_gravity(
    facts: RecordingFacts, source: RawSource, rate: float, blocks: Callable[[int], Iterator[Block]]
) -> bool:
    """Tell whether gravity is to be taken out: the sidecar says so, or leaves it open and the mean vector shows it.

    `blocks` are of the whole file: in a moment picked from it the mean of the vibration itself may be as long.
    Audio-type files come from recorders that mostly block constant parts: there only the sidecar decides.
    """
    if facts.includes_gravity is not None or source.needs_full_scale:
        return bool(facts.includes_gravity)
    probe = next(blocks(max(2, round(PROBE_S * rate))), None)
    return probe is not None and is_gravity(probe.acceleration.mean(axis=1))


def _filtered(blocks: Callable[[int], Iterator[Block]], rate: float, size: int) -> Iterator[Block]:
    return without_gravity(blocks(size), rate)


def _tool(path: Path, facts: RecordingFacts, tool: ToolSheet | str | Path | None) -> ToolSheet | None:
    if isinstance(tool, ToolSheet):
        return tool
    if tool is not None:
        return load_tool(tool)
    return load_tool(path.parent / facts.tool) if facts.tool else None


def _roles(path: Path, facts: RecordingFacts, source: RawSource, heard: bool) -> tuple[str, ...]:
    """Return what each channel is; `heard` says that nothing calibrates it: then one or two of an audio file are sound.

    Raises:
        InputError: nothing says what they are, or it does not fit the file.
    """
    named = axis_names(facts)
    given = facts.axes if named is None else tuple(role for role, _ in named)
    roles = given or source.names or (ACCELERATION_AXES if source.n_channels == 3 else None)
    if roles is None and source.needs_full_scale and heard and source.n_channels <= 2:
        roles = ("sound", "-")[: source.n_channels]
    if roles is None:
        channels = "1 channel" if source.n_channels == 1 else f"{source.n_channels} channels"
        raise InputError(f"{path}: {channels} and no axes named: give --axes such as x,y,z,tach")
    for role in roles:
        if role not in CHANNEL_ROLES:
            raise InputError(f"{path}: axis {role[:40]!r} is not one of {', '.join(CHANNEL_ROLES)}")
        if role != "-" and list(roles).count(role) > 1:
            raise InputError(f"{path}: axis {role!r} stands twice in {listed(roles)}")
    if len(roles) != source.n_channels:
        raise InputError(f"{path}: axes {listed(roles)} name {len(roles)} channels, the file has {source.n_channels}")
    return tuple(roles)


def _range(
    path: Path, source: RawSource, rate: float, start_s: float | None, stop_s: float | None
) -> tuple[int, int | None]:
    for name, value in (("--from", start_s), ("--to", stop_s)):
        if value is not None and not abs(value) <= LARGEST:
            raise UsageError(f"{name} {value:g} is not a time in seconds")
    first = 0 if start_s is None else round(start_s * rate)
    last = None if stop_s is None else round(stop_s * rate)
    if first < 0 or (last is not None and last <= first):
        raise UsageError(f"time range {start_s} to {stop_s} s is empty: --from must lie before --to")
    if source.n_frames is not None and first >= source.n_frames:
        raise UsageError(f"--from {start_s:g} s lies after the end of {path} ({source.n_frames / rate:.2f} s)")
    return first, last


def _blocks(
    path: Path,
    source: RawSource,
    roles: tuple[str, ...],
    calibration: Calibration,
    first: int,
    last: int | None,
    size: int,
) -> Iterator[Block]:
    rows: Any = [i for i, role in enumerate(roles) if role in ACCELERATION_AXES]
    if rows and rows == list(range(rows[0], rows[-1] + 1)):
        rows = slice(rows[0], rows[-1] + 1)  # a view, no copy
    tach = roles.index("tach") if "tach" in roles else None
    sound = roles.index("sound") if "sound" in roles else None
    start = 0
    for raw in source.blocks(size, first, last):
        gain = source.unit_per_count * calibration.mps2_per_unit
        with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is refused below
            acceleration = np.multiply(raw[:, rows].T, gain, dtype=np.float64, order="C")
        others = [_raw_channel(raw, column, source) for column in (tach, sound)]
        if raw.dtype.kind == "f":
            for channel in (acceleration, *others):
                _require_finite(path, channel, first + start)
        known = known_samples(source.timing, source.sample_rate or 1.0, first + start, len(raw))
        yield Block(start, acceleration, others[0], others[1], known)
        start += len(raw)


def _raw_channel(raw: FloatArray, column: int | None, source: RawSource) -> FloatArray | None:
    return None if column is None else np.asarray(raw[:, column] * source.unit_per_count, dtype=np.float64)


def _require_finite(path: Path, channels: FloatArray | None, start: int) -> None:
    if channels is None or (channels.size and max(channels.max(), -channels.min()) <= LARGEST):
        return
    bad = ~(np.abs(np.atleast_2d(channels)) <= LARGEST).all(axis=0)
    if bad.any():
        index = int(np.flatnonzero(bad)[0])
        value = np.atleast_2d(channels)[:, index]
        what = (
            f"{np.max(value):g}: no sensor gives that" if np.isfinite(value).all() else "not finite (NaN or infinite)"
        )
        raise InputError(f"{path}: sample {start + index} is {what}")
