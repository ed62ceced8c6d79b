"""`vibekit trend`: how a tool changes, judged against the measurement's own doubt."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from vibekit.units import number

from .log import LogFile, Tag, log_path
from .options import Json, PlotOption
from .output import Document, emit, note, notice_lines, printable

Quantity = Annotated[
    str,
    typer.Option(
        "--quantity", metavar="NAME", help="a_hv_mps2, spindle_rpm, or a fault name (its probability), as logged."
    ),
]
Condition = Annotated[
    str | None, typer.Option("--condition", metavar="TEXT", help="Only this condition; else the most frequent.")
]
Position = Annotated[
    str | None, typer.Option("--position", metavar="TEXT", help="Only this position; else the most frequent.")
]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(trend)


def trend(
    tag: Tag,
    log_file: LogFile = None,
    quantity: Quantity = "a_hv_mps2",
    condition: Condition = None,
    position: Position = None,
    plot: PlotOption = None,
    as_json: Json = False,
) -> None:
    """Show how a quantity of a tool changes with hours used or date, and whether that is more than doubt."""
    from vibekit.bench.logbook import entries, open_log, require_tag
    from vibekit.bench.trend import trend as trend_of

    with open_log(log_path(log_file), create=False) as log:
        require_tag(log, tag)
        found = entries(log, tag)
    document = trend_of(found, tag, quantity, condition, position).to_dict()
    if plot is not None:
        from vibekit.bench.plots_bench import plot_trend

        plot_trend(document, plot)
        note(f"plot written to {plot}")
    emit(document, as_json, render)


def render(document: Document) -> str:
    """Return the trend as text."""
    terms = ", ".join(value for value in document["terms"].values() if value)
    lines = [printable(f"{document['tag']}: {document['quantity']} against {document['against']} ({terms})")]
    lines += [_point(point, document["quantity"]) for point in document["points"]]
    lines += ["", f"  {_change(document)}", f"  {_alarm(document)}", ""]
    return "\n".join(lines + notice_lines(document))


def _point(point: dict[str, Any], quantity: str) -> str:
    hours = f"{number(point['hours_used'])} h" if point["hours_used"] is not None else ""
    doubt = point["expanded_uncertainty"]
    value = number(point[quantity]) + (f" ± {number(doubt, 2)}" if doubt is not None else "")
    return printable(f"  {point['when'][:16]}  {hours:<8} {value:<15} {point['file']}")


def _change(document: Document) -> str:
    if document["change_pct"] is None:
        return "no change can be stated"
    doubt = document["change_expanded_uncertainty_pct"]
    said = f"change {document['change_pct']:+.0f} %" + (f" ± {doubt:.0f} %" if doubt is not None else "")
    if document["significant"] is None:
        return f"{said}: whether that is more than doubt cannot be said from so few sessions"
    return f"{said}: {'more than' if document['significant'] else 'within'} the doubt of the measurement"


def _alarm(document: Document) -> str:
    if document["alarm"] is None:
        return "no alarm level yet"
    low = f"below {number(document['alarm_low'])} or " if document["alarm_low"] is not None else ""
    said = f"alarm {low}above {number(document['alarm_high'])} (own baseline {number(document['baseline'])})"
    return f"{said}: {'REACHED by the last session' if document['alarm'] else 'not reached'}"
