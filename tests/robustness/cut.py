"""A recording handed over in blocks of its own choice, whatever size was asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from vibekit.recording.recording import Block, Origin, Recording


@dataclass(frozen=True)
class Cut:
    """A `SignalSource` that gives blocks of `size` samples."""

    whole: Recording
    size: int

    @property
    def sample_rate(self) -> float:
        return self.whole.sample_rate

    @property
    def axes(self) -> tuple[str, ...]:
        return self.whole.axes

    @property
    def origin(self) -> Origin:
        return self.whole.origin

    @property
    def weighted(self) -> bool:
        return self.whole.weighted

    @property
    def n_samples(self) -> int | None:
        return None

    def blocks(self, size: int = 0) -> Iterator[Block]:
        return self.whole.blocks(self.size)
