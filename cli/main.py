"""Entry point: registers the commands, turns errors into one line and an exit code."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from vibekit.errors import VibekitError

from . import (
    balance,
    calibrate,
    check,
    diagnose,
    exposure,
    grade,
    log,
    rank,
    report,
    simulate,
    spectrum,
    speed,
    teardown,
    trend,
)
from .output import note

commands = typer.Typer(
    name="vibekit",
    help="How harshly a handheld rotary tool shakes the hand, how long it may be held, and what makes it shake.",
    epilog="A screening aid, not a certified instrument. Local law, the tool maker's instructions and licensed "
    "practice come first.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for module in (
    balance,
    calibrate,
    check,
    diagnose,
    exposure,
    grade,
    log,
    rank,
    report,
    simulate,
    speed,
    spectrum,
    teardown,
    trend,
):
    module.register(commands)


@commands.callback()
def _root(debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of a defect.")] = False) -> None:
    """Options before the command."""


def app(arguments: list[str] | None = None) -> None:
    """Run the command line; never returns. `--debug` is taken anywhere on it."""
    given = sys.argv[1:] if arguments is None else arguments
    debug = "--debug" in given
    sys.exit(_run([a for a in given if a != "--debug"], debug))


def _run(arguments: list[str], debug: bool) -> int:
    try:
        commands(arguments)
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else 1
    except VibekitError as error:
        note(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        note("stopped; nothing was left half written")
        return 130
    except Exception as defect:
        if debug:
            raise
        note(f"a defect in vibekit ({type(defect).__name__}: {defect}); run again with --debug and report it")
        return 1
    return 0
