"""A stretch of a recording that is too long to be held in memory."""

from __future__ import annotations

from collections.abc import Iterable

from vibekit.recording.recording import Block, Recording, RecordingStream


def stretch(stream: RecordingStream, start_s: float, length_s: float) -> Recording:
    """Return a stretch of a stream in memory; its time starts at `start_s`. Raises as `RecordingStream.blocks`."""
    first = round(start_s * stream.sample_rate)
    last = first + round(length_s * stream.sample_rate)

    def blocks(size: int) -> Iterable[Block]:
        for block in stream.blocks(size):
            a, b = max(first - block.start, 0), min(last - block.start, block.acceleration.shape[1])
            if a < b:
                raw = [None if channel is None else channel[a:b] for channel in (block.tach, block.sound)]
                yield Block(block.start + a - first, block.acceleration[:, a:b], *raw)
            if block.start + block.acceleration.shape[1] >= last:
                return

    cut = RecordingStream(stream.sample_rate, stream.axes, None, stream.origin, lambda size: iter(blocks(size)))
    return cut.read()
