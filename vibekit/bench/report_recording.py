"""The page's section on each recording: level, bands, speed, lines."""

from __future__ import annotations

from collections.abc import Sequence

from vibekit.bench.markup import Html, el, heading, join, table
from vibekit.bench.report_figures import (
    AXES,
    level_figure,
    line_name,
    line_total,
    named_lines,
    octave_figure,
    spectrum_figure,
    speed_figure,
)
from vibekit.bench.report_parts import Document, RecordingPart, ToolPart
from vibekit.bench.report_words import deciding, percent
from vibekit.units import number


def recordings_section(part: ToolPart, level: int, name: str) -> Html:
    """Return every recording with its plots.

    Where there are several, each is folded away under its name; on a page of one tool (level 2) one stands open.
    """
    several = len(part.recordings) > 1
    shown = _shown(part) if level == 2 else None
    recordings = []
    for i, recording in enumerate(part.recordings, 1):
        title = el(f"h{level + 1}", recording.grade["file"])
        inside = _recording(f"{name}r{i}", recording, level + 2)
        opened = True if recording is shown else None
        recordings.append(
            el("details", el("summary", title), inside, open=opened) if several else join([title, inside])
        )
    return join([heading(level)("The recordings" if several else "The recording"), *recordings])


def _shown(part: ToolPart) -> RecordingPart | None:
    """Return the first graded recording in the condition that decides."""
    summary = deciding(part)
    if summary is None:
        return None
    there = (r for r in part.recordings if r.grade["gradeable"] and r.grade["condition"] == summary["condition"])
    return next(there, None)


def _recording(name: str, part: RecordingPart, level: int) -> Html:
    below = heading(level)
    return join(
        [
            el("p", _NOT_A_GRADE) if not part.grade["gradeable"] else None,
            below("Level"),
            level_figure(f"{name}-level", part),
            below("Bands"),
            octave_figure(f"{name}-bands", part),
            below("Speed"),
            _speed(f"{name}-speed", part),
            below("Lines"),
            _lines(f"{name}-lines", part),
        ]
    )


_NOT_A_GRADE = (
    "This recording cannot be graded. Its plots show what the file holds, which is not what the hand got; they "
    "are here to help find out why."
)


def _speed(name: str, part: RecordingPart) -> Html:
    speed = part.speed
    if speed is None or not speed["shafts"]:
        return _absent("The speed", part.reasons.get("speed"), speed)
    rows = [
        [shaft, *(f"{value[key]:.0f}" for key in ("median_rpm", "min_rpm", "max_rpm"))]
        for shaft, value in speed["shafts"].items()
    ]
    sure = el("p", f"Confidence {percent(speed['confidence'])}.", _rivals(speed))
    shafts = table("Speed while running, revolutions per minute", ("shaft", "median", "lowest", "highest"), rows)
    return join([shafts, sure, speed_figure(name, speed, float(part.grade["duration_s"]))])


def _rivals(speed: Document) -> str:
    told = "; ".join(f"{rival['rpm']:.0f} per minute ({rival['reason']})" for rival in speed["rivals"])
    return f" It might also be {told}." if told else ""


def _lines(name: str, part: RecordingPart) -> Html:
    if part.curve is None or part.spectrum is None:
        return _absent("The spectrum", part.reasons.get("spectrum"), part.spectrum)
    lines = part.spectrum["lines"]
    drawn = spectrum_figure(name, lines, part.curve)
    return join([drawn, _named_table(lines), _unnamed_table(lines)])


def _named_table(lines: Sequence[Document]) -> Html:
    numbered = named_lines(lines)
    if not numbered:
        return el("p", "No line has a name: nothing that turns at a known speed fits one.")
    headings = ("name", "Hz", "order", "x", "y", "z", "all", "dB over floor")
    rows = [[join([el("b", i), " ", name]), *rest] for i, (name, *rest) in enumerate(map(_line_row, numbered), 1)]
    return table("Named lines, m/s² r.m.s.", headings, rows)


def _unnamed_table(lines: Sequence[Document]) -> Html | None:
    strangers = sorted((line for line in lines if not line["names"]), key=line_total, reverse=True)[:8]
    if not strangers:
        return None
    rows = [_line_row(line)[1:] for line in strangers]
    headings = ("Hz", "order", "x", "y", "z", "all", "dB over floor")
    caption = "Strongest lines that have no name, m/s² r.m.s."
    return el("details", el("summary", "Lines without a name"), table(caption, headings, rows))


def _line_row(line: Document) -> list[object]:
    amplitudes = [number(line["amplitude_mps2"].get(axis)) for axis in AXES]
    order = "-" if line["order"] is None else f"{line['order']:.3g} × {line['of']}"
    return [
        line_name(line),
        number(line["frequency_hz"], 4),
        order,
        *amplitudes,
        number(line_total(line)),
        number(line["over_floor_db"]),
    ]


def _absent(what: str, reason: str | None, document: Document | None) -> Html:
    """Return why a part of the page is missing: the reason given, or the refusal in its document."""
    refused = [n["message"] for n in document["notices"] if n["severity"] == "refusal"] if document else []
    return el("p", f"{what} is not known: {reason or '; '.join(refused) or 'it was not determined'}.")
