"""What shakes: findings with evidence and probability, before the teardown."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from vibekit.errors import Notice, UsageError, document
from vibekit.machine.faults.evidence import Evidence, PartFeatures
from vibekit.machine.faults.fault_words import FAULT_WORDS, separated_by
from vibekit.machine.faults.judgement import INSTEAD, judgement_table, probability, require_priors, seen_in
from vibekit.machine.faults.look import Look, look
from vibekit.machine.faults.parts import ONE_SHAFT, RecordingFeatures, rotor_kg
from vibekit.machine.faults.severity import Severity, severity_of
from vibekit.machine.lines.views import Line
from vibekit.machine.speed.estimate import SpeedEstimate
from vibekit.recording.recording import Recording
from vibekit.recording.toolsheet import ToolSheet

LIKELY = 0.5  # from here on a finding is named in the verdict
RIVAL = 0.25  # a fault of at least this share of a finding's probability fits about as well
_EVIDENCE_SHOWN = 6
_LEAST_LOG_ODDS = 0.1  # evidence that adds less is not shown

UNPLUG = Notice(
    "before_opening",
    "caution",
    "unplug the tool or take its battery out before touching anything; never run it opened or without its guard; "
    "a finding is a probability, not a licence to repair",
)


@dataclass(frozen=True)
class Finding:
    """One fault with its probability, where it sits, and the evidence for and against it."""

    fault: str
    probability: float
    severity: Severity | None
    where: str | None
    evidence: tuple[Evidence, ...]
    rivals: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the finding as document data."""
        words = FAULT_WORDS[self.fault]
        return {
            "fault": self.fault,
            "name": words.name,
            "probability": self.probability,
            "severity": self.severity.grade if self.severity else None,
            "size": self.severity.to_dict() if self.severity else None,
            "where": self.where,
            "evidence": [item.to_dict() for item in self.evidence],
            "rivals": [{"fault": rival, "separated_by": separated_by(self.fault, rival)} for rival in self.rivals],
            "look_for": words.look_for,
            "check_first": words.first,
        }


@dataclass(frozen=True)
class Diagnosis:
    """Findings sorted by probability, `healthy` among them; what the recordings cannot test, with the reason."""

    recordings: tuple[str, ...]
    tool: str | None
    speed: SpeedEstimate
    findings: tuple[Finding, ...]
    not_testable: tuple[tuple[str, str], ...]
    notices: tuple[Notice, ...]

    @property
    def verdict(self) -> str:
        """The result in one plain sentence."""
        if not self.findings:
            return "cannot tell: " + (self.not_testable[0][1] if self.not_testable else "nothing could be tested")
        likely = [f for f in self.findings if f.probability >= LIKELY]
        if not likely:
            first = self.findings[0]
            return (
                f"no clear cause; {FAULT_WORDS[first.fault].name} is the likeliest at {100 * first.probability:.0f} %"
            )
        return "; ".join(_said(finding) for finding in likely)

    def to_dict(self) -> dict[str, Any]:
        """Return the `diagnose` document."""
        speed = self.speed.to_dict()
        body = {
            "recordings": list(self.recordings),
            "tool": self.tool,
            "speed": {key: speed[key] for key in ("source", "shafts", "confidence", "rivals")},
            "findings": [finding.to_dict() for finding in self.findings],
            "not_testable": [{"fault": fault, "reason": reason} for fault, reason in self.not_testable],
            "verdict": self.verdict,
        }
        return document("diagnose", body, (*self.notices, UNPLUG))


def _said(finding: Finding) -> str:
    words = FAULT_WORDS[finding.fault].name
    where = f" ({finding.where})" if finding.where else ""
    severity = f"{finding.severity.grade} " if finding.severity and finding.fault != "healthy" else ""
    return f"{severity}{words}{where}, {100 * finding.probability:.0f} %"


def diagnose(
    recordings: Recording | Sequence[Recording],
    tool: ToolSheet | None = None,
    priors: Mapping[str, float] | None = None,
) -> Diagnosis:
    """Return what makes a tool shake, from one or several recordings of it.

    `tool` (default: the sheet named beside the first recording) says which lines to expect; what it leaves open is
    listed as not testable. Several recordings (no load, loaded, other position) are weighed together.
    `priors` shifts the log-odds of faults by what own teardowns showed (`machine.judgement.read_priors`).

    Raises:
        UsageError: no recording, or recordings of different tools.
    """
    given = (recordings,) if isinstance(recordings, Recording) else tuple(recordings)
    if not given:
        raise UsageError("no recording given to diagnose")
    tool = tool or given[0].tool
    tags = {r.tool.tag for r in given if r.tool} | ({tool.tag} if tool else set())
    if len(tags) > 1:
        raise UsageError(f"recordings of different tools ({', '.join(sorted(tags))}): diagnose one tool at a time")
    return judge([look(recording, tool) for recording in given], tool, priors)


def judge(looks: Sequence[Look], tool: ToolSheet | None, priors: Mapping[str, float] | None = None) -> Diagnosis:
    """Return the diagnosis from looks at one or several recordings of a tool; `tool`, `priors` as of `diagnose`."""
    shifts = require_priors(priors or {})
    tag, files = tool.tag if tool else None, tuple(seen.file for seen in looks)
    best = max((seen.speed for seen in looks), key=lambda speed: (speed.known, speed.confidence))
    notices = [n for seen in looks for n in seen.notices] + [n for n in best.notices if n.severity != "refusal"]
    refusals = [seen.refusal for seen in looks if seen.refusal]
    shown = [(seen.condition, seen.features) for seen in looks if seen.features]
    if not shown:
        untested = tuple((fault, refusals[0].message) for fault in FAULT_WORDS if fault != "healthy")
        return Diagnosis(files, tag, best, (), untested, (*notices, *refusals))
    cautions = [replace(notice, severity="caution") for notice in refusals]
    suspects = _suspects(shown, tool.kind if tool else None)
    named = {suspect.fault for suspect in suspects}
    untested = tuple({f: reason for _, part in shown for f, reason in part.untested if f not in named}.items())
    seen = seen_in(condition for condition, _ in shown)
    silent = [fault for fault, reason in untested if reason != ONE_SHAFT]
    findings = _findings(suspects, silent, seen, tool, shifts)
    return Diagnosis(files, tag, best, findings, untested, (*notices, *cautions))


@dataclass(frozen=True)
class _Reading:
    """One part in one recording: features raw and in spreads of ordinary tools, and the recording's share."""

    condition: str | None
    part: PartFeatures
    standardised: Mapping[str, float]
    share: float


@dataclass(frozen=True)
class _Suspect:
    """One fault at one part, as every recording shows it; `constant`: log-odds beside the readings'."""

    fault: str
    where: str | None
    readings: tuple[_Reading, ...]
    constant: float

    @property
    def log_odds(self) -> float:
        """Log-odds of the fault at this part, against a healthy tool."""
        model = judgement_table().faults[self.fault]
        weighed = (reading.share * model.log_odds(reading.standardised) for reading in self.readings)
        return self.constant + math.fsum(weighed)

    @property
    def standardised(self) -> dict[str, float]:
        """Features in spreads, mean over the recordings."""
        return _averaged([reading.standardised for reading in self.readings])

    @property
    def lines(self) -> dict[str, Line]:
        """Per feature the line behind it, from the recording where it stands out most."""
        found: dict[str, Line] = {}
        for name, line in (item for reading in self.readings for item in reading.part.readings.items()):
            if name not in found or line.over_floor_db > found[name].over_floor_db:
                found[name] = line
        return found

    @property
    def evidence(self) -> Iterator[Evidence]:
        """What every feature of every recording adds."""
        model = judgement_table().faults[self.fault]
        for reading in self.readings:
            values = reading.part.values
            for name, added in model.contributions(reading.standardised).items():
                source = name if name in values else INSTEAD[name]
                line = reading.part.readings.get(source)
                yield Evidence(source, values[source], reading.share * added, line, reading.condition)


def _suspects(looks: Sequence[tuple[str | None, RecordingFeatures]], kind: str | None) -> list[_Suspect]:
    """Return every fault at every part that can have it, from the recordings (condition, features)."""
    seen: dict[tuple[str, str | None], list[tuple[str | None, PartFeatures]]] = {}
    for condition, features in looks:
        for part in features.parts:
            for fault in part.faults:
                if fault in judgement_table().faults:
                    seen.setdefault((fault, part.where), []).append((condition, part))
    return [_suspect(fault, where, found, kind) for (fault, where), found in seen.items()]


def _suspect(
    fault: str, where: str | None, found: Sequence[tuple[str | None, PartFeatures]], kind: str | None
) -> _Suspect:
    model = judgement_table().faults[fault]
    constant, shares = model.shares([condition for condition, _ in found])
    readings = tuple(
        _Reading(condition, part, model.standardised(part.values, condition, part.hz, kind), share)
        for (condition, part), share in zip(found, shares, strict=True)
    )
    return _Suspect(fault, where, readings, constant)


def _averaged(rows: Sequence[Mapping[str, float]]) -> dict[str, float]:
    """Return the mean of every entry over the rows that have it."""
    names = dict.fromkeys(name for row in rows for name in row)
    known = {name: [row[name] for row in rows if name in row] for name in names}
    return {name: math.fsum(values) / len(values) for name, values in known.items()}


def _findings(
    suspects: Sequence[_Suspect],
    untested: Sequence[str],
    seen: str,
    tool: ToolSheet | None,
    priors: Mapping[str, float],
) -> tuple[Finding, ...]:
    """Return one finding per fault, at the part where it is likeliest, and `healthy`; by probability."""
    likeliest: dict[str, _Suspect] = {}
    for suspect in suspects:
        if suspect.fault not in likeliest or suspect.log_odds > likeliest[suspect.fault].log_odds:
            likeliest[suspect.fault] = suspect
    table, log_odds = judgement_table(), {fault: suspect.log_odds for fault, suspect in likeliest.items()}
    beside = table.beside_rivals(log_odds, seen)
    findings = [_finding(suspect, beside[f] + priors.get(f, 0.0), tool) for f, suspect in likeliest.items()]
    against = max(findings, key=lambda f: f.probability, default=None)
    evidence = tuple(replace(e, log_odds=-e.log_odds) for e in against.evidence) if against else ()
    shifted = [value + priors.get(fault, 0.0) for fault, value in log_odds.items()]
    healthy = table.healthy_log_odds(shifted, untested, seen) + priors.get("healthy", 0.0)
    findings.append(Finding("healthy", probability(healthy), None, None, evidence))
    chances = {finding.fault: finding.probability for finding in findings}
    ranked = sorted(findings, key=lambda finding: -finding.probability)
    return tuple(replace(finding, rivals=_rivals(finding, chances)) for finding in ranked)


def _finding(suspect: _Suspect, log_odds: float, tool: ToolSheet | None) -> Finding:
    shown = sorted(suspect.evidence, key=lambda item: -abs(item.log_odds))[:_EVIDENCE_SHOWN]
    evidence = tuple(item for item in shown if abs(item.log_odds) >= _LEAST_LOG_ODDS)
    rotor = rotor_kg(tool, suspect.where) if suspect.where and suspect.fault.startswith("imbalance") else None
    size = severity_of(suspect.fault, suspect.standardised, suspect.lines, tool.mass_kg if tool else None, rotor)
    return Finding(suspect.fault, probability(log_odds), size, suspect.where, evidence)


def _rivals(finding: Finding, chances: Mapping[str, float]) -> tuple[str, ...]:
    """Return the faults that fit about as well, and those that the same lines cannot exclude."""
    if finding.fault == "healthy" or finding.probability < 0.1:
        return ()
    close = [
        fault
        for fault, chance in chances.items()
        if fault not in (finding.fault, "healthy") and chance >= RIVAL * finding.probability
    ]
    unseen = [fault for fault in FAULT_WORDS if fault not in chances and separated_by(finding.fault, fault)]
    return tuple(sorted(close, key=lambda fault: -chances[fault]) + unseen)
