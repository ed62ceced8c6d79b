"""Speeds that a low sample rate cannot tell from others: lines above half of it fold to wrong places."""

from __future__ import annotations

import numpy as np

from vibekit.errors import Notice
from vibekit.machine.speed.told import LineSpeed, Rival
from vibekit.machine.tracks.target import UNKNOWN_RANGE_HZ, Target
from vibekit.recording.limits import folded_hz
from vibekit.units import hz_to_rpm


def rate_too_low(target: Target, sample_rate: float) -> Notice | None:
    """Return a refusal where the rated speed reaches half the sample rate: its line folds to a wrong place."""
    if target.rated_hz is None or 1.05 * target.rated_hz < 0.5 * sample_rate:
        return None
    return Notice(
        "rate_too_low",
        "refusal",
        f"cannot tell: at {sample_rate:g} samples/s the {target.of or 'shaft'}'s {target.rated_hz:.0f} Hz folds to "
        f"{folded_hz(target.rated_hz, sample_rate):.1f} Hz, where it looks like another speed",
        value=sample_rate,
        limit=2.0 * target.rated_hz,
        remedy=f"record at {2.5 * target.rated_hz:.0f} samples/s or more",
    )


def folded_rivals(target: Target, sample_rate: float) -> tuple[Rival, ...]:
    """Return the rated speed as what the recording may hold, where its line folded."""
    if target.rated_hz is None:
        return ()
    return (Rival(target.rated_hz, "rated speed; the sample rate cannot carry its line"),)


def against_folding(found: LineSpeed, target: Target, sample_rate: float, stamped: bool) -> LineSpeed:
    """Return the speed, or a refusal where a line folded from above half the sample rate would look the same.

    A shaft at f and one at fs - f give the same samples, harmonics included. Nothing in the samples tells them apart
    unless the recording holds the way from rest to speed, on which a folded line turns round.
    """
    if target.narrowed or sample_rate > 2.0 * UNKNOWN_RANGE_HZ[1]:
        return found
    known = found.hz[np.isfinite(found.hz)]
    middle = float(np.median(known))
    images = [k * sample_rate + sign * middle for k in (1, 2, 3) for sign in (-1.0, 1.0)]
    rivals = [Rival(hz, "a shaft at this speed gives the same samples at this rate (folding)") for hz in images]
    rivals = [r for r in rivals if UNKNOWN_RANGE_HZ[0] <= r.hz <= UNKNOWN_RANGE_HZ[1]]
    if not rivals:
        return found
    refusal = Notice(
        "maybe_folded",
        "refusal",
        f"cannot tell: lines fit {hz_to_rpm(middle):.0f} rpm, but at {sample_rate:.0f} samples/s a shaft at "
        f"{hz_to_rpm(rivals[0].hz):.0f} rpm would give the same",
        value=sample_rate,
        limit=2.0 * UNKNOWN_RANGE_HZ[1],
        remedy="give a tool sheet with rated_rpm, spindle_rpm in the sidecar, or record at a higher rate",
    )
    nothing = np.empty(0)
    fitted = Rival(middle, "fits the lines as they stand, if nothing folded")
    return LineSpeed(nothing, nothing, 0.0, (fitted, *rivals, *found.rivals), (refusal,))
