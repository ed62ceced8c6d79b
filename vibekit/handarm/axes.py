"""The total value a_hv of the axes measured: all three, one after the other, or with one missing (ISO 5349-1)."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Protocol

from vibekit.errors import Notice
from vibekit.handarm import uncertainty as unc
from vibekit.recording.conditions import plain_term
from vibekit.recording.sidecar import AXES_FACTOR

ByAxis = Mapping[str, float | None]
AXES = ("x", "y", "z")

# An axis that nobody measured may be the dominant one. Taken as the most: 1/0.3 of the largest measured. No source: no
# standard bounds it, and a tool can go beyond it.
UNMEASURED_RATIO = 1.0 / 0.3
MISSING = "missing axes"


@dataclass(frozen=True)
class TotalValue:
    """A total value [m/s²], what must be said of it, and the parts of its doubt."""

    a_hv_mps2: float
    notices: tuple[Notice, ...] = ()
    parts: tuple[unc.UncertaintyPart, ...] = ()


def total_value(a_hw: ByAxis, factor: float | None = None, key: str | None = None) -> TotalValue:
    """Return a_hv from weighted values by axis [m/s²]. ISO 5349-1:2001 eq. 1; clause 4.5 where axes are missing.

    With an axis missing: the largest axis times `factor`, 1.7 where nobody considered one, and never less than what was
    measured. ISO's range 1.0 to 1.7 (from memory) holds for the dominant axis. A considered factor says that this one
    was measured, and the doubt covers the range; without one the doubt covers an axis that shakes more. `key` names
    tool and position, which make the ratio of the axes.
    """
    known = {axis: value for axis in AXES if (value := a_hw.get(axis)) is not None}
    measured, largest = math.hypot(*known.values()), max(known.values())
    if len(known) == len(AXES):
        return TotalValue(measured)
    least, most = AXES_FACTOR
    used = most if factor is None else factor
    a_hv = max(used * largest, measured)
    if factor is None:
        top = math.hypot(measured, math.sqrt(len(AXES) - len(known)) * UNMEASURED_RATIO * largest)
        relative = (top / a_hv - 1.0) / unc.COVERAGE if a_hv else 0.0
        origin = f"reaches an axis not measured at {UNMEASURED_RATIO:.1f} times the largest: no source"
    else:
        low, high = max(least * largest, measured), max(most * largest, measured)
        relative = _spread(low, high, a_hv) / a_hv if a_hv else 0.0
        origin = f"rectangular over the factors {least:.1f} to {most:.1f}, about the {used:.2f} used"
    part = unc.UncertaintyPart(MISSING, relative, origin, "position", key)
    return TotalValue(a_hv, (_missing(tuple(known), used, factor is not None),), (part,))


def _spread(low: float, high: float, used: float) -> float:
    """Return the r.m.s. distance of a value, anywhere from low to high, from the one used. JCGM 100:2008 F.2.4.5."""
    return math.sqrt(((used - low) ** 2 + (used - low) * (used - high) + (used - high) ** 2) / 3.0)


def _missing(axes: Sequence[str], used: float, considered: bool) -> Notice:
    least, most = AXES_FACTOR
    names = ", ".join(axes)
    if considered:
        message = (
            f"only axis {names} measured: the largest is multiplied by {used:.2f} as stated (ISO 5349-1 allows "
            f"{least:.1f} to {most:.1f}); right only if the dominant axis was measured"
        )
    else:
        message = (
            f"only axis {names} measured: the largest is multiplied by {used:.1f}, the upper end of what ISO 5349-1 "
            f"allows ({least:.1f} to {most:.1f}); if the dominant axis was not measured, the true value is larger, "
            "by an amount that this recording cannot tell"
        )
    remedy = "measure x, y and z, at once or one after the other; or state missing_axes_factor if you know the tool"
    return Notice("axes_missing", "caution", message, len(axes), len(AXES), remedy)


class AxisRun(Protocol):
    """What joining needs of a graded recording."""

    @property
    def tool(self) -> str | None: ...  # noqa: D102
    @property
    def condition(self) -> str | None: ...  # noqa: D102
    @property
    def position(self) -> str | None: ...  # noqa: D102
    @property
    def operator(self) -> str | None: ...  # noqa: D102
    @property
    def run(self) -> int | None: ...  # noqa: D102
    @property
    def a_hv_mps2(self) -> float | None: ...  # noqa: D102
    @property
    def a_hw_mps2(self) -> ByAxis: ...  # noqa: D102
    @property
    def missing_axes_factor(self) -> float | None: ...  # noqa: D102
    @property
    def budget(self) -> tuple[unc.UncertaintyPart, ...]: ...  # noqa: D102


@dataclass(frozen=True)
class OperatorRun:
    """One run of one operator: a recording of three axes, or several that hold an axis each, joined."""

    a_hv_mps2: float
    operator: str | None
    budget: tuple[unc.UncertaintyPart, ...]


def operator_runs(recordings: Sequence[AxisRun]) -> tuple[list[OperatorRun], tuple[Notice, ...]]:
    """Return the runs that graded recordings of one position make, operator by operator, and what to say of them."""
    runs: list[OperatorRun] = []
    notices: tuple[Notice, ...] = ()
    for _, group in groupby(sorted(recordings, key=_operator), key=_operator):
        own = list(group)
        split = _to_join(own)
        alone = [one for one in own if not any(one is other for other in split)]
        runs += [OperatorRun(one.a_hv_mps2 or 0.0, one.operator, one.budget) for one in alone]
        if split:
            joined, said = _joined(split)
            runs, notices = [*runs, *joined], (*notices, *said)
    return runs, notices


def completed(recordings: Sequence[AxisRun]) -> set[int]:
    """Return the `id` of each recording whose missing axes others hold: what it said of them alone is settled."""
    found: set[int] = set()
    for _, group in groupby(sorted(recordings, key=_terms), key=_terms):
        split = _to_join([one for one in group if one.a_hv_mps2 is not None])
        if {axis for one in split for axis in measured_axes(one)} == set(AXES):
            found |= {id(one) for one in split}
    return found


def measured_axes(recording: AxisRun) -> tuple[str, ...]:
    """Return the axes that a recording holds values of."""
    return tuple(axis for axis in AXES if recording.a_hw_mps2.get(axis) is not None)


def _operator(recording: AxisRun) -> str:
    return recording.operator or ""


def _terms(recording: AxisRun) -> tuple[str, ...]:
    words = (recording.condition, recording.position, getattr(recording, "hand", None))
    return (recording.tool or "", *(plain_term(word) or "" for word in words), _operator(recording))


def _to_join(recordings: Sequence[AxisRun]) -> list[AxisRun]:
    """Return the recordings of one operator that lack axes, where they do not all lack the same."""
    part = [one for one in recordings if 0 < len(measured_axes(one)) < len(AXES)]
    return part if len({measured_axes(one) for one in part}) > 1 else []


def _joined(recordings: Sequence[AxisRun]) -> tuple[list[OperatorRun], tuple[Notice, ...]]:
    """Return the runs that recordings of different axes make. ISO 5349-1 eq. 1; ISO 5349-2 (consecutive, from memory).

    The n-th recording of each axis makes the n-th run. Where an axis has more, they enter by their root mean square:
    energies of axes add, and which x went with which y nobody knows, so that only the mean energy of each is known.
    """
    ordered = sorted(recordings, key=lambda one: (one.run is None, one.run or 0))
    by_axis = {axis: [v for one in ordered if (v := one.a_hw_mps2.get(axis)) is not None] for axis in AXES}
    by_axis = {axis: values for axis, values in by_axis.items() if values}
    count = min(len(values) for values in by_axis.values())
    factor = max((one.missing_axes_factor for one in recordings if one.missing_axes_factor is not None), default=None)
    bare = (tuple(part for part in one.budget if part.name != MISSING) for one in recordings)
    budget = max(bare, key=unc.combined)
    key = next((part.key for one in recordings for part in one.budget if part.name == MISSING), None)
    totals = [total_value({a: _rms(v[i::count]) for a, v in by_axis.items()}, factor, key) for i in range(count)]
    runs = [OperatorRun(one.a_hv_mps2, recordings[0].operator, (*one.parts, *budget)) for one in totals]
    names = ", ".join(by_axis)
    message = (
        f"{names} were measured one after the other and joined root-sum-square (ISO 5349-1 eq. 1): right as far as "
        "tool and work were the same each time, which no recording shows"
    )
    said = Notice("axes_joined", "caution", message, len(recordings), None, "measure the axes at once, or each 3 times")
    return runs, (said, *(totals[0].notices if len(by_axis) < len(AXES) else ()))


def _rms(values: Sequence[float]) -> float:
    return math.hypot(*values) / math.sqrt(len(values))
