"""Rolling bearings: what a spall does to the signal, and the most sensitive test for it.

Each element that passes a spall strikes: a train of short impulses at the race's passing rate f, up to 2 % off the
kinematic rate by slip and with intervals that scatter by about σ = 1 % (Randall & Antoni 2011, from memory). From pass
to pass the scatter adds up, so that harmonic n of the rate is a line of width 2π·n²·σ²·f: sharp where n is small, a
hump and then noise where it is large. What stands out depends on how long the housing rings (a millisecond) and on how
long it is until the next impact:

- Impacts far apart (slow shafts, cages): bursts with rest between. Their energy lies above the lines of gears and fan,
  in bands where it is a few percent of brush and grinding noise, but always at the same beat: lines of the envelope.
  Each Hz of the band adds its share once it is levelled against the noise about it, and loud lines are cut down to it.
- Impacts close together (fast shafts: 1 to 2 kHz): each rings into the next, nothing comes in bursts, and in the
  envelope little is left. The first few harmonics are lines of the signal itself, often far over the noise between the
  shaft lines; the same levelling would cut them off with those.

Both are read as combs: a rate moves with all its harmonics by one slip, so that they are summed at each slip that may
be, and the best sum is taken; less what a comb of the same shape finds where no part has its rate, as a machine full
of lines has some everywhere. The inner race passes the load zone once per turn, an element once per cage turn: their
sidebands are part of the comb. What is in step with a shaft is levelled to the noise first. The lines are read from
short segments: the speed is known to a tenth of a percent in some tenths of a second without a tachometer, and longer
ones would smear just the harmonics that tell. A sound bearing has weak lines of its own (balls that support the shaft
in turn, waviness): one line counts 12 dB at most, and only the first four harmonics do.
"""

from __future__ import annotations

import numpy as np

from vibekit.machine.faults.evidence import Notes
from vibekit.machine.lines.views import Line, SignalViews, View
from vibekit.machine.train.drivetrain import bearing_orders
from vibekit.recording.recording import FloatArray
from vibekit.recording.toolsheet import Bearing

_SLIP = 0.02  # Randall & Antoni 2011 (from memory): 1 to 2 %
_LINE_HARMONICS, _PULSE_HARMONICS = 4, 6
_LINE_AT_MOST_DB = 12.0  # one stray line of something else must not make a family
_ELSEWHERE = (0.78, 0.82, 0.86, 0.9, 0.94, 1.06, 1.1, 1.14, 1.18, 1.22)  # of a rate: combs of nothing
_SIDES = {-2: 0.25, -1: 0.5, 1: 0.5, 2: 0.25}  # weight of the sidebands against their harmonic (no source)


def bearing_features(views: SignalViews, bearing: Bearing) -> dict[str, Notes]:
    """Return, per place of a rolling bearing, what its combs say; empty where geometry or speed is unknown.

    `line_comb`, `pulse_comb`: mean height over the noise [dB] of a rate's harmonics and sidebands among the lines of
    the signal and of its envelope; `line_lead`, `pulse_lead`: how much more than of the bearing's other places (of an
    element: but the cage, which carries it through the load zone so that its rate shows too).
    """
    known = bearing.balls is not None and bearing.ball_mm is not None and bearing.pitch_mm is not None
    if not known or bearing.shaft not in views.ratios:
        return {}
    turn = views.ratios[bearing.shaft]
    rates = bearing_orders(bearing.balls or 0, bearing.ball_mm or 0.0, bearing.pitch_mm or 0.0, bearing.contact_deg)
    places = {
        "outer_race": (rates.outer_race * turn, 0.0),
        "inner_race": (rates.inner_race * turn, turn),
        "rolling_element": (2.0 * rates.rolling_element * turn, rates.cage * turn),
        "cage": (rates.cage * turn, 0.0),
    }
    found = {place: _place(views, f"{bearing.name} {place.replace('_', ' ')}", *at) for place, at in places.items()}
    for place, notes in found.items():
        for kind in ("line", "pulse"):
            beside = {"rolling_element": ("rolling_element", "cage")}.get(place, (place,))
            rivals = [other.values[f"{kind}_comb"] for name, other in found.items() if name not in beside]
            notes.put(f"{kind}_lead", notes.values[f"{kind}_comb"] - max(rivals))
    return found


def _place(views: SignalViews, name: str, order: float, modulator: float) -> Notes:
    notes = Notes()
    lines, envelope = views.slipping_orders, views.slipping_envelope
    for kind, view, count, most in (
        ("line", lines, _LINE_HARMONICS, _LINE_AT_MOST_DB),
        ("pulse", envelope, _PULSE_HARMONICS, np.inf),
    ):
        heights = np.minimum(view.mean_over_floor_db, most)
        spacing = view.floored.spectrum.spacing
        height, share = comb(heights, spacing, order, count, modulator)
        height -= float(np.median([comb(heights, spacing, order * e, count, modulator)[0] for e in _ELSEWHERE]))
        title = f"{name}, envelope" if view is envelope else name
        notes.put(f"{kind}_comb", height, _clearest(view, title, order * share, count))
    return notes


def _clearest(view: View, name: str, order: float, count: int) -> Line | None:
    """Return the harmonic that stands out most, at the slip that was found."""
    lines = [view.read(f"{n}x {name}" if n > 1 else name, n * order) for n in range(1, count + 1)]
    return max((line for line in lines if line is not None), key=lambda line: line.over_floor_db, default=None)


def comb(
    over_floor_db: FloatArray, spacing: float, order: float, count: int, modulator: float = 0.0
) -> tuple[float, float]:
    """Return how high a rate's harmonics and sidebands stand over the noise [dB], and the share of its slip.

    `over_floor_db` of each bin, at least 0, shape (n_bins,), `spacing` their distance [orders]. Slip moves all
    harmonics by one share: at each share up to 2 % the heights of `count` harmonics are averaged with those of the
    sidebands at `modulator` [orders], and the best is taken. Harmonics beyond the last bin do not count.
    """
    count = max(1, min(count, int((over_floor_db.size - 2) * spacing / (order * (1.0 + _SLIP)))))
    shares = 1.0 + np.arange(-_SLIP, _SLIP, 0.5 * spacing / (order * count))
    harmonics = np.arange(1, count + 1)[:, None] * order * shares
    sides = {0: 1.0, **(_SIDES if modulator else {})}

    def heights(places: FloatArray) -> FloatArray:
        bins = np.round(places / spacing).astype(int)
        inside = (bins > 1) & (bins < over_floor_db.size)
        return np.asarray(np.where(inside, over_floor_db[np.where(inside, bins, 0)], 0.0).mean(axis=0))

    weighed = np.sum([weight * heights(harmonics + k * modulator) for k, weight in sides.items()], axis=0)
    best = int(np.argmax(weighed))
    return float(weighed[best]) / sum(sides.values()), float(shares[best])
