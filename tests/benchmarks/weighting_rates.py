"""Error of the graded weighting against the analogue curve, over sample rates and one-third-octave midbands.

    python -m tests.benchmarks.weighting_rates [--seconds 8]

A pure tone at each midband is graded at each rate, axis x, as a file would be; printed is 20·lg of its weighted value
over tone times |Wh| of the published curve (tests/references/wh_weighting.csv), in thousandths of a decibel.
"""

from __future__ import annotations

import argparse

import numpy as np

import vibekit as vk
from tests.reference import rows

RATES = (2800, 3200, 4000, 5000, 6400, 8000, 10_240, 12_800, 16_000, 25_600, 44_100, 48_000, 51_200)


def error_db(rate: int, frequency: float, factor: float, seconds: float) -> float:
    """Return the error of a graded tone [dB]."""
    time = np.arange(round(seconds * rate)) / rate
    tone = vk.Recording(np.sqrt(2) * np.sin(2 * np.pi * frequency * time)[None], rate, ("x",))
    value = vk.grade(tone).a_hw_mps2["x"]
    return 20 * float(np.log10(value / factor)) if value else float("nan")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=8.0)
    seconds = parser.parse_args().seconds
    bands = [(float(row["exact_hz_10^(n/10)"]), float(row["analogue_factor_computed"])) for row in rows("wh_weighting")]
    bands = [band for band in bands if 6 < band[0] < 1300]
    worst: dict[int, list[float]] = {rate: [] for rate in RATES}
    print("error in mdB; columns are samples per second\n" + "midband".rjust(9) + "".join(f"{r:>8}" for r in RATES))
    for frequency, factor in bands:
        for rate in RATES:
            worst[rate].append(error_db(rate, frequency, factor, seconds))
        print(f"{frequency:>9.2f}" + "".join(f"{1000 * worst[rate][-1]:>8.1f}" for rate in RATES))
    print("  largest" + "".join(f"{1000 * np.abs(worst[rate]).max():>8.1f}" for rate in RATES))


if __name__ == "__main__":
    main()
