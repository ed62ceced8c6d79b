"""Plots of a bench and of a trend, from their documents."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from vibekit.bench.plots import BLUE, PALE, VERMILION, new_figure, plain, save, title

Document = Mapping[str, Any]

_LABELS = {"a_hv_mps2": "a_hv [m/s²]", "spindle_rpm": "spindle [1/min]"}


def plot_ranking(document: Document, path: Path) -> None:
    """Write the compared tools as PNG or SVG: magnitude, and useful work per day, each with its interval.

    Raises:
        UsageError: the file name ends in neither .png nor .svg, or the file cannot be written.
    """
    tools = [tool for tool in document["tools"] if tool["rank"] is not None][::-1]
    working = any(tool["work_to_action_value_wh"] is not None for tool in tools)
    figure, panels = new_figure(
        1, 0.6 + 0.5 * max(len(tools), 1), path, columns=2 if working else 1, share_x=False, share_y=True
    )
    names = [plain(_named(tool)) for tool in tools]
    panels[0].set_yticks(range(len(tools)), names)
    for at, tool in enumerate(tools):
        value, doubt = tool["a_hv_mps2"], tool["expanded_uncertainty_mps2"]
        panels[0].errorbar(value, at, xerr=doubt, fmt="o", color=BLUE, capsize=3)
        if working and tool["work_to_action_value_wh"] is not None:
            work, low, high = (tool[f"work_to_action_value_{part}wh"] for part in ("", "low_", "high_"))
            reach = [[work - low], [high - work if high is not None else 0.0]]
            panels[1].errorbar(work, at, xerr=reach, fmt="s", color=VERMILION, capsize=3)
    panels[0].set_xlabel("a_hv [m/s²], bars: expanded uncertainty (k = 2)")
    title(panels[0], f"{document['title'] or 'Bench'}: {document['condition'] or ''}")
    for panel in panels:
        panel.set_xlim(left=0)
        panel.set_ylim(-0.6, max(len(tools), 1) - 0.4)
    if working:
        panels[1].set_xlabel("work until the action value [Wh per day]")
    save(figure, path)


def _named(tool: Document) -> str:
    same = f" (tied with {', '.join(tool['tied_with'])})" if tool["tied_with"] else ""
    return f"{tool['rank']}  {tool['tag']}{same}"


def plot_trend(document: Document, path: Path) -> None:
    """Write a trend as PNG or SVG: every run, the sessions' means, baseline and alarm levels. Raises UsageError."""
    figure, panels = new_figure(1, 3.4, path)
    panel, quantity, points = panels[0], document["quantity"], document["points"]
    by_hours = document["against"] == "hours used"
    xs = [point["hours_used"] if by_hours else datetime.fromisoformat(point["when"]) for point in points]
    ys = [point[quantity] for point in points]
    doubts = [point["expanded_uncertainty"] or 0.0 for point in points]
    panel.errorbar(xs, ys, yerr=doubts, fmt="o", color=BLUE, alpha=0.5, ms=4, lw=0.8, label="runs (k = 2)")
    panel.plot(*_means(points, xs, ys), color=BLUE, lw=1.5, label="mean of a session")
    if document["baseline"] is not None:
        panel.axhline(document["baseline"], color=PALE, lw=1.0, ls="--", label="own baseline")
    for key in ("alarm_low", "alarm_high"):
        if document[key] is not None:
            panel.axhline(document[key], color=VERMILION, lw=1.2, ls=":", label=key.replace("_", " "))
    panel.set_xlabel("hours used" if by_hours else "date")
    panel.set_ylabel(_LABELS.get(quantity, plain(quantity)))
    title(panel, _headline(document))
    panel.legend(frameon=False, fontsize=8, loc="upper left")
    if not by_hours:
        figure.autofmt_xdate()
    save(figure, path)


def _means(points: Sequence[Document], xs: Sequence[Any], ys: Sequence[float]) -> tuple[list[Any], list[float]]:
    """Return first place and mean value of each session."""
    sessions: dict[int, list[int]] = {}
    for i, point in enumerate(points):
        sessions.setdefault(point["session"], []).append(i)
    means = [sum(ys[i] for i in members) / len(members) for members in sessions.values()]
    return [xs[members[0]] for members in sessions.values()], means


def _headline(document: Document) -> str:
    if document["change_pct"] is None:
        return f"{document['tag']}: no change can be stated"
    known = document["change_expanded_uncertainty_pct"]
    doubt = f" ± {known:.0f} %" if known is not None else ""
    verdict = {True: "more than doubt", False: "within doubt", None: "too few sessions to judge"}[
        document["significant"]
    ]
    return f"{document['tag']}: change {document['change_pct']:+.0f} %{doubt}, {verdict}"
