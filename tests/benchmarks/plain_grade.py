"""Baseline of the grading benchmark: a plain block-wise filter and mean square, as one would write it in a minute.

python tests/benchmarks/plain_grade.py FILE        bilinear Wh by scipy.signal.sosfilt, floats from soundfile
python tests/benchmarks/plain_grade.py FILE read   reads the 16-bit counts and nothing else
"""

from __future__ import annotations

import sys

import numpy as np
import soundfile

BLOCK = 65536


def main(path: str, only_read: bool) -> None:
    """Print the weighted r.m.s. of every channel."""
    if only_read:
        print(sum(len(block) for block in soundfile.blocks(path, BLOCK, dtype="int16")))
        return
    from scipy.signal import bilinear_zpk, sosfilt, tf2zpk, zpk2sos

    rate = soundfile.info(path).samplerate
    w1, w2, w3 = 2 * np.pi * 10**0.8, 2 * np.pi * 10**3.1, 100.0
    b = np.polymul([1, 0, 0], [1, w3]) * w2**2 * w3
    a = np.array([1.0])
    for w, q in ((w1, 2**-0.5), (w2, 2**-0.5), (w3, 0.64)):
        a = np.polymul(a, [1, w / q, w * w])
    sos = zpk2sos(*bilinear_zpk(*tf2zpk(b, a), rate))
    state = np.zeros((sos.shape[0], 2, soundfile.info(path).channels))
    total, count = 0.0, 0
    for block in soundfile.blocks(path, BLOCK, dtype="float64"):
        weighted, state = sosfilt(sos, block, axis=0, zi=state)
        total = total + np.square(weighted).sum(axis=0)
        count += len(block)
    print(np.sqrt(total / count))


if __name__ == "__main__":
    main(sys.argv[1], "read" in sys.argv[2:])
