"""Options that every command taking recordings shares, and the loop over several recordings."""

from __future__ import annotations

import functools
import inspect
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vibekit.errors import InputError, Notice, UsageError, VibekitError

from .output import Progress, note

if TYPE_CHECKING:
    from vibekit.recording.recording import Recording, RecordingStream

PlotOption = Annotated[
    Path | None, typer.Option("--plot", metavar="FILE", help="Draw it to this PNG or SVG file.", dir_okay=False)
]
AxisOption = Annotated[
    list[str] | None, typer.Option("--axis", metavar="AXIS", help="Draw only this axis: x, y or z; repeat for more.")
]


def _finite(hz: float | None) -> float | None:
    if hz is not None and not math.isfinite(hz):
        raise UsageError(f"--up-to {hz:g} is not a frequency in Hz")
    return hz


UpToOption = Annotated[
    float | None, typer.Option("--up-to", metavar="HZ", min=1, callback=_finite, help="Draw up to this frequency.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Recordings = Annotated[
    list[Path], typer.Argument(metavar="REC...", help="Recordings, folders or globs; each with its sidecar if any.")
]
OneRecording = Annotated[Path, typer.Argument(metavar="REC", help="A recording, with its sidecar if any.")]

Jobs = Annotated[
    int | None, typer.Option("--jobs", metavar="N", min=1, help="Processes at work at once; else one per core.")
]
Engine = Annotated[
    str | None, typer.Option("--engine", metavar="dask://HOST:PORT", help="Do the work on an existing Dask engine.")
]

_SHARED: dict[str, Any] = {
    "full_scale": Annotated[
        str | None,
        typer.Option(
            "--full-scale",
            metavar="ACCELERATION",
            help='Acceleration at sample value 1.0, such as "50 g" or "490 m/s2".',
        ),
    ],
    "unit": Annotated[
        str | None, typer.Option("--unit", metavar="UNIT", help="Unit of text and array files: m/s2 or g.")
    ],
    "sample_rate": Annotated[
        float | None, typer.Option("--sample-rate", metavar="HZ", help="Samples per second, where the file cannot say.")
    ],
    "axes": Annotated[
        str | None,
        typer.Option(
            "--axes",
            metavar="ROLES",
            help="What each channel is: x, y, z, tach, sound or - in file order; or by name, x=NAME.",
        ),
    ],
    "tool": Annotated[Path | None, typer.Option("--tool", metavar="SHEET", help="Tool sheet (TOML).")],
    "tach_pulses": Annotated[
        float | None, typer.Option("--tach-pulses", metavar="N", help="Tachometer pulses per turn.")
    ],
    "from_s": Annotated[float | None, typer.Option("--from", metavar="S", help="Start at this second.")],
    "to_s": Annotated[float | None, typer.Option("--to", metavar="S", help="End at this second.")],
}


class Scale(StrEnum):
    """How an axis of a plot is divided."""

    linear = "linear"
    log = "log"


@dataclass(frozen=True)
class RecordingOptions:
    """The shared options as given; `open` and `read` apply them to one recording."""

    full_scale: str | None = None
    unit: str | None = None
    sample_rate: float | None = None
    axes: str | None = None
    tool: Path | None = None
    tach_pulses: float | None = None
    from_s: float | None = None
    to_s: float | None = None

    def open(
        self, path: Path, defaults: Mapping[str, Mapping[str, Any]] | None = None, sound_alone: bool = False
    ) -> RecordingStream:
        """Return the recording to be read block by block; `defaults` holds where its sidecar says nothing.

        Raises:
            InputError: it has no acceleration axis, where `sound_alone` does not say that sound will do.
        """
        import vibekit as vk

        for name in ("sample_rate", "tach_pulses"):
            value = getattr(self, name)
            if value is not None and not 0 < value < float("inf"):
                raise UsageError(f"--{name.replace('_', '-')} {value:g} must be greater than zero")
        stream = vk.open_recording(
            path,
            calibration=None if self.full_scale is None else vk.Calibration.full_scale(self.full_scale),
            unit=self.unit,
            sample_rate=self.sample_rate,
            axes=None if self.axes is None else [axis.strip() for axis in self.axes.split(",")],
            tool=self.tool,
            tach_pulses=self.tach_pulses,
            start_s=self.from_s,
            stop_s=self.to_s,
            defaults=defaults,
        )
        if not stream.axes and not sound_alone:
            why = "holds no acceleration axis (x, y, z): name its channels with --axes"
            raise InputError(f"{path}: {why}; of sound alone, vibekit speed tells the speed")
        return stream

    def read(self, path: Path) -> Recording:
        """Return the recording in memory."""
        return self.open(path).read()


def recording_command(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the shared options: it takes one `options: RecordingOptions` in their place."""

    @functools.wraps(function)
    def command(**given: Any) -> None:
        shared = {name: given.pop(name) for name in _SHARED}
        function(options=RecordingOptions(**shared), **given)

    signature = inspect.signature(function, eval_str=True)
    own = [p for p in signature.parameters.values() if p.name != "options"]
    extra = [
        inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=annotation)
        for name, annotation in _SHARED.items()
    ]
    parameters = [p.replace(kind=inspect.Parameter.KEYWORD_ONLY) for p in own] + extra
    command.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    command.__annotations__ = {p.name: p.annotation for p in parameters}
    return command


@dataclass
class Failures:
    """Recordings that could not be used while others could: named on standard error and in the notices."""

    notices: list[Notice]

    @property
    def exit_code(self) -> int:
        """Exit code of a run with these failures."""
        return InputError.exit_code if self.notices else 0


def over_recordings(
    paths: list[Path], work: Callable[[Path], Any], jobs: int | None = None, engine: str | None = None
) -> tuple[list[Any], Failures]:
    """Return the results of `work` on every recording that files, folders and globs name, and the failures of bad ones.

    Many recordings are spread over the cores, or as `jobs` and `engine` of `run_all` say; the results keep the order of
    the recordings.

    Raises:
        InputError: the only recording is bad.
        Exit: every one of several recordings is bad; each is named on standard error.
    """
    from vibekit.bench.gather import gather
    from vibekit.bench.parallel import run_all

    recordings = gather(paths)
    progress = Progress(f"{len(recordings)} recordings")
    outcomes = dict(run_all(work, recordings, jobs, progress if len(recordings) > 1 else None, engine))
    progress.done()
    results, failures = [], Failures([])
    for place, path in enumerate(recordings):
        outcome = outcomes[place]
        if not isinstance(outcome, VibekitError):
            results.append(outcome)
            continue
        if not isinstance(outcome, InputError) or len(recordings) == 1:
            raise outcome
        note(str(outcome))
        failures.notices.append(_unusable(path, outcome))
    if not results:  # each is named by now
        raise typer.Exit(InputError.exit_code)
    return results, failures


def _unusable(path: Path, error: InputError) -> Notice:
    remedy = "see the message; the others are done"
    return Notice("recording_unusable", "caution", str(error), value=str(path), remedy=remedy)
