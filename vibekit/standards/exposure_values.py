"""Daily exposure values and the points scale, as data.

Status: EU values found in Directive 2002/44/EC Art. 3(1); reference duration and formula found in UK SI 2005/1093
Schedule 1 (same as ISO 5349-1:2001 eq. 2 and 3); points found in the published guidance text (100 points at the action
value, 400 at the limit value).
"""

from __future__ import annotations

from dataclasses import dataclass

REFERENCE_DURATION_S = 28_800.0  # T0 = 8 h
POINTS_PER_SQUARE_HOUR = 2.0  # points = 2·a²·T[h]


@dataclass(frozen=True)
class ExposureValues:
    """The daily values of one regime [m/s², A(8)], with where they stand.

    `longest_s`: daily trigger time that the regime allows whatever the tool [s]; None where it names none.
    """

    name: str
    action_mps2: float
    limit_mps2: float
    source: str
    status: str
    longest_s: float | None = None


EU = ExposureValues("eu", 2.5, 5.0, "Directive 2002/44/EC Art. 3(1)", "found")
REGIMES = {
    regime.name: regime
    for regime in (
        EU,
        ExposureValues("uk", 2.5, 5.0, "UK SI 2005/1093 reg. 4", "found (values as in the Directive)"),
        ExposureValues(
            "jp",
            2.5,
            5.0,
            "MHLW circulars Kihatsu 0710 No. 1 and 2 (2009)",
            "values found; the 2 h a day from memory",
            longest_s=7200.0,
        ),
        ExposureValues("us-ansi", 2.5, 5.0, "ANSI S2.70-2006", "from memory"),
    )
}

# CEN/TR 15350 has declared emission values multiplied by 1.0 to 2.0, by kind of tool, to estimate what real use comes
# to: declared values often underestimate it. Status: from memory; which factor goes with which kind is not known here.
REAL_USE_PER_DECLARED = (1.0, 2.0)

# ISO 5349-1:2001 Annex C eq. C.1: years until 10 % of a group shows white finger, Dy = 31.8·A(8)^-1.06. The annex gives
# it for exposures of 1 to 10 years, for groups, not for one person. Status: formula and table from memory.
WHITE_FINGER_FACTOR = 31.8
WHITE_FINGER_EXPONENT = -1.06
WHITE_FINGER_YEARS = (1.0, 10.0)
