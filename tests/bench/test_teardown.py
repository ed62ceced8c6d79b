"""Teardowns: only what was said before counts; rates and calibration with published intervals."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from vibekit.bench.logbook import Entry, add_entries, open_log
from vibekit.bench.scoring import Score, by_fault, calibration, proposed_priors, wilson
from vibekit.bench.teardown import record_teardown
from vibekit.errors import UsageError

NOW = datetime.now(UTC)


def said(tag: str, hours_ago: float, findings: dict[str, float], **changes: object) -> Entry:
    moment = NOW - timedelta(hours=hours_ago)
    key = f"{abs(hash((tag, hours_ago))):064x}"[:64]
    facts: dict[str, object] = {"recorded_at": moment, "logged_at": moment, **changes}
    untested = {"not_testable": [{"fault": "bearing.cage", "reason": "band"}]}
    return Entry(tag=tag, kind="diagnosis", quantities={**findings, "verdict": "x"}, recording_sha256=key,
                 inputs_sha256=key, document=untested, **facts)  # type: ignore[arg-type]  # fmt: skip


FINDINGS = {"healthy": 0.05, "bushing.worn": 0.8, "gear.wear": 0.6, "mount.loose": 0.1}


def test_score_by_hand(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        add_entries(log, [said("T-1", 5, FINDINGS)])
        document = record_teardown(log, "T-1", ["bushing.worn", "bearing.cage"], "play 0.3 mm").to_dict()
    assert [row["fault"] for row in document["predicted"]] == ["bushing.worn", "gear.wear", "mount.loose", "healthy"]
    score = document["score"]
    assert score["brier"] == pytest.approx((0.05**2 + 0.2**2 + 0.6**2 + 0.1**2) / 4)
    assert (score["hits"], score["false_alarms"], score["misses"]) == (["bushing.worn"], ["gear.wear"], [])
    assert score["found_but_not_testable"] == ["bearing.cage"]
    assert score["top_1"] and document["teardowns_scored"] == 1
    assert document["not_testable"] == ["bearing.cage"]


def test_predictions_after_the_teardown_do_not_count(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        add_entries(log, [said("T-1", 5, {"healthy": 0.9}), said("T-1", 1, {"gear.wear": 0.99})])
        document = record_teardown(log, "T-1", ["gear.wear"], when=NOW - timedelta(hours=2)).to_dict()
        assert [row["fault"] for row in document["predicted"]] == ["healthy"]
        assert record_teardown(log, "T-2", ["gear.wear"]).to_dict()["score"] is None


def test_a_replaced_prediction_still_counts_as_it_was_said(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        first = said("T-1", 5, {"healthy": 0.9})
        add_entries(log, [first])
        later = said("T-1", 5, {"gear.wear": 0.99}, logged_at=NOW - timedelta(hours=1))
        add_entries(log, [Entry(**{**vars(later), "inputs_sha256": "f" * 64})])
        document = record_teardown(log, "T-1", ["gear.wear"], when=NOW - timedelta(hours=2)).to_dict()
    assert document["score"]["misses"] == [] and document["predicted"][0]["fault"] == "healthy"


def test_a_prediction_is_used_up_by_a_teardown(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        add_entries(log, [said("T-1", 5, FINDINGS)])
        record_teardown(log, "T-1", ["bushing.worn"], when=NOW - timedelta(hours=3))
        again = record_teardown(log, "T-1", ["healthy"]).to_dict()
    assert again["score"] is None and again["teardowns_scored"] == 1
    assert "no_prediction" in {n["code"] for n in again["notices"]}


@pytest.mark.parametrize("found", [[], ["rust"], ["healthy", "gear.wear"]])
def test_wrong_names_are_usage_errors_and_store_nothing(tmp_path: Path, found: list[str]) -> None:
    with open_log(tmp_path / "log.sqlite") as log:
        with pytest.raises(UsageError):
            record_teardown(log, "T-1", found)
        with pytest.raises(UsageError):
            record_teardown(log, "T-1", ["healthy"], when=NOW + timedelta(days=1))
        assert log.execute("SELECT count(*) FROM teardown").fetchone()[0] == 0


def test_wilson_interval_against_its_formula() -> None:
    """Wilson 1927: (p + z²/2n ± z·√(p(1-p)/n + z²/4n²))/(1 + z²/n), z = 1.959964."""
    z, hits, n = 1.959963985, 8, 10
    p = hits / n
    middle, half = p + z**2 / (2 * n), z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
    expected = [(middle - half) / (1 + z**2 / n), (middle + half) / (1 + z**2 / n)]
    assert wilson(hits, n) == pytest.approx(expected)
    assert wilson(0, 0) is None


def test_calibration_of_honest_predictions() -> None:
    """Faults drawn with exactly the said probability: the tenth's interval holds what was said (about 95 % of them)."""
    rng = np.random.default_rng(8)
    scores = []
    for _ in range(500):
        predicted = {f"f{i}": float(p) for i, p in enumerate(rng.uniform(0, 1, 4))}
        scores.append(Score(predicted, tuple(f for f, p in predicted.items() if rng.uniform() < p)))
    rows = calibration(scores)
    assert sum(row["cases"] for row in rows) == 2000 and len(rows) == 10
    assert sum(row["true_low"] <= row["said"] <= row["true_high"] for row in rows) >= 8
    assert all(abs(row["log_odds_shift"]) < 0.35 for row in proposed_priors(scores))


def test_few_cases_stay_honest_and_priors_move_slowly() -> None:
    scores = [Score({"gear.wear": 0.2}, ("gear.wear",))] * 2
    row = by_fault(scores)[0]
    assert (row["found"], row["hits"], row["misses"], row["hit_rate"]) == (2, 0, 2, 0.0)
    assert row["hit_rate_high"] > 0.6  # none of two hit leaves a rate of more than half possible
    prior = proposed_priors(scores)[0]
    assert prior["proposed_prior"] == pytest.approx((20 * 0.2 + 2) / 22)
    many = proposed_priors(scores * 100)[0]
    assert many["proposed_prior"] > 0.9 and many["log_odds_shift"] > 3
