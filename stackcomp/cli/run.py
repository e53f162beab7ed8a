"""The program from start to exit code."""

from __future__ import annotations

import os
import sys
import warnings

from stackcomp.cli.app import app
from stackcomp.cli.endings import FAILED, STOPPED, announce

__all__ = ["run"]


def run() -> None:
    """Run the program on the arguments of this process, and exit."""
    for stream in (sys.stdout, sys.stderr):
        # A character that the terminal cannot show must not make a message fail.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    try:
        app(prog_name="stackcomp")
    except KeyboardInterrupt:
        announce("stopped from the keyboard")
        sys.exit(STOPPED)
    except SystemExit as end:
        _close_output(end.code if isinstance(end.code, int) else FAILED)
    except BrokenPipeError:
        _close_output(FAILED)


def _close_output(code: int) -> None:
    """Exit; print nothing if the reader of the output has closed it."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = code or FAILED
    sys.exit(code)
