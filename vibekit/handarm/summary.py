"""Several graded recordings of one tool as one result: runs, operators, positions, and the time it may be held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any, Protocol

from vibekit.errors import Notice, distinct, document
from vibekit.handarm import uncertainty as unc
from vibekit.handarm.axes import MISSING, AxisRun, OperatorRun, completed, operator_runs
from vibekit.handarm.emission import DeclaredCheck, EmissionSeries, emission_series, series_valid, verify_declared
from vibekit.handarm.exposure import NOT_A_PERMIT, time_to_reach
from vibekit.handarm.nested import NestedDoubt, mean_of_means, nested_doubt
from vibekit.handarm.time_notices import short_in_all
from vibekit.recording.background import floor_notice
from vibekit.recording.conditions import is_off, plain_term, without_load
from vibekit.recording.toolsheet import ToolSheet
from vibekit.standards.exposure_values import EU


class GradedRun(AxisRun, Protocol):
    """What a summary needs of a graded recording: a `VibrationMagnitude`, or a result read back from a log."""

    @property
    def sheet(self) -> ToolSheet | None: ...  # noqa: D102
    @property
    def test_code(self) -> str | bool | None: ...  # noqa: D102


class GradedRecording(GradedRun, Protocol):
    """What the document needs besides: the recording's own row and notices."""

    @property
    def notices(self) -> tuple[Notice, ...]: ...  # noqa: D102
    @property
    def trigger_on_s(self) -> float: ...  # noqa: D102
    def row(self) -> dict[str, Any]: ...  # noqa: D102


@dataclass(frozen=True)
class AllowedTime:
    """Daily trigger time to a value [s]; `low_s` and `high_s` are its ends for the doubt of a_hv (95.45 %)."""

    value_s: float | None
    low_s: float | None
    high_s: float | None

    def to_dict(self) -> dict[str, float | None]:
        """Return the time as document data."""
        return {"value_s": self.value_s, "low_s": self.low_s, "high_s": self.high_s}


def allowed_time(a_hv: float | None, reach: float | None, value_mps2: float) -> AllowedTime:
    """Return the daily trigger time until A(8) reaches a value; None where it cannot be given.

    `reach` [m/s²] is how far a_hv's ends lie from it.

    Source: ISO 5349-1:2001 eq. 2 solved for T, at a_hv and at its ends.
    """
    if a_hv is None:
        return AllowedTime(None, None, None)
    low, high = unc.ends(a_hv, reach or 0.0)
    return AllowedTime(*(time_to_reach(a, value_mps2) for a in (a_hv, high, low)))


@dataclass(frozen=True)
class PositionResult:
    """One position: mean over operators of the mean over runs [m/s²], with the scatter of its runs.

    `unsteady` is the largest coefficient of variation of an operator's runs that do not agree; `emission` what a test
    code makes of the runs, None where an operator has only one.
    """

    position: str | None
    runs: int
    a_hv_mps2: float
    standard_deviation_mps2: float | None
    unsteady: float | None
    doubt: NestedDoubt
    emission: EmissionSeries | None
    notices: tuple[Notice, ...] = ()

    @property
    def budget(self) -> tuple[unc.UncertaintyPart, ...]:
        """The parts of the doubt of a_hv."""
        return self.doubt.budget

    @property
    def coefficient_of_variation(self) -> float | None:
        """Standard deviation over mean of the runs [-]."""
        if self.standard_deviation_mps2 is None or self.a_hv_mps2 == 0:
            return None
        return self.standard_deviation_mps2 / self.a_hv_mps2

    @property
    def expanded_uncertainty_mps2(self) -> float:
        """Expanded uncertainty: k by the effective degrees of freedom (95.45 %)."""
        return unc.expanded(self.a_hv_mps2, self.budget)

    @property
    def reach_mps2(self) -> float:
        """How far above a_hv its upper end lies for a time that is to be safe: at least the expanded uncertainty."""
        return self.doubt.reach * self.a_hv_mps2

    def to_dict(self) -> dict[str, Any]:
        """Return the position's figures as document data."""
        return {
            "runs": self.runs,
            "a_hv_mps2": self.a_hv_mps2,
            "standard_deviation_mps2": self.standard_deviation_mps2,
            "coefficient_of_variation": self.coefficient_of_variation,
            "expanded_uncertainty_mps2": self.expanded_uncertainty_mps2,
            **unc.coverage_dict(self.budget),
            "position": self.position,
        }


@dataclass(frozen=True)
class GradeSummary:
    """One tool in one condition: the position that decides, all positions, and the allowed trigger time."""

    tool: str | None
    condition: str | None
    deciding: PositionResult | None
    positions: tuple[PositionResult, ...]
    declared: DeclaredCheck | None
    notices: tuple[Notice, ...]

    @property
    def a_hv_mps2(self) -> float | None:
        """Total value of the deciding position [m/s²]."""
        return self.deciding.a_hv_mps2 if self.deciding else None

    @property
    def expanded_uncertainty_mps2(self) -> float | None:
        """Expanded uncertainty of the deciding position."""
        return self.deciding.expanded_uncertainty_mps2 if self.deciding else None

    def allowed(self, value_mps2: float) -> AllowedTime:
        """Return the allowed daily trigger time to a value; None of a background, which is no tool in use."""
        if is_off(self.condition):
            return AllowedTime(None, None, None)
        return allowed_time(self.a_hv_mps2, self.deciding.reach_mps2 if self.deciding else None, value_mps2)

    def to_dict(self) -> dict[str, Any]:
        """Return the summary as it stands in the `grade` document."""
        empty = {
            "runs": 0,
            "a_hv_mps2": None,
            "standard_deviation_mps2": None,
            "coefficient_of_variation": None,
            "expanded_uncertainty_mps2": None,
            "coverage_factor": None,
            "effective_degrees_of_freedom": None,
            "position": None,
        }
        return {
            "tool": self.tool,
            "condition": self.condition,
            **(self.deciding.to_dict() if self.deciding else empty),
            "positions": [position.to_dict() for position in self.positions],
            "declared": self.declared.to_dict() if self.declared else None,
            "emission": self.deciding.emission.to_dict() if self.deciding and self.deciding.emission else None,
            "uncertainty_budget": [part.to_dict() for part in self.deciding.budget] if self.deciding else [],
            "allowed_trigger_time": {
                "to_action_value": self.allowed(EU.action_mps2).to_dict(),
                "to_limit_value": self.allowed(EU.limit_mps2).to_dict(),
            },
        }


def summarise(magnitudes: Sequence[GradedRun]) -> GradeSummary:
    """Return the result of recordings of one tool in one condition.

    Axes recorded one after the other are joined to runs; runs are averaged per operator, operators per position; the
    larger position decides.
    Source: ISO 5349-2:2001 5.4 (runs, both hands); Directive 2002/44/EC Annex A.2(b) (the higher hand).
    """
    graded = [m for m in magnitudes if m.a_hv_mps2 is not None]
    by_position = groupby(sorted(graded, key=_position), key=_position)
    positions = tuple(_at_position(list(runs)) for _, runs in by_position)
    deciding = max(positions, key=lambda p: p.a_hv_mps2, default=None)
    tool, condition = (magnitudes[0].tool, magnitudes[0].condition) if magnitudes else (None, None)
    who = ", ".join(fact for fact in (tool, condition, deciding.position if deciding else None) if fact)
    notices = _run_notices(deciding, f"{who}: " if who else "") if deciding else ()
    notices += distinct([n for position in positions for n in position.notices])
    declared = _declared(magnitudes, deciding)
    notices += (_TEST_CODE,) if declared else ()
    return GradeSummary(tool, condition, deciding, positions, declared, notices)


_TEST_CODE = Notice(
    "declared_conditions",
    "info",
    "a declared value holds for the operation of its test code: other work can shake less or more, and says nothing "
    "for or against the maker",
)


def _declared(magnitudes: Sequence[GradedRun], deciding: PositionResult | None) -> DeclaredCheck | None:
    """Return the check of the maker's declared value, where the tool sheet states one."""
    sheet = next((m.sheet for m in magnitudes if m.sheet), None)
    if sheet is None or sheet.declared_vibration_mps2 is None or deciding is None or is_off(magnitudes[0].condition):
        return None
    graded = [m for m in magnitudes if m.a_hv_mps2 is not None]
    return verify_declared(
        sheet.declared_vibration_mps2,
        sheet.declared_uncertainty_mps2,
        deciding.a_hv_mps2,
        _no_verification(graded, any(part.name == MISSING for part in deciding.budget)),
    )


def _no_verification(graded: Sequence[GradedRun], missing: bool) -> str | None:
    """Return why these recordings cannot verify a declared value, None where they can."""
    codes = {m.test_code or None for m in graded}
    if None in codes:
        return "not recorded under its test code (test_code in the sidecar)"
    if len(codes) > 1:
        return "not recorded under one test code"
    if missing:
        return "not of all three axes"
    if without_load(graded[0].condition) and True in codes:
        return "a run without load, and its test code is not named"
    return None


def _position(magnitude: GradedRun) -> str:
    """Return what is averaged together: one position in one hand."""
    return f"{plain_term(magnitude.position) or ''} {getattr(magnitude, 'hand', None) or ''}"


def _at_position(recordings: list[GradedRun]) -> PositionResult:
    runs, notices = operator_runs(recordings)
    by_operator = [[run.a_hv_mps2 for run in group] for _, group in groupby(runs, key=lambda run: run.operator or "")]
    values, a_hv = [value for one in by_operator for value in one], mean_of_means(by_operator)
    series = [one for one in by_operator if len(one) > 1]
    worst = max((run.budget for run in runs), key=lambda budget: unc.combined(unc.without_repeatability(budget)))
    return PositionResult(
        recordings[0].position,
        len(values),
        a_hv,
        unc.standard_deviation(values) if len(values) > 1 else None,
        max((unc.standard_deviation(one) / unc.mean(one) for one in series if not series_valid(one)), default=None),
        nested_doubt(by_operator, _of_operators(worst, runs)),
        emission_series(by_operator) if len(series) == len(by_operator) else None,
        notices,
    )


def _of_operators(budget: Sequence[unc.UncertaintyPart], runs: Sequence[OperatorRun]) -> list[unc.UncertaintyPart]:
    """Return a budget whose operator is all who ran, named together."""
    names = sorted({run.operator for run in runs if run.operator})
    key = ", ".join(names) if all(run.operator for run in runs) else None
    return [replace(part, key=key) if part.cause == "operator" else part for part in budget]


def _run_notices(deciding: PositionResult, who: str) -> tuple[Notice, ...]:
    """Return what the number and scatter of runs of `who` call for. ISO 5349-2 5.4.1 and ISO 28927-1 (from memory)."""
    notices = []
    if deciding.runs < 3:
        message = f"{who}{deciding.runs} run{'s' if deciding.runs > 1 else ''} where ISO 5349-2 asks for at least 3"
        notices.append(Notice("few_runs", "caution", message, deciding.runs, 3, "record the same work three times"))
    variation = deciding.unsteady
    if variation is not None:
        message = (
            f"{who}the runs of an operator scatter by {100 * variation:.0f} % (test codes: under 15 % or 0.3 m/s²)"
        )
        notices.append(
            Notice("runs_scatter", "caution", message, variation, 0.15, "find what changed between the runs")
        )
    return tuple(notices)


def grade_document(magnitudes: Sequence[GradedRecording], notices: Sequence[Notice] = ()) -> dict[str, Any]:
    """Return the `grade` document of recordings.

    Different tools or conditions are summarised apart in `summaries`; `summary` is the one with the largest a_hv, of a
    tool in use where there is one. Recordings with the tool off give the floor: what lies near it is named, nothing is
    subtracted.
    """
    groups = groupby(sorted(magnitudes, key=_group), key=_group)
    summaries = [summarise(list(members)) for _, members in groups]
    in_use = [summary for summary in summaries if not is_off(summary.condition)] or summaries
    largest = max(in_use, key=lambda s: s.a_hv_mps2 or 0.0, default=summarise([]))
    whole = completed(magnitudes)
    own = (n for m in magnitudes for n in m.notices if n.code != "axes_missing" or id(m) not in whole)
    remarks = [*notices, *own, *(n for s in summaries for n in s.notices)]
    remarks += [*_background(magnitudes), *short_in_all(magnitudes)]
    if len(summaries) > 1:
        remarks.append(_mixed(largest))
    body = {
        "recordings": [magnitude.row() for magnitude in magnitudes],
        "summary": largest.to_dict(),
        "summaries": [summary.to_dict() for summary in summaries],
    }
    return document("grade", body, (*remarks, NOT_A_PERMIT))


def _background(magnitudes: Sequence[GradedRecording]) -> list[Notice]:
    """Return what recordings with the tool off say of the others: the floor, and who is within 3 times of it."""
    graded = [(m, m.a_hv_mps2) for m in magnitudes if m.a_hv_mps2 is not None]
    floor = max((level for m, level in graded if is_off(m.condition)), default=None)
    if floor is None:
        return []
    near = [floor_notice(str(m.row()["file"]), level, floor) for m, level in graded if not is_off(m.condition)]
    message = f"with the tool off {floor:.3g} m/s² were recorded, weighted: the floor; nothing was subtracted"
    return [*(notice for notice in near if notice), Notice("background", "info", message, floor)]


def _group(magnitude: GradedRun) -> tuple[str, str]:
    return magnitude.tool or "", plain_term(magnitude.condition) or ""


def _mixed(largest: GradeSummary) -> Notice:
    return Notice(
        "summaries_apart",
        "info",
        "different tools or conditions are not averaged; the summary shown first is that of "
        f"{largest.tool or 'the unnamed tool'}, {largest.condition or 'condition not named'}, the largest",
    )
