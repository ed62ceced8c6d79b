"""The averaged spectrum of a recording, block by block: the counterpart of `plain_welch.py`, same values.

python tests/benchmarks/averaging.py FILE
"""

from __future__ import annotations

import sys

import vibekit as vk
from vibekit.machine.lines.averaged import averaged_spectrum
from vibekit.machine.spectra.spectrum import as_density


def main(path: str) -> None:
    """Print the sum of the density of every axis over segments of 2 s."""
    stream = vk.open_recording(path, calibration=vk.Calibration.full_scale("1 m/s2"))
    spectrum = as_density(averaged_spectrum(stream, 1.5 / 2, running_only=False).spectrum)
    print(spectrum.values.sum(axis=1) * spectrum.spacing)


if __name__ == "__main__":
    main(sys.argv[1])
