"""One-third-octave bands against the edges that IEC 61260-1 defines and the nominal midbands of ISO 266."""

from __future__ import annotations

import numpy as np
import pytest

import vibekit as vk
from tests.reference import rows
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


@pytest.mark.parametrize("rate", [3200.0, 6400.0, 25_600.0, 44_100.0])
@pytest.mark.parametrize("hz", [8.0, 20.0, 160.0])
@pytest.mark.parametrize("seconds", [8.0, 13.3])
def test_a_tone_that_is_cut_off_keeps_out_of_far_bands(rate: float, hz: float, seconds: float) -> None:
    """A tone in full motion from the first sample to the last, against the limits of class 1 of IEC 61260-1:2014.

    Reference: Table 1, as in references/iec61260_third_octave_limits.csv, at its breakpoints G and further away.
    """
    limits = [
        (float(row["rel_freq_high_computed"]), float(row["class1_min_dB"]))
        for row in rows("iec61260_third_octave_limits")
        if float(row["class1_min_dB"]) > 0
    ]
    time = np.arange(round(seconds * rate)) / rate
    tone = np.cos(2 * np.pi * hz * time + 0.4)
    found = vk.grade(vk.Recording(np.stack([tone, 0.1 * tone, 0.2 * tone]), rate)).third_octave
    level = 20 * np.log10(np.maximum(found.values[0], 1e-12) * 2**0.5)
    midbands = MIDBAND_HZ[: len(found.centre_hz)]
    own = int(np.argmin(np.abs(np.log(midbands / hz))))
    assert level[own] == pytest.approx(0.0, abs=0.1)
    apart = np.exp(np.abs(np.log(hz / midbands)))
    for ratio, least_db in limits:
        assert level[apart >= ratio].max(initial=-np.inf) <= -least_db, ratio
