"""`vibekit spectrum`: the lines in a recording, named."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from vibekit.errors import RecordingLimitError

from .options import AxisOption, Json, OneRecording, PlotOption, RecordingOptions, Scale, UpToOption, recording_command
from .output import Document, Progress, counted, emit, note, notice_lines, number, printable

if TYPE_CHECKING:
    from vibekit.errors import Notice
    from vibekit.machine.lines.power_cepstrum import Cepstrum
    from vibekit.machine.lines.table import Kind as Over, LineSpectrum
    from vibekit.recording.recording import Recording, RecordingStream


class Kind(StrEnum):
    """What the lines are counted over."""

    amplitude = "amplitude"
    density = "density"
    cepstrum = "cepstrum"
    envelope = "envelope"
    order = "order"


KindOption = Annotated[
    Kind,
    typer.Option(
        "--kind",
        help="Lines over frequency (amplitude; density of the noise), over turns of the shaft (order), of the envelope "
        "in which impacts ring; or distances between lines that repeat (cepstrum).",
    ),
]

LevelsOption = Annotated[Scale, typer.Option("--levels", help="Scale of the levels drawn.")]
FrequenciesOption = Annotated[Scale, typer.Option("--frequencies", help="Scale of the frequencies drawn.")]


def register(commands: typer.Typer) -> None:
    """Add the command."""
    commands.command()(recording_command(spectrum))


def spectrum(
    recording: OneRecording,
    options: RecordingOptions,
    kind: KindOption = Kind.amplitude,
    plot: PlotOption = None,
    axis: AxisOption = None,
    levels: LevelsOption = Scale.log,
    frequencies: FrequenciesOption = Scale.linear,
    up_to: UpToOption = None,
    as_json: Json = False,
) -> None:
    """List the lines in a recording, each with level, height over the noise, and what it may be."""
    from vibekit.machine.lines.table import refused_spectrum

    stream = options.open(recording)
    try:
        result = _spectrum(stream, kind)
    except RecordingLimitError as error:
        emit(refused_spectrum(stream, kind.value, error), as_json, render)
        return
    if plot is not None:
        from vibekit.bench.plots_cepstrum import plot_cepstrum
        from vibekit.bench.plots_spectrum import SpectrumView, plot_spectrum
        from vibekit.machine.lines.table import LineSpectrum

        axes = tuple(axis or ())
        if isinstance(result, LineSpectrum):
            plot_spectrum(result, plot, SpectrumView(axes, levels.value, frequencies.value, up_to))
        else:
            plot_cepstrum(result, plot, axes)
        note(f"plot written to {plot}")
    emit(result.to_dict(), as_json, render if kind != Kind.cepstrum else render_cepstrum)


def _spectrum(stream: RecordingStream, kind: Kind) -> LineSpectrum | Cepstrum:
    """Return the lines of a recording; of a long one averaged block by block, or of the stretch that stands for it."""
    from vibekit.machine.lines.averaged import LOOKED_AT_S, long_spectrum
    from vibekit.recording.gaps import piece_notice, stream_in_one_piece
    from vibekit.recording.stretch import read_unless_long, representative_part

    stream = stream_in_one_piece(stream)
    whole = read_unless_long(stream)
    if whole is not None:
        return _of_whole(whole, kind, *piece_notice(stream))
    progress = Progress(f"reading {stream.origin.file}")
    result: LineSpectrum | Cepstrum
    if kind in (Kind.amplitude, Kind.density):
        result = long_spectrum(stream, progress=progress, kind="density" if kind == Kind.density else "amplitude")
        result = replace(result, notices=(*result.notices, *piece_notice(stream)))
    else:
        part = representative_part(stream, LOOKED_AT_S, progress)
        result = _of_whole(part.recording, kind, part.notice, *piece_notice(stream))
    progress.done()
    return result


def _of_whole(recording: Recording, kind: Kind, *notices: Notice) -> LineSpectrum | Cepstrum:
    import vibekit as vk

    if kind != Kind.cepstrum:
        lines = vk.spectrum(recording, kind=cast("Over", kind.value))
        return replace(lines, notices=(*lines.notices, *notices))
    result = vk.cepstrum(recording)
    return replace(result, source=replace(result.source, notices=(*result.source.notices, *notices)))


def render(document: Document) -> str:
    """Return the lines as text."""
    axes = document["axes"]
    if document["floor"] is None:
        none = f"{printable(document['file'])}: no {document['kind']} spectrum can be given (see the refusal below)"
        return "\n".join([none, *notice_lines(document)])
    lines = [
        f"{printable(document['file'])}: {document['kind']} spectrum, {document['scaling']} [{document['unit']}]",
        f"  resolution {_resolution(document)}, {document['window']} window, "
        f"{counted(document['averages'], 'average')}; {counted(len(document['lines']), 'line')} over the noise",
    ]
    if document["lines"]:
        order = f"order of {printable(document['of'])}" if document["of"] else "order"
        heads = "".join(f"{axis:>9}" for axis in axes)
        lines += ["", f"  {'Hz':>10}  {order:>18}{heads}  over noise  may be"]
        lines += [_line(line, axes) for line in document["lines"]]
    lines += _repeating(document, axes)
    for found in document["resonances"] or ():
        orders = ", ".join(f"{order:.4g}" for order in found["orders"])
        lines.append(f"  resonance near {found['frequency_hz']:.0f} Hz: orders {orders} rise {found['rise_db']:.0f} dB")
    lines += [_family(family) for family in document["sideband_families"]]
    return "\n".join([*lines, *([""] if document["notices"] else []), *notice_lines(document)])


def render_cepstrum(document: Document) -> str:
    """Return the distances between lines as text."""
    axes = document["axes"]
    if document["floor"] is None:
        return render(document)
    first, last = document["quefrencies_s"]
    lines = [
        f"{printable(document['file'])}: cepstrum, {document['scaling']} [{document['unit']}]",
        f"  quefrencies {1000 * first:.2f} to {1000 * last:.1f} ms, {1000 * document['resolution_s']:.3f} ms apart; of "
        f"a spectrum of {_resolution(document)} resolution, {document['window']} window, "
        f"{counted(document['averages'], 'average')}; {counted(len(document['lines']), 'distance')} over the noise",
    ]
    if document["lines"]:
        order = f"order of {printable(document['of'])}" if document["of"] else "order"
        heads = "".join(f"{axis + ' [dB]':>9}" for axis in axes)
        lines += ["", f"  {'ms':>8}  {'Hz apart':>9}  {order:>18}{heads}  over noise  may be"]
    for line in document["lines"]:
        order = "-" if line["order"] is None else f"{line['order']:.3f}"
        heights = "".join(f"{line['height_db'][axis]:>9.2f}" for axis in axes)
        names = printable(", ".join(line["names"]) or "-")
        lines.append(
            f"  {1000 * line['quefrency_s']:>8.3f}  {line['frequency_hz']:>9.2f}  {order:>18}{heights}"
            f"  {line['over_floor_db']:>7.1f} dB  {names}"
        )
    return "\n".join([*lines, "", *notice_lines(document)])


def _resolution(document: Document) -> str:
    orders = document["resolution_orders"]
    hz = f"{number(document['resolution_hz'])} Hz"
    return hz if orders is None else f"{number(orders)} orders ({hz} at the mean speed)"


def _repeating(document: Document, axes: list[str]) -> list[str]:
    """Return what repeats with every turn of each shaft and what is left, as a table; nothing where it is not known."""
    if not document["repeating"]:
        return []
    width = max(len(printable(share["of"])) for share in document["repeating"])
    heads = "".join(f"{axis:>9}" for axis in axes)
    lines = ["", f"  {'r.m.s. [m/s²]':<{width + 31}}{heads}"]
    for share in document["repeating"]:
        for said, key in ((f"repeats every turn ({share['turns']})", "repeats_mps2"), ("rest", "rest_mps2")):
            levels = "".join(f"{number(share[key][axis]):>9}" for axis in axes)
            lines.append(f"  {printable(share['of']):<{width}}  {said:<29}{levels}")
    return lines


def _family(family: dict[str, Any]) -> str:
    at = f" (once per turn of {printable(family['of'])})" if family["of"] else ""
    size = f", {100 * family['ratio']:.0f} % of its line" if family["ratio"] is not None else ""
    return (
        f"  sidebands of {printable(family['carrier'])} at {family['carrier_hz']:.0f} Hz: "
        f"{number(family['spacing_hz'], 4)} Hz apart{at}{size}"
    )


def _line(line: dict[str, Any], axes: list[str]) -> str:
    order = "-" if line["order"] is None else f"{line['order']:.3f}"
    levels = "".join(f"{number(line['amplitude_mps2'][axis]):>9}" for axis in axes)
    names = ", ".join(line["names"]) or "-"
    if line["not_separable"]:
        names += f" (not separable: {', '.join(line['not_separable'])})"
    return f"  {line['frequency_hz']:>10.2f}  {order:>18}{levels}  {line['over_floor_db']:>7.1f} dB  {printable(names)}"
