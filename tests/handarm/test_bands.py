"""One-third-octave bands against the edges that IEC 61260-1 defines and the nominal midbands of ISO 266."""

from __future__ import annotations

import numpy as np
import pytest

from vibekit.handarm.bands import band_matrix, band_numbers, nominal_centres

NOMINAL_HZ = (6.3, 8, 10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800)
G = 10**0.3  # IEC 61260-1:2014 eq. 1; midbands G^(k/3) kHz (eq. 2), edges G^(±1/6) from there (eq. 6 and 7)
MIDBAND_HZ = np.array([1000 * G ** (k / 3) for k in range(-22, 2)])
LOW_HZ, HIGH_HZ = MIDBAND_HZ * G ** (-1 / 6), MIDBAND_HZ * G ** (1 / 6)
RATES = (11.0, 20.0, 400.0, 2826.0, 2827.0, 3200.0, 25600.0)


@pytest.mark.parametrize("rate", RATES)
def test_only_bands_that_the_rate_carries_whole(rate: float) -> None:
    carried = int((rate / 2 >= HIGH_HZ).sum())
    np.testing.assert_allclose(10 ** (band_numbers(rate) / 10), MIDBAND_HZ[:carried], rtol=1e-12)
    assert nominal_centres(rate) == (*NOMINAL_HZ, 1000, 1250)[:carried]


@pytest.mark.parametrize("rate", RATES)
def test_each_band_holds_the_power_between_its_edges_and_no_other(rate: float) -> None:
    """White noise has the same power in every bin: a band's share of the bins is its width over the resolution."""
    for size in (round(6 * rate), round(7.3 * rate)):
        bins, shares = band_matrix(rate, size)
        resolution, carried = rate / size, len(band_numbers(rate))
        assert (bins.start or 0, bins.step) == (0, None)
        assert bins.stop <= size // 2 + 1  # lines of a one-sided spectrum
        np.testing.assert_allclose(shares.sum(axis=0) * resolution, (HIGH_HZ - LOW_HZ)[:carried], rtol=1e-9)
        frequency = np.arange(bins.stop) * resolution
        for i in range(carried):
            inside = (frequency >= LOW_HZ[i] + resolution / 2) & (frequency <= HIGH_HZ[i] - resolution / 2)
            outside = (frequency < LOW_HZ[i] - resolution / 2) | (frequency > HIGH_HZ[i] + resolution / 2)
            np.testing.assert_allclose(shares[inside, i], 1.0)
            assert not shares[outside, i].any()
