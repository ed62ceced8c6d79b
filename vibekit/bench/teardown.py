"""What was found inside a tool, against what had been predicted before it was opened."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from vibekit.bench.logbook import Entry, Teardown, add_teardown, entries, tags, teardowns
from vibekit.bench.scoring import HEALTHY, Score, by_fault, calibration, proposed_priors
from vibekit.errors import Notice, UsageError, document, known_names
from vibekit.machine.faults.fault_words import FAULT_WORDS

_FEW = 20  # below this many teardowns rates are told as a handful of cases


@dataclass(frozen=True)
class TeardownResult:
    """A stored teardown with its score (None without a prediction made before), and the scores of all teardowns."""

    teardown: Teardown
    prediction: Entry | None
    score: Score | None
    all_scores: tuple[Score, ...]
    notices: tuple[Notice, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the whole `teardown` document."""
        predicted = self.score.predicted if self.score else {}
        body = {
            "tag": self.teardown.tag,
            "when": self.teardown.opened_at.isoformat(),
            "note": self.teardown.note,
            "predicted": [{"fault": fault, "probability": p} for fault, p in predicted.items()],
            "predicted_when": _iso(self.prediction.logged_at) if self.prediction else None,
            "not_testable": list(self.score.not_testable) if self.score else [],
            "found": list(self.teardown.found),
            "score": self.score.to_dict() if self.score else None,
            **overall(self.all_scores),
        }
        return document("teardown", body, self.notices)


def overall(scores: Sequence[Score]) -> dict[str, Any]:
    """Return hit rates, calibration and proposed priors over scored teardowns as document data."""
    faults = by_fault(scores)
    return {
        "teardowns_scored": len(scores),
        "brier": sum(score.brier for score in scores) / len(scores) if scores else None,
        "top_1_hits": sum(score.among_top(1) for score in scores),
        "top_2_hits": sum(score.among_top(2) for score in scores),
        "hit_rate": {row["fault"]: row["hit_rate"] for row in faults},
        "faults": faults,
        "calibration": calibration(scores),
        "proposed_priors": proposed_priors(scores),
    }


def record_teardown(
    log: sqlite3.Connection, tag: str, found: Sequence[str], note: str = "", when: datetime | None = None
) -> TeardownResult:
    """Store what was found and return it scored. Only predictions logged before `when` (default: now) count.

    Raises:
        UsageError: no or an unknown fault name, `healthy` beside a fault, a time to come.
    """
    faults = checked(found)
    opened = (when or datetime.now(UTC)).astimezone(UTC)
    if opened > datetime.now(UTC):
        raise UsageError(f"the teardown's time {opened.isoformat()} lies in the future")
    hours = [e.hours_used for e in entries(log, tag, superseded=True, documents=False) if e.hours_used is not None]
    teardown = Teardown(opened, tag, faults, note, max(hours, default=None))
    add_teardown(log, teardown)
    pairs = scored(log)
    prediction, score = next((p, s) for t, p, s in pairs if t.tag == tag and t.opened_at == opened)
    scores = tuple(s for _, _, s in pairs if s is not None)
    return TeardownResult(teardown, prediction, score, scores, tuple(_notices(log, teardown, prediction, scores)))


def scored(log: sqlite3.Connection) -> list[tuple[Teardown, Entry | None, Score | None]]:
    """Return every teardown with the prediction that counts for it and its score, None where there is none."""
    opened = teardowns(log)
    predictions = {tag: entries(log, tag, "diagnosis", superseded=True) for tag in {t.tag for t in opened}}
    rows = []
    for teardown in opened:
        entry = _prediction(teardown, opened, predictions[teardown.tag])
        rows.append((teardown, entry, _score(teardown, entry) if entry else None))
    return rows


def checked(found: Sequence[str]) -> tuple[str, ...]:
    """Return the faults named, each once. Raises UsageError: none, an unknown one, `healthy` beside a fault."""
    faults = tuple(dict.fromkeys(found))
    for fault in faults:
        if fault not in FAULT_WORDS:
            raise UsageError(f"--found {fault[:40]!r} is no fault: {known_names(fault, FAULT_WORDS)}")
    if not faults:
        raise UsageError(f"--found is missing: name what was found, or {HEALTHY}")
    if HEALTHY in faults and len(faults) > 1:
        raise UsageError(f"--found {HEALTHY} cannot stand beside a fault")
    return faults


def _prediction(teardown: Teardown, opened: Sequence[Teardown], predictions: Sequence[Entry]) -> Entry | None:
    """Return the last diagnosis logged before the tool was opened, of a recording made after it was opened last."""
    earlier = [t.opened_at for t in opened if t.tag == teardown.tag and t.opened_at < teardown.opened_at]
    before = [
        entry
        for entry in predictions
        if entry.logged_at is not None
        and entry.logged_at <= teardown.opened_at
        and (not earlier or entry.recorded_at > max(earlier))
    ]
    return max(before, key=lambda entry: entry.logged_at or entry.recorded_at, default=None)


def _score(teardown: Teardown, entry: Entry) -> Score | None:
    said = {fault: p for fault, p in entry.quantities.items() if fault in FAULT_WORDS and isinstance(p, int | float)}
    if not said:
        return None
    predicted = dict(sorted(said.items(), key=lambda item: -item[1]))
    untested = tuple(row["fault"] for row in entry.document.get("not_testable", []) if row["fault"] not in predicted)
    return Score(predicted, teardown.found, untested)


def _notices(
    log: sqlite3.Connection, teardown: Teardown, prediction: Entry | None, scores: Sequence[Score]
) -> list[Notice]:
    notices = []
    if prediction is None:
        known = ", ".join(tags(log)) or "none"
        why = f"no diagnosis of {teardown.tag} was logged before it was opened: nothing to score"
        remedy = f"log add before a teardown; tools in the log: {known}"
        notices.append(Notice("no_prediction", "caution", why, remedy=remedy))
    elif _score(teardown, prediction) is None:
        why = f"the diagnosis before it was opened could test nothing ({prediction.quantities.get('verdict')})"
        notices.append(Notice("prediction_empty", "caution", why, remedy="see vibekit check for what was missing"))
    if 0 < len(scores) < _FEW:
        message = f"{len(scores)} scored teardown{'s' if len(scores) > 1 else ''}: rates from so few say little"
        notices.append(Notice("few_teardowns", "info", message, len(scores), _FEW))
    return notices


def _iso(moment: datetime | None) -> str | None:
    return moment.isoformat() if moment else None
