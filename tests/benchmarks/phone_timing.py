"""Phone logs by rate and jitter: what the timestamps are found to be, and what a line keeps of its amplitude.

Run: python -m tests.benchmarks.phone_timing
A line of amplitude 3 m/s² at 0.1 or 0.2 of the rate, sampled at stamps whose steps scatter (gamma distribution) or are
rounded to a millisecond; 40 s; one gap of 0.5 s in some.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

import vibekit as vk
from vibekit.recording.timing import linear_loss

JITTERS = (0.0, 0.02, 0.1, 0.3)


def case(folder: Path, rate: float, jitter: float, share: float, gap: bool, milliseconds: bool) -> str:
    """Write and read one log; return its row of the table."""
    random = np.random.default_rng(round(rate * 100 + jitter * 10))
    n = round(40 * rate)
    steps = np.full(n, 1 / rate) if jitter == 0 else random.gamma(jitter**-2, jitter**2 / rate, n)
    if gap:
        steps[n // 3] += 0.5
    stamps = np.cumsum(steps)
    line = 3 * np.sin(2 * np.pi * share * rate * stamps)
    digits = 3 if milliseconds else 6
    rows = [f"{t:.{digits}f},{v:.5f},0.1,0.2" for t, v in zip(stamps, line, strict=True)]
    path = folder / "log.csv"
    path.write_text("\n".join(["time [s],ax [m/s2],ay [m/s2],az [m/s2]", *rows]))
    found = vk.read(path)
    timing = found.origin.timing
    assert timing is not None
    spectrum = np.abs(np.fft.rfft(found.samples[0] * np.hanning(found.n_samples))) / found.n_samples * 4
    peak = int(np.argmax(spectrum))
    kept = found.samples[0].std() * np.sqrt(2) / 3
    said = 1 - linear_loss(share, 1.0) if timing.resampled else 1.0
    return (
        f"{rate:>6.0f} {100 * jitter:>6.0f} % {'ms' if milliseconds else 'µs':>4} {'yes' if gap else 'no':>4}"
        f"{timing.mean_rate_hz:>10.3f}{100 * timing.jitter_s * timing.mean_rate_hz:>9.1f} %{timing.gaps:>6}"
        f"{'yes' if timing.resampled else 'no':>11}{share:>7.1f}"
        f"{peak * found.sample_rate / found.n_samples / (share * rate) - 1:>+11.4f}{kept:>9.3f}{said:>9.3f}"
    )


def main() -> None:
    """Print the table."""
    print("  rate   jitter stamp  gap  rate found  jitter found gaps resampled  f/fs  f error  amplitude kept, said")
    with tempfile.TemporaryDirectory() as folder:
        for rate in (50.0, 100.0, 200.0, 400.0):
            for jitter in JITTERS:
                for share in (0.1, 0.2):
                    print(case(Path(folder), rate, jitter, share, gap=jitter == 0.1, milliseconds=jitter == 0.3))
            print(case(Path(folder), rate, 0.0, 0.1, gap=True, milliseconds=True))


if __name__ == "__main__":
    main()
