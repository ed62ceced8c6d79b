"""One recording analysed: plain values only, so that they travel between processes and into the log."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibekit.errors import InputError, Notice, VibekitError
from vibekit.handarm.uncertainty import UncertaintyPart
from vibekit.recording.parts import following_parts
from vibekit.recording.recording import RecordingStream
from vibekit.recording.sidecar import load_sidecar, sidecar_path
from vibekit.recording.toolsheet import ToolSheet
from vibekit.units import is_finite

if TYPE_CHECKING:
    from vibekit.bench.sheets import SharedFacts
    from vibekit.handarm.magnitude import VibrationMagnitude

REVISION = 3  # of the analysis: results of another revision in a log are computed again
SpindleSpeed = tuple[float | None, str | None, tuple[Notice, ...]]  # rpm, source, what stood in the way

SPEED_READS_S = 600.0  # the speed is taken from at most this much of a recording: it is read into memory


@dataclass(frozen=True)
class RunResult:
    """Grade and speed of one recording with the facts that decide what it may be compared with.

    `sha256` is of the recording's bytes; `inputs` of everything that enters the result (facts, sheets, revision).
    """

    file: str
    sha256: str
    inputs: str
    tag: str | None
    condition: str | None
    position: str | None
    operator: str | None
    run: int | None
    accessory: str | None
    started: str | None
    hours_used: float | None
    mass_kg: float | None
    price: float | None
    declared_vibration_mps2: float | None
    declared_uncertainty_mps2: float | None
    shaft_power_w: float | None
    a_hv_mps2: float | None
    expanded_uncertainty_mps2: float | None
    trigger_on_s: float
    budget: tuple[UncertaintyPart, ...]
    spindle_rpm: float | None
    speed_source: str | None
    notices: tuple[Notice, ...]
    grade: dict[str, Any]

    @property
    def against(self) -> tuple[Notice, ...]:
        """What speaks against the values: refusals and cautions, each naming the recording."""
        name = Path(self.file).name
        return tuple(
            n if name in n.message else replace(n, message=f"{name}: {n.message}")
            for n in self.notices
            if n.severity != "info"
        )

    @property
    def tool(self) -> str | None:
        """The tool's tag, under the name that a graded recording has for it."""
        return self.tag

    @property
    def sheet(self) -> ToolSheet | None:
        """What the tool sheet says of the tool as a whole, without its drive train."""
        if self.tag is None:
            return None
        facts = ("mass_kg", "price", "hours_used", "declared_vibration_mps2", "declared_uncertainty_mps2")
        return ToolSheet(self.tag, **{name: getattr(self, name) for name in facts})

    @property
    def a_hw_mps2(self) -> dict[str, float | None]:
        """Weighted value by axis [m/s²], None of an axis not measured."""
        return self.grade.get("a_hw_mps2") or {}

    @property
    def missing_axes_factor(self) -> float | None:
        """What the largest axis was multiplied by where axes are missing, as stated."""
        return self.grade.get("missing_axes_factor")

    @property
    def test_code(self) -> str | bool | None:
        """The emission test code that the run was made under."""
        return self.grade.get("test_code")

    def to_dict(self) -> dict[str, Any]:
        """Return the result as plain data; `from_dict` reads it back."""
        return {**asdict(self), "budget": [part.stored() for part in self.budget]}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> RunResult:
        """Return the result that `to_dict` wrote. Raises KeyError, TypeError: another has written it."""
        values = {field.name: data[field.name] for field in fields(cls)}
        for name in ("a_hv_mps2", "expanded_uncertainty_mps2", "trigger_on_s", "spindle_rpm"):
            if not (values[name] is None or is_finite(values[name])):
                raise TypeError(f"{name} is {str(values[name])[:40]}")
        values["budget"] = tuple(UncertaintyPart.restored(part) for part in values["budget"])
        values["notices"] = tuple(Notice(**notice) for notice in values["notices"])
        return cls(**values)


def file_sha256(path: Path, *following: Path) -> str:
    """Return the SHA-256 of a file's bytes, and of those that go on in other files, in hexadecimal."""
    digest = hashlib.sha256()
    for part in (path, *following):
        with part.open("rb") as file:
            hashlib.file_digest(file, lambda: digest)
    return digest.hexdigest()


@dataclass(frozen=True)
class Fingerprint:
    """SHA-256 of a recording's bytes, and of everything that enters its result."""

    sha256: str
    inputs: str


def fingerprint(
    path: Path, defaults: SharedFacts | None = None, options: Mapping[str, Any] | None = None
) -> Fingerprint:
    """Return the fingerprint of a recording: its bytes, sidecar, tool sheet, shared facts, options, revision.

    Raises:
        InputError: the recording is missing, or its sidecar cannot be read.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file")
    given = dict(options or {})
    facts = load_sidecar(path, defaults)[0]
    tool = given.get("tool") or facts.tool
    beside = [sidecar_path(path)] + ([path.parent / tool] if tool else [])
    own = file_sha256(path, *following_parts(path, facts))
    digests = [own, *(file_sha256(p) if p.is_file() else None for p in beside)]
    known = json.dumps((REVISION, digests, defaults, given), sort_keys=True, default=str)
    return Fingerprint(own, hashlib.sha256(known.encode()).hexdigest())


def analyse(path: Path, defaults: SharedFacts | None = None) -> RunResult:
    """Return grade and speed of one recording.

    Raises:
        InputError: the recording or its sheets cannot be used.
    """
    from vibekit.recording.readers import open_recording

    return analyse_stream(open_recording(path, defaults=defaults), fingerprint(path, defaults))


def analyse_stream(stream: RecordingStream, prints: Fingerprint) -> RunResult:
    """Return grade and speed of an opened recording. Raises as `analyse`."""
    from vibekit.handarm.grading import grade

    return run_result(stream, prints, grade(stream), _spindle_rpm(stream, stream.origin.tool))


def run_result(
    stream: RecordingStream, prints: Fingerprint, magnitude: VibrationMagnitude, spindle: SpindleSpeed
) -> RunResult:
    """Return the result of a recording that is graded and whose spindle speed was looked for."""
    facts, tool = stream.origin.facts, stream.origin.tool
    rpm, source, remarks = spindle
    return RunResult(
        file=stream.origin.file,
        sha256=prints.sha256,
        inputs=prints.inputs,
        tag=tool.tag if tool else None,
        condition=facts.condition,
        position=facts.position,
        operator=facts.operator,
        run=facts.run,
        accessory=tool.accessory.kind if tool and tool.accessory else None,
        started=facts.started.isoformat() if facts.started else None,
        hours_used=tool.hours_used if tool else None,
        mass_kg=tool.mass_kg if tool else None,
        price=tool.price if tool else None,
        declared_vibration_mps2=tool.declared_vibration_mps2 if tool else None,
        declared_uncertainty_mps2=tool.declared_uncertainty_mps2 if tool else None,
        shaft_power_w=facts.shaft_power_w,
        a_hv_mps2=magnitude.a_hv_mps2,
        expanded_uncertainty_mps2=magnitude.expanded_uncertainty_mps2,
        trigger_on_s=magnitude.trigger_on_s,
        budget=magnitude.budget,
        spindle_rpm=rpm,
        speed_source=source,
        notices=(*magnitude.notices, *remarks),
        grade=magnitude.row(),
    )


def _spindle_rpm(stream: RecordingStream, tool: ToolSheet | None) -> SpindleSpeed:
    """Return the speed of the shaft that carries the accessory, its source, and what stood in the way."""
    if stream.origin.facts.spindle_rpm is not None:
        return stream.origin.facts.spindle_rpm, "stated", ()
    if stream.duration_s is None or stream.duration_s > SPEED_READS_S:
        return None, None, (_no_speed(stream, f"it is longer than {SPEED_READS_S:g} s"),)
    from vibekit.machine.speed.estimate import estimate_speed

    try:
        speed = estimate_speed(stream.read(), tool).to_dict()
    except VibekitError as error:
        return None, None, (_no_speed(stream, str(error)),)
    return output_speed(speed, tool)


def output_speed(speed: Mapping[str, Any], tool: ToolSheet | None) -> SpindleSpeed:
    """Return the speed of the shaft that carries the accessory as a `speed` document has it."""
    shafts = speed["shafts"]
    name = tool.output_shaft if tool and tool.output_shaft in shafts else speed["track"]["of"]
    rpm = shafts.get(name, {}).get("median_rpm")
    return rpm, speed["source"] if rpm is not None else None, ()


def _no_speed(stream: RecordingStream, why: str) -> Notice:
    message = f"{stream.origin.file}: no spindle speed: {why}"
    return Notice("speed_unknown", "info", message, remedy="record a tachometer, or give spindle_rpm in the sidecar")
