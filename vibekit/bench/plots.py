"""What all plots share: figures, files that are the same for the same input, colours, labels.

Colours are told apart also by the colour-blind (Okabe & Ito 2008).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from vibekit.errors import UsageError
from vibekit.recording.atomic import atomic

AXIS_COLOURS = {"x": "#0072B2", "y": "#D55E00", "z": "#009E73"}
BLUE, VERMILION = AXIS_COLOURS["x"], AXIS_COLOURS["y"]
INK, PALE = "#222222", "#999999"
_SUFFIXES = (".png", ".svg")
_WIDTH = 10.0
# what would differ from day to day or from release to release of the drawing library
_SAID = {".png": {"Software": None}, ".svg": {"Date": None, "Creator": "vibekit"}}


def new_figure(
    rows: int, height: float, path: Path, *, columns: int = 1, share_x: bool = True, share_y: bool = False
) -> tuple[Any, list[Any]]:
    """Return a figure for a file and its panels, row by row, each `height` inches high.

    Raises:
        UsageError: the file name ends in neither .png nor .svg.
    """
    if path.suffix.lower() not in _SUFFIXES:
        raise UsageError(f"plot {str(path)!r} must end in .png or .svg")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH, height * rows + 0.6), layout="constrained")
    panels = list(np.ravel(figure.subplots(rows, columns, sharex=share_x, sharey=share_y)))
    for panel in panels:
        panel.spines[["top", "right"]].set_visible(False)
    return figure, panels


def save(figure: Any, path: Path) -> None:
    """Write a figure to `path`, whole or not at all; the same figure gives the same bytes.

    Raises:
        UsageError: it cannot be written there.
    """
    from matplotlib import rc_context

    kind = path.suffix.lower()
    with rc_context({"svg.hashsalt": "vibekit"}), atomic(path, UsageError) as temporary:
        figure.savefig(temporary, format=kind[1:], dpi=130, metadata=_SAID[kind])


def plain(text: str, longest: int | None = None) -> str:
    """Return text that is drawn as it stands (a dollar sign starts no formula), of `longest` letters at most if given.

    Taken out of the middle: names of lines end in what tells them apart.
    """
    tail = longest // 2 if longest else 0
    cut = text if longest is None or len(text) <= longest else text[: longest - 1 - tail] + "…" + text[-tail:]
    return cut.replace("$", r"\$")


def title(panel: Any, text: str, **more: Any) -> None:
    """Give a panel its heading."""
    panel.set_title(plain(text), loc="left", fontsize=9, **more)


def on_picture(panel: Any, text: str, at: tuple[Any, Any], **more: Any) -> None:
    """Write a name over a picture of any brightness: white with a dark edge."""
    from matplotlib.patheffects import withStroke

    panel.annotate(
        plain(text),
        at,
        textcoords="offset points",
        color="white",
        path_effects=[withStroke(linewidth=2.0, foreground=INK)],
        **more,
    )


def upright(panel: Any, text: str, at: tuple[float, float]) -> None:
    """Write a name upright above the top of a line."""
    panel.annotate(
        text,
        at,
        xytext=(0, 4),
        textcoords="offset points",
        rotation=90,
        ha="center",
        va="bottom",
        fontsize=6.5,
        color=INK,
    )


def legend_beside(panel: Any) -> None:
    """Put the legend of a panel to its right, where it hides nothing."""
    panel.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)


def plain_numbers(axis: Any) -> None:
    """Write 100, 200, 500 along a logarithmic axis instead of powers of ten."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axis.set_minor_formatter(NullFormatter())
