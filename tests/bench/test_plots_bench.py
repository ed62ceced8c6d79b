"""Plots of ranking and trend: drawn from the documents, hostile names as text, whole files only."""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from tests.bench.test_trend import history, simulated
from tests.bench.tools import result
from vibekit.bench.plots_bench import plot_ranking, plot_trend
from vibekit.bench.ranking import rank
from vibekit.bench.trend import trend
from vibekit.errors import UsageError


def labels(path: Path) -> str:
    """Return the comments matplotlib writes beside the glyphs of each text, and all text elements."""
    parser = ElementTree.XMLParser(target=ElementTree.TreeBuilder(insert_comments=True))
    tree = ElementTree.parse(path, parser)
    return "\n".join((element.text or "") for element in tree.iter())


def test_ranking_draws_every_compared_tool_also_with_a_hostile_name(tmp_path: Path) -> None:
    runs = [result("$x^{", 4.0, shaft_power_w=200.0), result("<b>T-2", 9.0), result("alone", 3.0, condition="no load")]
    plot_ranking(rank(runs, "Spring $check").to_dict(), tmp_path / "rank.svg")
    drawn = labels(tmp_path / "rank.svg")
    assert "1  $x^{" in drawn and "2  " in drawn and "alone" not in drawn
    assert [path.name for path in tmp_path.iterdir()] == ["rank.svg"]
    plot_ranking(rank([]).to_dict(), tmp_path / "empty.png")


@pytest.mark.parametrize("hours", [True, False])
def test_trend_draws_runs_and_levels(tmp_path: Path, hours: bool) -> None:
    entries = history(simulated(np.random.default_rng(3), math.log(2), 6), hours=hours)
    plot_trend(trend(entries, "T-1").to_dict(), tmp_path / "trend.svg")
    drawn = labels(tmp_path / "trend.svg")
    assert "own baseline" in drawn and "alarm high" in drawn and ("hours used" in drawn) == hours
    with pytest.raises(UsageError, match=r"\.png or \.svg"):
        plot_trend(trend(entries, "T-1").to_dict(), tmp_path / "trend.exe")
