"""Entry point: registers the commands, turns errors into one line and an exit code."""

from __future__ import annotations

import io
import os
import signal
import sys
import threading
from collections.abc import Sequence
from importlib import import_module
from typing import Annotated, Any

import typer

from vibekit.errors import InputError, UsageError, VibekitError, is_text

from .output import note
from .overview import Overview

_SIGNALLED = 128  # exit code of a process ended by signal n: 128 + n, as shells count
_SIGPIPE = 13
_LONGEST_USAGE = 150  # characters of what was wrong with the words given

COMMANDS = (  # a module each
    "balance",
    "calibrate",
    "check",
    "diagnose",
    "exposure",
    "grade",
    "log",
    "rank",
    "report",
    "simulate",
    "speed",
    "spectrum",
    "teardown",
    "trend",
)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"vibekit {version('vibekit-toolroom')}")
        raise typer.Exit


Version = Annotated[bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version.")]
Debug = Annotated[bool, typer.Option("--debug", help="Show the traceback of a defect.")]


def _root(debug: Debug = False, version: Version = False) -> None:
    """Options before the command."""


def commands(names: Sequence[str] = COMMANDS) -> typer.Typer:
    """Return the tree of commands; of some alone it stands sooner."""
    tree = typer.Typer(
        name="vibekit",
        cls=Overview,
        help="How harshly a handheld rotary tool shakes the hand, how long it may be held, and what makes it shake.",
        epilog="A screening aid, not a certified instrument. Local law, the tool maker's instructions and licensed "
        "practice come first.",
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    tree.callback()(_root)
    for name in names:
        import_module(f".{name}", __package__).register(tree)
    return tree


def app(arguments: list[str] | None = None) -> None:
    """Run the command line; never returns. `--debug` is taken anywhere on it."""
    given = sys.argv[1:] if arguments is None else arguments
    _end_cleanly_on_signals()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a narrow encoding shows escapes instead of failing
    debug = "--debug" in given
    sys.exit(_run([a for a in given if a != "--debug"], debug))


def _end_cleanly_on_signals() -> None:
    """Turn the signals that end a process into an exception, so that temporary files are taken away."""

    def end(number: int, _: object) -> None:
        raise SystemExit(_SIGNALLED + number)

    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), end)
        sys.unraisablehook = _stop_again


def _stop_again(lost: Any) -> None:
    """Send the signal once more whose exception came where Python can raise none, as while it clears a lock away."""
    code = lost.exc_value.code if isinstance(lost.exc_value, SystemExit) else None
    if isinstance(lost.exc_value, KeyboardInterrupt):
        code = _SIGNALLED + signal.SIGINT
    if not isinstance(code, int) or code <= _SIGNALLED:
        sys.__unraisablehook__(lost)
        return
    again = threading.Timer(0.01, os.kill, (os.getpid(), code - _SIGNALLED))  # here it would be lost again
    again.daemon = True
    again.start()


def _run(arguments: list[str], debug: bool) -> int:
    try:
        _require_text(arguments)
        named = next((argument for argument in arguments if not argument.startswith("-")), "")
        tree = commands((named,) if named in COMMANDS else COMMANDS)
        code = tree(arguments, standalone_mode=False)
        return _ended(SystemExit(code if isinstance(code, int) else 0))
    except SystemExit as ended:
        return _ended(ended)
    except VibekitError as error:
        note(str(error))
        return error.exit_code
    except KeyboardInterrupt as stop:
        return _stopped(stop)
    except MemoryError:
        note("not enough memory for this recording; take a part of it with --from and --to")
        return InputError.exit_code
    except OSError as error:
        if debug:
            raise
        note(f"{error.filename or 'output'}: {error.strerror or error}")
        return InputError.exit_code
    except Exception as defect:
        if isinstance(defect.__cause__, SystemExit | KeyboardInterrupt):  # a signal while Python made a class
            return _stopped(defect.__cause__)
        if hasattr(defect, "format_message"):  # the framework's own usage errors
            return _usage(defect)
        if debug:
            raise
        note(f"a defect in vibekit ({type(defect).__name__}: {defect}); run again with --debug and report it")
        return 1


def _usage(error: Any) -> int:
    """Say in one line what was wrong and where help is; of the given words nothing that steers the terminal."""
    if type(error).__name__ == "NoArgsIsHelpError":  # nothing given: the help itself
        error.show()
    else:
        context = getattr(error, "ctx", None)
        see = f" (see {context.command_path} -h)" if context is not None else ""
        note(f"{error.format_message()[:_LONGEST_USAGE].rstrip('.')}{see}")
    return UsageError.exit_code


def _require_text(arguments: list[str]) -> None:
    for before, argument in zip(["", *arguments], arguments, strict=False):
        if argument == "" and not before.startswith("-"):  # as a path it would be the working folder
            raise UsageError("an argument is empty: name a recording, folder or task")
        if not is_text(argument):
            raise UsageError(f"argument {argument} is not UTF-8 text: rename a file of that name first")


def _stopped(stop: SystemExit | KeyboardInterrupt) -> int:
    return _ended(stop if isinstance(stop, SystemExit) else SystemExit(_SIGNALLED + signal.SIGINT))


def _ended(ended: SystemExit) -> int:
    """Return the exit code of a command that ended itself, was stopped, or lost the reader of its output."""
    code = ended.code if isinstance(ended.code, int) else 1
    if code > _SIGNALLED:
        note("stopped; nothing was left half written")
    return code if code != 1 else _SIGNALLED + _SIGPIPE  # the framework's way to say that nobody reads any more
