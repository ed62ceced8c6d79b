"""Plot of a diagnosis: what is likely, and what speaks for and against it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vibekit.bench.plots import BLUE, INK, VERMILION, new_figure, plain, save, title

_FINDINGS, _EXPLAINED, _ITEMS = 8, 3, 4
_LEAST = 0.05  # findings below this share get neither a panel nor a severity


def plot_diagnosis(document: dict[str, Any], path: Path) -> None:
    """Write a `diagnose` document as PNG or SVG: findings by probability, and the evidence of the likeliest.

    Evidence in log-odds: 1 makes a fault 2.7 times, 2 makes it 7 times, 3 makes it 20 times as likely as before.

    Raises:
        UsageError: the file name ends in neither .png nor .svg.
    """
    explained = [f for f in document["findings"] if f["fault"] != "healthy" and f["evidence"]][:_EXPLAINED]
    explained = [f for i, f in enumerate(explained) if i == 0 or f["probability"] >= _LEAST]
    figure, panels = new_figure(1 + len(explained), 2.4, path, share_x=False)
    _findings(panels[0], document)
    for panel, finding in zip(panels[1:], explained, strict=True):
        _evidence(panel, finding, several=len(document["recordings"]) > 1)
    save(figure, path)


def _findings(panel: Any, document: dict[str, Any]) -> None:
    """Draw the findings as bars, likeliest on top."""
    shown = document["findings"][:_FINDINGS][::-1]
    chances = [100.0 * finding["probability"] for finding in shown]
    names = [plain(f["name"] + (f" ({f['where']})" if f["where"] else "")) for f in shown]
    panel.barh(names, chances, color=INK, height=0.6)
    for row, (chance, finding) in enumerate(zip(chances, shown, strict=True)):
        grade = f", {finding['severity']}" if finding["severity"] and finding["probability"] >= _LEAST else ""
        panel.annotate(
            f"{chance:.0f} %{grade}", (chance, row), xytext=(4, 0), textcoords="offset points", va="center", fontsize=8
        )
    panel.set(xlim=(0, 119), xlabel="probability [%]")
    panel.set_xticks(range(0, 101, 20))
    panel.tick_params(axis="y", labelsize=8)
    untested = len(document["not_testable"])
    heading = f"What shakes {document['tool'] or 'the tool'}: before the teardown"
    title(panel, heading + (f" ({untested} faults not testable here)" if untested else ""))


def _evidence(panel: Any, finding: dict[str, Any], several: bool) -> None:
    """Draw what speaks for a finding to the right, what speaks against it to the left."""
    items = finding["evidence"][:_ITEMS][::-1]
    values = [item["log_odds"] for item in items]
    panel.barh(range(len(items)), values, color=[BLUE if v > 0 else VERMILION for v in values], height=0.6)
    panel.set_yticks(range(len(items)), [plain(_said(item, several)) for item in items], fontsize=8)
    panel.axvline(0.0, color=INK, lw=0.8)
    reach = max(3.0, 1.1 * max(map(abs, values)))
    panel.set(xlim=(-reach, reach), xlabel="against  [log-odds]  for")
    where = f" at {finding['where']}" if finding["where"] else ""
    title(panel, f"{finding['name']}{where}, {100 * finding['probability']:.0f} %: evidence")


def _said(item: dict[str, Any], several: bool) -> str:
    """Return an item of evidence in words: what was read, and of which line in which recording."""
    line = f"{item['line']}, {item['frequency_hz']:.4g} Hz" if item["frequency_hz"] is not None else ""
    condition = item["condition"] if several and item["condition"] else ""
    read = f"{item['feature_words']}: {item['feature_value']:.1f}"
    return read + "\n" + "; ".join(part for part in (line, condition) if part)
