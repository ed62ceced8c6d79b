"""Stretches of a recording that is too long to be held in memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from vibekit.errors import Notice
from vibekit.recording.gaps import cut_blocks
from vibekit.recording.recording import FloatArray, Recording, RecordingStream
from vibekit.recording.segments import trigger_on

LONG_S = 600.0  # recordings from here on are not read into memory as a whole
_FEW_SAMPLES = 65536  # are held however long they took
_FRAME_S = 1.0
_HOPS = 8  # places tried per length of a stretch


@dataclass(frozen=True)
class Part:
    """A stretch in memory that stands for a long recording: where it begins, and how much of that runs [s]."""

    recording: Recording
    start_s: float
    running_s: float
    duration_s: float

    @property
    def notice(self) -> Notice:
        """What is to be said of a result that rests on the stretch alone."""
        end = self.start_s + self.recording.duration_s
        return Notice(
            "representative_stretch",
            "caution",
            f"too long to be taken as a whole: of {self.duration_s:.0f} s this is {self.start_s:.0f} to {end:.0f} s, "
            f"whose level is closest to that of all {self.running_s:.0f} s of running",
            self.recording.duration_s,
            remedy="choose another stretch with --from and --to",
        )


def stretch(stream: RecordingStream, start_s: float, length_s: float) -> Recording:
    """Return a stretch of a stream in memory; its time starts at `start_s`. Raises as `RecordingStream.blocks`."""
    first = round(start_s * stream.sample_rate)
    last = first + round(length_s * stream.sample_rate)

    timing = stream.origin.timing and stream.origin.timing.cut(first / stream.sample_rate, last / stream.sample_rate)
    cut = RecordingStream(
        stream.sample_rate,
        stream.axes,
        None,
        replace(stream.origin, timing=timing),
        lambda size: cut_blocks(stream, size, first, last),
    )
    return cut.read()


def read_unless_long(stream: RecordingStream) -> Recording | None:
    """Return a recording in memory; None if it is longer than `LONG_S`, of which no more is read to find out.

    Raises:
        InputError: as `RecordingStream.blocks`.
    """
    longest_s = max(LONG_S, _FEW_SAMPLES / stream.sample_rate)
    if stream.duration_s is not None:
        return stream.read() if stream.duration_s <= longest_s else None
    begun = stretch(stream, 0.0, 1.01 * longest_s)
    return None if begun.duration_s > longest_s else begun


def representative_part(
    stream: RecordingStream, length_s: float, progress: Callable[[float], None] | None = None
) -> Part:
    """Return the stretch of `length_s` that stands best for a recording of any length, in bounded memory.

    Of the stretches that run most of their time the one whose mean square is closest to that of all running time.

    Raises:
        InputError: as `RecordingStream.blocks`.
    """
    squares = _mean_squares(stream, progress)
    on = trigger_on(np.sqrt(squares), _FRAME_S).on
    frames = max(1, min(round(length_s / _FRAME_S), squares.size))
    starts = np.unique(
        np.append(np.arange(0, squares.size - frames + 1, max(1, frames // _HOPS)), squares.size - frames)
    )
    running = np.array([on[a : a + frames].sum() for a in starts])
    energy = np.array([squares[a : a + frames][on[a : a + frames]].sum() for a in starts])
    off = np.abs(np.log(np.maximum(energy, 1e-30) / np.maximum(running, 1) / max(squares[on].mean(), 1e-30)))
    start = float(starts[np.argmin(np.where(running >= 0.95 * running.max(), off, np.inf))]) * _FRAME_S
    chosen = stretch(stream, start, length_s)
    return Part(chosen, start, float(on.sum()) * _FRAME_S, squares.size * _FRAME_S)


def _mean_squares(stream: RecordingStream, progress: Callable[[float], None] | None) -> FloatArray:
    """Return the mean square over all axes (the mean of each frame removed) of each second [m²/s⁴]."""
    size = max(1, round(_FRAME_S * stream.sample_rate))
    found: list[FloatArray] = []
    done = 0
    for frames in _whole_frames(stream, size):
        found.append(frames.var(axis=2).sum(axis=0))
        done += frames.shape[1] * size
        if progress and stream.n_samples:
            progress(min(1.0, done / stream.n_samples))
    return np.concatenate(found) if found else np.zeros(1)


def _whole_frames(stream: RecordingStream, size: int) -> Iterator[FloatArray]:
    """Yield the acceleration cut into whole frames, shape (n_axes, n_frames, size), however the blocks come."""
    rest = np.empty((len(stream.axes) or 1, 0))
    for block in stream.blocks():
        samples = block.acceleration if stream.axes else np.atleast_2d(block.sound)  # type: ignore[arg-type]
        rest = np.concatenate([rest, samples], axis=1)
        whole = rest.shape[1] // size
        if whole:
            yield rest[:, : whole * size].reshape(rest.shape[0], whole, size)
            rest = rest[:, whole * size :]
