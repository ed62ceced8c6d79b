"""Running the command line inside the test's process: quick, and open to monkeypatching."""

from __future__ import annotations

import contextlib
import io

from vibekit_cli.main import app


def run(*arguments: str) -> tuple[int, str, str]:
    """Return exit code, standard output and standard error of a command."""
    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            app(list(arguments))
        except SystemExit as ended:
            code = ended.code
    return int(str(code or 0)), out.getvalue(), err.getvalue()
