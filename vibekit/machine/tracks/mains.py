"""Lines of the mains supply, found by how still they stand."""

from __future__ import annotations

import numpy as np

from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import ToolSheet

_MAINS_WITHIN_HZ = 0.1  # an induction motor running light turns its harmonics within 0.3 Hz of mains lines
_MAINS_SHARE = 0.5  # of the power within 2 Hz of a mains line that stands on one place


def mains_lines(samples: FloatArray, sample_rate: float, tool: ToolSheet | None) -> list[float]:
    """Return the mains lines present, once and twice the supply frequency [Hz], that no shaft may claim.

    The supply keeps its frequency within a few parts in ten thousand while a shaft wanders by tenths of a per cent: a
    line is of the mains when most of what stands within 2 Hz of it falls on one place within 0.1 Hz, all along.
    """
    frequencies = [
        f for line in ([tool.line_hz] if tool and tool.line_hz else [50.0, 60.0]) for f in (line, 2.0 * line)
    ]
    step = max(1, int(sample_rate / 1000.0))
    count = samples.shape[-1] // step
    slow = samples[:, : count * step].reshape(samples.shape[0], count, step).mean(axis=-1)
    rate = sample_rate / step
    block = max(1, int(rate / 4.0))
    found = []
    for hz in frequencies:
        turned = slow * np.exp(-2j * np.pi * hz / rate * np.arange(count))
        n = count // block
        if hz > 0.45 * rate or n < 8:
            continue
        narrow = np.fft.fft(turned[:, : n * block].reshape(slow.shape[0], n, block).mean(axis=-1), 8 * n, axis=-1)
        power = np.abs(narrow) ** 2
        near = max(1, round(_MAINS_WITHIN_HZ / (rate / block) * 8 * n))
        on_place = np.maximum(power[:, : near + 1].max(axis=-1), power[:, -near:].max(axis=-1)) / n
        share = on_place / np.maximum(power.mean(axis=-1), np.finfo(np.float64).tiny)
        if share.max() > _MAINS_SHARE:
            found.append(hz)
    return found
