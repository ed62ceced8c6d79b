"""How a tool changes: any logged quantity against hours used or date, judged against the measurement's own doubt."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vibekit.bench.joined_entries import joined_entries
from vibekit.bench.logbook import Entry
from vibekit.errors import InputError, Notice, document
from vibekit.handarm.axes import MISSING
from vibekit.handarm.uncertainty import COVERAGE, UncertaintyPart, combined, run_scatter, without_repeatability
from vibekit.recording.conditions import plain_term

FloatArray = NDArray[np.float64]

BASELINE_SESSIONS = 3  # at most, and at most half of what there is
ALARM_SIGMAS = 3.0  # above the baseline: mean plus three standard deviations (common practice, no source)
SPEED_DOUBT = 0.01  # relative standard uncertainty of a spindle speed between sessions (no source)
_DAY_S = 86_400.0


@dataclass(frozen=True)
class Point:
    """One logged value; `x` in hours used or in days since the first; `doubt` its systematic relative part or None."""

    entry: Entry
    value: float
    x: float
    session: int
    doubt: float | None

    def to_dict(self, quantity: str) -> dict[str, Any]:
        """Return the point as document data."""
        expanded = self.entry.quantities.get("expanded_uncertainty_mps2") if quantity == "a_hv_mps2" else None
        return {
            "when": self.entry.recorded_at.isoformat(),
            "hours_used": self.entry.hours_used,
            quantity: self.value,
            "expanded_uncertainty": expanded,
            "session": self.session + 1,
            "file": self.entry.file,
        }


@dataclass(frozen=True)
class Session:
    """The runs of one day or one state of use as one value: mean, standard uncertainty of it (on the fit's scale)."""

    x: float
    mean: float
    u: float
    runs: int


@dataclass(frozen=True)
class Trend:
    """Change from first to last session, and whether the last one is beyond the tool's own baseline."""

    tag: str
    quantity: str
    against: str
    terms: dict[str, str | None]
    points: tuple[Point, ...]
    sessions: int
    change_pct: float | None
    change_uncertainty_pct: float | None
    significant: bool | None
    baseline: float | None
    alarm_high: float | None
    alarm_low: float | None
    alarm: bool | None
    notices: tuple[Notice, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the whole `trend` document."""
        body = {
            "tag": self.tag,
            "quantity": self.quantity,
            "against": self.against,
            "terms": self.terms,
            "points": [point.to_dict(self.quantity) for point in self.points],
            "sessions": self.sessions,
            "change_pct": self.change_pct,
            "change_expanded_uncertainty_pct": self.change_uncertainty_pct,
            "significant": self.significant,
            "baseline": self.baseline,
            "alarm_high": self.alarm_high,
            "alarm_low": self.alarm_low,
            "alarm": self.alarm,
        }
        return document("trend", body, self.notices)


def trend(
    entries: Sequence[Entry],
    tag: str,
    quantity: str = "a_hv_mps2",
    condition: str | None = None,
    position: str | None = None,
) -> Trend:
    """Return the trend of a quantity of one tool, over its entries of one condition, position and accessory.

    Raises:
        InputError: no entry of the tool holds the quantity (what it holds is named).
    """
    having = [entry for entry in entries if entry.tag == tag and _number(entry.quantities.get(quantity)) is not None]
    if not having:
        raise InputError(_nothing(entries, tag, quantity))
    used, terms, notices = _on_equal_terms(having, condition, position)
    if quantity == "a_hv_mps2":
        used, said = joined_entries(used)
        notices += said
    notices += _doubts(entries, used, tag, quantity)
    points, against = _points(used, quantity)
    positive = quantity.endswith(("_mps2", "_rpm", "_g_mm")) and all(point.value > 0 for point in points)
    scale: Callable[[float], float] = math.log if positive else float
    guessed = sum(point.entry.recorded_from != "stated" for point in points)
    if against == "days" and guessed:
        message = (
            f"the time of {guessed} of {len(points)} recordings is that of the file, which a copy may have changed"
        )
        notices.append(Notice("time_of_file", "info", message, guessed, remedy="give started in the sidecar"))
    sessions = _sessions(points, scale)
    if len(sessions) < 2:
        notices.append(Notice("one_session", "caution", "one session only: no change can be stated yet", 1, 2))
    change, u = _change(sessions)
    bounds = _alarm_bounds(sessions)
    back: Callable[[float], float] = math.exp if positive else float
    first = back(sessions[0].mean)
    pct = (
        None if change is None else 100.0 * (math.expm1(change) if positive else change / first if first else math.nan)
    )
    growth = 0.0 if change is None else 100.0 * (math.exp(change) if positive else 1.0 / first if first else math.nan)
    two_sided = quantity != "a_hv_mps2"
    last = sessions[-1].mean
    return Trend(
        tag=tag,
        quantity=quantity,
        against=against,
        terms=terms,
        points=tuple(points),
        sessions=len(sessions),
        change_pct=pct if pct is not None and math.isfinite(pct) else None,
        change_uncertainty_pct=None if u is None or not math.isfinite(growth) else COVERAGE * growth * u,
        significant=None if change is None or u is None else abs(change) > COVERAGE * u,
        baseline=back(bounds[1]) if bounds else None,
        alarm_high=back(bounds[2]) if bounds else None,
        alarm_low=back(bounds[0]) if bounds and two_sided else None,
        alarm=None if not bounds else last > bounds[2] or (two_sided and last < bounds[0]),
        notices=tuple(notices),
    )


def _number(value: Any) -> float | None:
    return (
        float(value)
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        else None
    )


def _doubts(entries: Sequence[Entry], used: Sequence[Entry], tag: str, quantity: str) -> list[Notice]:
    """Return what the checks doubt of the points, and which recordings are no point because they refuse a value."""
    told = [
        Notice(**{**notice, "message": f"{Path(entry.file).name}: {notice['message']}".replace(f"{entry.file}: ", "")})
        for entry in used
        for notice in entry.document.get("notices", ())
        if notice["severity"] == "caution" and notice["code"].startswith("check_")
    ]
    refused = [e for e in entries if e.tag == tag and quantity in e.quantities and e.quantities[quantity] is None]
    if refused:
        names = ", ".join(sorted({Path(entry.file).name for entry in refused}))
        message = f"no point of the trend, as they cannot be graded: {names}"
        told.append(Notice("refused_left_out", "caution", message, len(refused), remedy="see vibekit check"))
    return told


def _nothing(entries: Sequence[Entry], tag: str, quantity: str) -> str:
    own = [entry for entry in entries if entry.tag == tag]
    if not own:
        return f"the log has no tool {tag!r}; it has: {', '.join(sorted({e.tag for e in entries})) or 'nothing'}"
    names = sorted({name for e in own for name, value in e.quantities.items() if _number(value) is not None})
    return f"the log has no {quantity!r} of {tag}; it has: {', '.join(names)}"


def _on_equal_terms(
    entries: Sequence[Entry], condition: str | None, position: str | None
) -> tuple[list[Entry], dict[str, str | None], list[Notice]]:
    """Return the entries of the most frequent condition, position and accessory (of those asked for)."""
    wanted = (plain_term(condition), plain_term(position))
    own = [(entry, tuple(map(plain_term, (entry.condition, entry.position, entry.accessory)))) for entry in entries]
    asked = [(e, t) for e, t in own if all(want in (None, term) for want, term in zip(wanted, t, strict=False))]
    if not asked:
        have = sorted({f"{e.condition or 'not named'} at {e.position or 'not named'}" for e in entries})
        raise InputError(f"no entry in that condition and position; there are: {', '.join(have)}")
    counts = Counter(terms for _, terms in asked)
    usual = max(counts, key=lambda terms: (counts[terms], str(terms)))
    used = [entry for entry, terms in asked if terms == usual]
    notices = []
    if len(used) < len(entries):
        message = (
            f"{len(entries) - len(used)} of {len(entries)} entries differ in condition, position or accessory: left out"
        )
        notices.append(Notice("other_terms", "info", message, remedy="see --condition and --position"))
    return used, dict(zip(("condition", "position", "accessory"), usual, strict=True)), notices


def _points(entries: Sequence[Entry], quantity: str) -> tuple[list[Point], str]:
    """Return the values over hours used where every entry states them and they differ, else over days."""
    hours = [entry.hours_used for entry in entries]
    by_hours = None not in hours and len(set(hours)) > 1
    start = min(entry.recorded_at for entry in entries)
    xs = [
        float(entry.hours_used or 0.0) if by_hours else (entry.recorded_at - start).total_seconds() / _DAY_S
        for entry in entries
    ]
    keys = [x if by_hours else entry.recorded_at.date().toordinal() for x, entry in zip(xs, entries, strict=True)]
    order = {key: i for i, key in enumerate(sorted(set(keys)))}
    common = _common(entries)
    points = [
        Point(entry, float(entry.quantities[quantity]), x, order[key], _doubt(entry, quantity, common))
        for entry, x, key in zip(entries, xs, keys, strict=True)
    ]
    return sorted(points, key=lambda p: (p.x, p.entry.recorded_at)), "hours used" if by_hours else "days"


def _doubt(entry: Entry, quantity: str, common: Collection[UncertaintyPart]) -> float | None:
    """Return what all runs of a session share, relative, but for what all sessions share (`common`).

    None where the quantity brings no doubt of its own.
    """
    if quantity == "spindle_rpm":
        return SPEED_DOUBT
    budget = _budget(entry) if quantity == "a_hv_mps2" else ()
    return combined(part for part in without_repeatability(budget) if part not in common) if budget else None


def _common(entries: Sequence[Entry]) -> frozenset[UncertaintyPart]:
    """Return the parts that err alike in every session, and so not in a change: one sensor, one axis left out.

    Mounting, position and grip are made anew each time.
    """
    shared = frozenset.intersection(*(frozenset(_budget(entry)) for entry in entries))
    return frozenset(part for part in shared if part.key and (part.cause == "sensor" or part.name == MISSING))


def _budget(entry: Entry) -> tuple[UncertaintyPart, ...]:
    return tuple(UncertaintyPart.restored(part) for part in entry.document.get("budget") or ())


def _sessions(points: Sequence[Point], scale: Callable[[float], float]) -> list[Session]:
    """Return one value per session; run-to-run scatter is pooled over sessions, a default where no session repeats."""
    groups: dict[int, list[Point]] = {}
    for point in points:
        groups.setdefault(point.session, []).append(point)
    values = {key: np.array([scale(p.value) for p in group]) for key, group in groups.items()}
    freedom = sum(v.size - 1 for v in values.values())
    known = all(point.doubt is not None for point in points)
    pooled = math.sqrt(sum(float(np.sum((v - v.mean()) ** 2)) for v in values.values()) / freedom) if freedom else None
    scatter = pooled if pooled is not None else _usual_scatter(points[0]) if known else math.nan
    sessions = []
    for key, group in sorted(groups.items()):
        shared = max(p.doubt for p in group if p.doubt is not None) if known else 0.0
        u = math.hypot(shared, scatter / math.sqrt(len(group))) if known else math.nan
        x = math.fsum(p.x for p in group) / len(group)
        sessions.append(Session(x, float(values[key].mean()), u, len(group)))
    return sessions


def _usual_scatter(point: Point) -> float:
    """Return the scatter of runs where no session holds two, as stated or usual; that of a speed is in its doubt."""
    return run_scatter(_budget(point.entry)).relative if point.entry.kind == "grade" else 0.0


def _change(sessions: Sequence[Session]) -> tuple[float | None, float | None]:
    """Return change from first to last session along the weighted straight line, and its standard uncertainty.

    The sessions' own doubt sets the uncertainty; where they scatter about the line by more than it explains, it is
    enlarged by the root of chi-square per degree of freedom (Birge 1932), never made smaller. A quantity without doubt
    of its own needs three sessions: their scatter about the line, with Student's t, is then its doubt.
    """
    if len(sessions) < 2:
        return None, None
    x, y, u = (np.array([getattr(s, name) for s in sessions]) for name in ("x", "mean", "u"))
    own = bool(np.isfinite(u).all() and (u > 0).all())
    weights = 1.0 / u**2 if own else np.ones_like(x)
    centred = x - np.average(x, weights=weights)
    moment = float(np.sum(weights * centred**2))
    if moment == 0:
        return None, None
    slope = float(np.sum(weights * centred * y)) / moment
    change = slope * float(x[-1] - x[0])
    residual = y - np.average(y, weights=weights) - slope * centred
    freedom = len(sessions) - 2
    excess = float(np.sum(weights * residual**2)) / freedom if freedom else None
    if not own and excess is None:
        return change, None
    factor = max(1.0, excess or 0.0) if own else (excess or 0.0) * (_t95(freedom) / COVERAGE) ** 2
    return change, math.sqrt(factor / moment) * float(x[-1] - x[0])


def _t95(freedom: int) -> float:
    from scipy.special import stdtrit  # scipy.stats takes half a second to load

    return float(stdtrit(freedom, 0.975))


def _alarm_bounds(sessions: Sequence[Session]) -> tuple[float, float, float] | None:
    """Return low bound, baseline and high bound (on the fit's scale) from the first sessions, or None.

    A bound lies three standard uncertainties of a single session against the baseline's mean away: by the doubt the
    measurement has of its own, or else by the scatter of the baseline's sessions.
    """
    if len(sessions) < 2:
        return None
    first = sessions[: max(1, min(BASELINE_SESSIONS, len(sessions) // 2))]
    mean = math.fsum(s.mean for s in first) / len(first)
    own = max(s.u for s in first)
    u = own if math.isfinite(own) else float(np.std([s.mean for s in first], ddof=1)) if len(first) > 1 else math.nan
    if not math.isfinite(u) or u == 0:
        return None
    reach = ALARM_SIGMAS * u * math.sqrt(1.0 + 1.0 / len(first))
    return mean - reach, mean, mean + reach
