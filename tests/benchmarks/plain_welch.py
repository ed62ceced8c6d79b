"""Baseline of the averaged spectrum: scipy.signal.welch on the whole array, as one would write it in a minute.

python tests/benchmarks/plain_welch.py FILE
"""

from __future__ import annotations

import sys

import scipy.signal
import soundfile


def main(path: str) -> None:
    """Print the sum of the density of every channel over segments of 2 s."""
    samples, rate = soundfile.read(path, always_2d=True)
    frequency, density = scipy.signal.welch(samples, rate, nperseg=2 * rate, axis=0)
    print(density.sum(axis=0) * frequency[1])


if __name__ == "__main__":
    main(sys.argv[1])
