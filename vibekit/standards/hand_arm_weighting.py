"""Frequency weighting Wh of ISO 5349-1:2001 Annex A (parameters as in ISO 8041-1, exact).

Status: parameters from memory, confirmed: with these exact values every factor printed in Table A.2 is met to three
figures, and with the rounded Q = 0.71 it is not. Printed factors 6.3 to 1250 Hz were read in a labour ministry's
extract of the standard; the tolerance band (ISO 8041 Table 5) is from memory.
"""

from __future__ import annotations

import math

F1_HZ = 10**0.8  # band limiting, high-pass corner
F2_HZ = 10**3.1  # band limiting, low-pass corner
F3_HZ = 100.0 / (2.0 * math.pi)  # acceleration-velocity transition, numerator
F4_HZ = 100.0 / (2.0 * math.pi)  # acceleration-velocity transition, denominator
Q1 = 1.0 / math.sqrt(2.0)
Q2 = 1.0 / math.sqrt(2.0)
Q4 = 0.64

FIRST_BAND = 8  # one-third-octave band number n of 6.3 Hz; exact midband 10^(n/10) Hz
LAST_BAND = 31  # of 1250 Hz

# Nominal midband [Hz] and printed factor, ISO 5349-1:2001 Table A.2
PRINTED_FACTORS = (
    (6.3, 0.727),
    (8.0, 0.873),
    (10.0, 0.951),
    (12.5, 0.958),
    (16.0, 0.896),
    (20.0, 0.782),
    (25.0, 0.647),
    (31.5, 0.519),
    (40.0, 0.411),
    (50.0, 0.324),
    (63.0, 0.256),
    (80.0, 0.202),
    (100.0, 0.160),
    (125.0, 0.127),
    (160.0, 0.101),
    (200.0, 0.0799),
    (250.0, 0.0634),
    (315.0, 0.0503),
    (400.0, 0.0398),
    (500.0, 0.0314),
    (630.0, 0.0245),
    (800.0, 0.0186),
    (1000.0, 0.0135),
    (1250.0, 0.00894),
)

# Core tolerance of ISO 8041 Table 5, bands 10 to 630 Hz and the wider transition bands [relative: over, under]
TOLERANCE_CORE = (0.12, 0.11)
TOLERANCE_TRANSITION = (0.26, 0.21)
CORE_BANDS = range(10, 29)  # band numbers of 10 Hz to 630 Hz
