"""The program from start to exit code."""

from __future__ import annotations

import os
import signal
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
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _pressed)
    try:
        code = _exit_code()
        _die_at_next_press()
    except KeyboardInterrupt:
        announce("stopped from the keyboard")
        code = STOPPED
    _close_output(code)


def _exit_code() -> int:
    try:
        app(prog_name="stackcomp")
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else FAILED
    except BrokenPipeError:
        return FAILED
    return 0


def _pressed(number: int, stack: object) -> None:
    """Ctrl-C: unwind. One more press, while that goes on, ends the process without a traceback."""
    _die_at_next_press()
    raise KeyboardInterrupt


def _die_at_next_press() -> None:
    if signal.getsignal(signal.SIGINT) in (_pressed, signal.default_int_handler):
        signal.signal(signal.SIGINT, signal.SIG_DFL)


def _close_output(code: int) -> None:
    """Exit; print nothing if the reader of the output has closed it."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = code or FAILED
    sys.exit(code)
