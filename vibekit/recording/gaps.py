"""What stands where samples are missing: a handful filled in, longer gaps left quiet; and what is said of both.

A recording with gaps is one stream on its own clock, never the longest of its pieces. What stands in a gap is there
only so that filters do not ring: the mean of what is around it, marked as not known in every block and listed as
`Timing.gaps`; nobody counts it as signal, as rest or as a stuck sensor.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import groupby, islice
from operator import itemgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.errors import Notice
from vibekit.recording.bridging import bridged
from vibekit.recording.recording import BLOCK_SAMPLES, Block, FloatArray, Recording, RecordingStream
from vibekit.recording.timing import Clock, Piece, Timing, bridged_at_most, drop_repeated, resample

_MEAN_S = 0.5  # whose mean stands at either end of a gap: some periods of anything that is no tilt (no source)
_MUCH_BRIDGED = 0.01  # of all samples, from which what is filled in may cost half a per cent of a_hv

_ONE_PIECE = "longest_piece"  # code of the notice

Chunk = tuple[FloatArray, FloatArray]  # stamps [s], values (n, channels)


def even_frames(clock: Clock, chunks: Iterable[Chunk]) -> Iterator[FloatArray]:
    """Yield the values on the clock's even grid, gaps filled; memory is bounded.

    `chunks`: stamps (needed where the clock is resampled or drops repeated rows) and values, all rows in order.
    """
    rate = clock.timing.mean_rate_hz
    most = 0 if clock.timing.resampled else bridged_at_most(rate)
    around, done = max(1, round(_MEAN_S * rate)), 0
    tail: FloatArray | None = None
    for piece, part in _by_piece(clock.pieces, chunks):
        for values in _piece_frames(clock, piece, part):
            if not len(values):
                continue
            if tail is not None and done < piece.frame:
                yield from _fill(tail, values[:around], piece.frame - done, most)
            yield values
            done = max(done, piece.frame) + len(values)
            tail = _last(tail, values, around)


def _last(tail: FloatArray | None, values: FloatArray, count: int) -> FloatArray:
    if tail is None or len(values) >= count:
        return values[-count:]
    return np.concatenate([tail, values])[-count:]


def _by_piece(pieces: tuple[Piece, ...], chunks: Iterable[Chunk]) -> Iterator[tuple[Piece, Iterator[Chunk]]]:
    lasts = [piece.last for piece in pieces]

    def tagged() -> Iterator[tuple[int, FloatArray, FloatArray]]:
        row = 0
        for stamps, values in chunks:
            for i in range(int(np.searchsorted(lasts, row, "right")), len(pieces)):
                piece = pieces[i]
                if piece.first >= row + len(values):
                    break
                part = slice(max(piece.first - row, 0), piece.last - row)
                yield i, stamps[part], values[part]
            row += len(values)

    for i, group in groupby(tagged(), itemgetter(0)):
        yield pieces[i], ((stamps, values) for _, stamps, values in group)


def _piece_frames(clock: Clock, piece: Piece, part: Iterator[Chunk]) -> Iterator[FloatArray]:
    rate = clock.timing.mean_rate_hz
    if clock.timing.resampled:
        return resample(part, clock.start_s + piece.frame / rate, rate, piece.n_frames)
    return drop_repeated(part) if clock.drop_repeated else (values for _, values in part)


def _fill(before: FloatArray, after: FloatArray, missing: int, most_bridged: int) -> Iterator[FloatArray]:
    """Yield what stands between two pieces: a handful filled in by prediction, else a line from mean to mean."""
    if missing <= most_bridged:
        yield bridged(before, after, missing)
        return
    left, right = before.mean(axis=0), after.mean(axis=0)
    for start in range(0, missing, BLOCK_SAMPLES):
        share = np.arange(start + 1, min(start + BLOCK_SAMPLES, missing) + 1) / (missing + 1)
        yield left + share[:, None] * (right - left)


def known_samples(timing: Timing | None, rate: float, start: int, count: int) -> NDArray[np.bool_] | None:
    """Return which of `count` samples from `start` on lie in no gap; None where all do not."""
    if timing is None or not timing.gaps:
        return None
    known = np.ones(count, dtype=bool)
    begin = max(0, bisect_right(timing.gaps, (start / rate,)) - 1)  # the gap before may reach into the block
    for at, length in islice(timing.gaps, begin, None):
        if (first := round(at * rate) - start) >= count:
            break
        known[max(first, 0) : max(first + round(length * rate), 0)] = False
    return None if known.all() else known


def known_of(block: Block) -> FloatArray:
    """Return the acceleration of a block without what stands in gaps, shape (n_axes, n_known)."""
    return block.acceleration if block.known is None else block.acceleration[:, block.known]


def gap_notices(timing: Timing | None, duration_s: float | None) -> tuple[Notice, ...]:
    """Return what is to be said of lost samples: how many, how long, and which way a value may be wrong."""
    return () if timing is None else (*_unknown(timing, duration_s), *_bridged(timing, duration_s))


def _unknown(timing: Timing, duration_s: float | None) -> Iterator[Notice]:
    if not timing.gaps:
        return
    count, longest = len(timing.gaps), max(timing.gaps, key=itemgetter(1))
    where = "1 gap" if count == 1 else f"{count} gaps"
    which = "" if count == 1 else f"the longest {longest[1]:.3g} s, "
    of = "" if duration_s is None else f" of {duration_s:.4g} s"
    yield Notice(
        "gaps",
        "caution",
        f"{timing.unknown_s:.3g} s{of} are unknown: samples are missing in {where}, {which}from {longest[0]:.3f} s on; "
        f"values are means over the rest, and the tool may have run up to {timing.unknown_s:.3g} s longer than found",
        value=timing.unknown_s,
        limit=0,
        remedy="record without interruption, with a recorder that keeps up",
    )


def _bridged(timing: Timing, duration_s: float | None) -> Iterator[Notice]:
    if not timing.bridged_places:
        return
    count, samples = timing.bridged_places, timing.bridged_samples
    share = samples / (duration_s * timing.mean_rate_hz) if duration_s else 0.0
    places = "in 1 place" if count == 1 else f"in {count} places"
    lost = "1 sample is missing" if samples == 1 else f"{samples} samples are missing"
    low = f": values may be low by up to {50 * share:.2g} %" if share > 0 else ""
    yield Notice(
        "samples_bridged",
        "caution" if share > _MUCH_BRIDGED else "info",
        f"{lost} {places}, at most {bridged_at_most(timing.mean_rate_hz)} in a row: "
        f"filled in from those around them{low}",
        value=samples,
        limit=_MUCH_BRIDGED * (duration_s or 0.0) * timing.mean_rate_hz or None,
        remedy="use a recorder that stores every sample" if share > _MUCH_BRIDGED else None,
    )


def longest_piece(timing: Timing | None, duration_s: float) -> tuple[float, float] | None:
    """Return from when to when [s] the longest stretch without a gap goes; None where there is no gap."""
    if timing is None or not timing.gaps:
        return None
    starts = [0.0, *(start + length for start, length in timing.gaps)]
    ends = [*(start for start, _ in timing.gaps), duration_s]
    return max(zip(starts, ends, strict=True), key=lambda piece: piece[1] - piece[0])


def in_one_piece(recording: Recording) -> Recording:
    """Return the longest stretch without a gap, with a notice that says so; the recording itself where it has no gap.

    What follows a shaft from turn to turn cannot follow it across a gap.
    """
    piece = longest_piece(recording.origin.timing, recording.duration_s)
    if piece is None:
        return recording
    first, last = (round(end * recording.sample_rate) for end in piece)
    return replace(
        recording,
        samples=recording.samples[:, first:last],
        origin=_of_piece(recording, piece, recording.duration_s),
        tach=None if recording.tach is None else recording.tach[first:last],
        sound=None if recording.sound is None else recording.sound[first:last],
    )


def piece_notice(recording: Recording | RecordingStream) -> tuple[Notice, ...]:
    """Return the notice that only the longest stretch without a gap is looked at, where that is so."""
    return tuple(notice for notice in recording.origin.notices if notice.code == _ONE_PIECE)


def stream_in_one_piece(stream: RecordingStream) -> RecordingStream:
    """Return a stream's longest stretch without a gap; as `in_one_piece`."""
    piece = None if stream.duration_s is None else longest_piece(stream.origin.timing, stream.duration_s)
    if piece is None or stream.duration_s is None:
        return stream
    first, last = (round(end * stream.sample_rate) for end in piece)

    def blocks(size: int) -> Iterator[Block]:
        return cut_blocks(stream, size, first, last)

    origin = _of_piece(stream, piece, stream.duration_s)
    return replace(stream, n_samples=last - first, origin=origin, read_blocks=blocks)


def cut_blocks(stream: RecordingStream, size: int, first: int, last: int) -> Iterator[Block]:
    """Yield the blocks of a stream between two samples, counted from `first`."""
    for block in stream.blocks(size):
        a, b = max(first - block.start, 0), min(last - block.start, block.acceleration.shape[1])
        if a < b:
            raw = [None if channel is None else channel[a:b] for channel in (block.tach, block.sound, block.known)]
            yield Block(block.start + a - first, block.acceleration[:, a:b], *raw)  # type: ignore[arg-type]
        if block.start + block.acceleration.shape[1] >= last:
            return


def _of_piece(source: Recording | RecordingStream, piece: tuple[float, float], duration_s: float) -> Any:
    origin, (start_s, stop_s) = source.origin, piece
    notice = Notice(
        _ONE_PIECE,
        "caution",
        f"samples are missing: only the longest stretch without a gap, {start_s:.2f} to {stop_s:.2f} s of "
        f"{duration_s:.4g} s, is looked at; its times count from its own start",
        value=stop_s - start_s,
        limit=duration_s,
        remedy="choose another stretch with --from and --to, or record without interruption",
    )
    kept = tuple(n for n in origin.notices if n.code != "gaps")
    timing = None if origin.timing is None else origin.timing.cut(start_s, stop_s)
    return replace(origin, timing=timing, notices=(*kept, notice))
