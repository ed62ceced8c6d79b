"""How loud each octave is, and how loud its noise alone: what contact, short or soft, adds to a recording.

Parts that strike each other put in a pulse whose spectrum is flat up to about 1/(2·duration) and gone from
1.5/duration on (half-sine). Steel on steel in a rolling bearing, a tooth or a brush thrown up last less than 0.1 ms and
raise everything up to 10 kHz; a shaft on an oil film some 0.2 ms; a plastic handle in its seat 0.5 ms and raises what
lies below 2 kHz. Impacts that slip or rebound unevenly leave no lines, but the noise between the lines rises with them.
Levels differ from kind to kind by far more than a fault makes: they tell only against tools of the same kind.
"""

from __future__ import annotations

from vibekit.machine.lines.views import View, decibels

OCTAVES = {  # nominal frequency (ISO 266) and edges [Hz]; the highest as far as a sample rate of 25.6 kHz carries
    125: (88.4, 176.8),
    250: (176.8, 353.6),
    500: (353.6, 707.1),
    1000: (707.1, 1414.2),
    2000: (1414.2, 2828.4),
    4000: (2828.4, 5656.9),
    8000: (5656.9, 10000.0),
}
_CARRIED = 0.9  # an octave that the recording carries so far up counts as carried


def octave_features(orders: View) -> dict[str, float]:
    """Return level and noise of each octave that the spectrum carries, over all axes [dB over 1 m/s²].

    `orders`: the order spectrum: the turns at running speed, without pauses.
    """
    found = {}
    for nominal, (low, high) in OCTAVES.items():
        if _CARRIED * high <= orders.top_hz:
            found[f"level_{nominal}"] = decibels(orders.rms_mps2(low, high), 1.0)
            found[f"level_{nominal}_noise"] = decibels(orders.noise_mps2(low, high), 1.0)
    return found
