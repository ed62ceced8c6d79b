"""A long search for inputs that break the contract: no traceback, no exit code 1, no hang, one line naming the file.

Run: python -m tests.benchmarks.fuzz [--rounds N] [--seed N] [TARGET...]     property-based, all targets by default
     python -m tests.benchmarks.fuzz --guided SUFFIX [--seconds N]           coverage-guided, where atheris is installed

Property-based: hypothesis invents inputs of the targets in tests.robustness.targets; every failure is kept, equal ones
(same place in the code) are counted together, and the search goes on. Coverage-guided: atheris mutates the bytes of
sound files of one suffix towards code not yet reached. Ends with 1 if anything was found.
"""

from __future__ import annotations

import argparse
import importlib
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.robustness import files
from tests.robustness.targets import TARGETS, read_bytes

ROOT = Path(__file__).parents[2]
_SLOW_S = 2.0  # processor seconds of one small input that are worth a look


@dataclass
class Survey:
    """What a search over one target found: failures by place, with how often and one input."""

    inputs: int = 0
    slowest_s: float = 0.0
    slowest: str = ""
    failures: dict[str, tuple[int, str]] = field(default_factory=dict)

    def note(self, case: Any, error: BaseException | None, took_s: float) -> None:
        """Take down one input."""
        self.inputs += 1
        if took_s > self.slowest_s:
            self.slowest_s, self.slowest = took_s, repr(case)[:200]
        if error is not None:
            key = _place(error)
            count, first = self.failures.get(key, (0, f"{case!r:.300} -> {str(error)[:500]}"))
            self.failures[key] = (count + 1, first)


def _place(error: BaseException) -> str:
    own = [f for f in traceback.extract_tb(error.__traceback__) if f.filename.startswith(str(ROOT))]
    where = f"{Path(own[-1].filename).relative_to(ROOT)}:{own[-1].lineno}" if own else "elsewhere"
    said = str(error).partition(" gave ")[2].splitlines()
    return f"{type(error).__name__} at {where} {said[0][:120] if said else ''}"


def survey(name: str, rounds: int, start: int) -> Survey:
    """Search one target over `rounds` inputs."""
    strategy, work = TARGETS[name]
    found = Survey()

    @seed(start)
    @settings(
        max_examples=rounds,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def search(case: Any) -> None:
        began = time.process_time()  # not of the clock on the wall: it runs beside other work
        error: BaseException | None = None
        try:
            work(case)
        except KeyboardInterrupt:
            raise
        except BaseException as raised:  # a hang is raised as something that nothing else catches
            error = raised
        found.note(case, error, time.process_time() - began)

    search()
    return found


def guided(suffix: str, seconds: int) -> None:
    """Let atheris search one suffix; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["vibekit"]):
        for module in [m for m in sys.modules if m.startswith("vibekit.recording")]:
            del sys.modules[module]
        for kind in ("", "_arrays", "_audio", "_parquet", "_text"):  # now: loading them must not count as a hang
            importlib.import_module(f"vibekit.recording.readers{kind}")
    corpus = Path(tempfile.mkdtemp())
    for name, (own, _) in files.SOUND.items():
        if own == suffix:
            (corpus / name.replace(" ", "-")).write_bytes(files.sound(name))  # whole: a cut one opens no container
    options = [
        sys.argv[0],
        str(corpus),
        f"-max_total_time={seconds}",
        "-max_len=98304",
        "-timeout=20",
        "-rss_limit_mb=4096",
    ]
    atheris.Setup(options, lambda data: read_bytes(suffix, data))
    atheris.Fuzz()


def main() -> int:
    """Search, print what was tried and found, and tell by the exit code whether anything was."""
    parser = argparse.ArgumentParser(description="Search for inputs that break the contract.")
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    parser.add_argument("--rounds", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--guided", metavar="SUFFIX", choices=sorted({own for own, _ in files.SOUND.values()}))
    parser.add_argument("--seconds", type=int, default=300)
    given_words = parser.parse_args()
    if given_words.guided:
        guided(given_words.guided, given_words.seconds)
    failed = 0
    for name in given_words.targets or TARGETS:
        began = time.monotonic()
        found = survey(name, given_words.rounds, given_words.seed)
        took = time.monotonic() - began
        print(f"{name:<10} {found.inputs:>7} inputs  {took:>6.0f} s  slowest {found.slowest_s:.2f} s", end="  ")
        print(f"{len(found.failures)} defects", flush=True)
        if found.slowest_s > _SLOW_S:
            print(f"  slow: {found.slowest}", flush=True)
        for place, (count, first) in found.failures.items():
            print(f"  {count} x {place}\n    {first}")
        failed += len(found.failures)
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
