"""How every command ends: exit codes and output.

====  =================================================================================
0     done
1     some of the work failed; the message says what, and everything else is whole
2     the request or the graph is wrong; nothing was written
130   stopped from the keyboard
====  =================================================================================

Tracebacks are shown with ``--debug`` only. The answer of a command goes to standard output; progress, warnings
and errors go to standard error. With ``--json`` standard output holds JSON and nothing else.
"""

from __future__ import annotations

import functools
import json
import sys
import traceback
from collections.abc import Callable, Mapping
from typing import Any, ParamSpec

import typer

from stackcomp.errors import BugError, GraphError, Problem, RequestError, StackcompError

__all__ = [
    "DONE",
    "FAILED",
    "HOW_TO_REPORT",
    "STOPPED",
    "WRONG",
    "announce",
    "debugging",
    "guarded",
    "print_json",
    "refuse",
    "say",
    "set_debug",
    "show_traceback",
]

DONE, FAILED, WRONG, STOPPED = 0, 1, 2, 130
#: A line below the message of a bug at a frame.
HOW_TO_REPORT = "please report the bug with the graph file and the traceback, which --debug shows"

_P = ParamSpec("_P")
_debug = False


def set_debug(on: bool) -> None:
    """Whether failures show their traceback."""
    global _debug
    _debug = on


def debugging() -> bool:
    """Whether failures show their traceback."""
    return _debug


def show_traceback(error: BaseException) -> None:
    """Print the traceback of an error to standard error, with ``--debug`` only."""
    if _debug:
        traceback.print_exception(error)


def guarded(command: Callable[_P, int]) -> Callable[_P, None]:
    """Make a command that returns its exit code into one that exits with it, as the module's text says."""

    @functools.wraps(command)
    def ended(*args: _P.args, **kwargs: _P.kwargs) -> None:
        try:
            code = command(*args, **kwargs)
        except (typer.Exit, typer.Abort, typer.BadParameter, BrokenPipeError):
            raise
        except KeyboardInterrupt:
            code = _ended(STOPPED, "stopped from the keyboard; files written so far are whole", kwargs)
        except StackcompError as error:
            show_traceback(error)
            wrong = isinstance(error, GraphError | RequestError)
            problems = error.problems if isinstance(error, GraphError | RequestError) else []
            code = _ended(WRONG if wrong else FAILED, str(error), kwargs, problems)
        except Exception as error:
            # Whatever nobody expected is a bug of ours, and is reported as one.
            show_traceback(error)
            code = _ended(FAILED, str(BugError(f"stackcomp {command.__name__}", error)), kwargs)
        if code:
            raise typer.Exit(code)

    # The command line library reads the parameters from the annotations; nothing is returned.
    ended.__annotations__ = {**command.__annotations__, "return": None}
    return ended


def refuse(problem: Problem, *, as_json: bool) -> int:
    """Print that a request is wrong, in the form that every command has; return the exit code 2."""
    return _ended(WRONG, str(problem), {"as_json": as_json}, [problem])


def _ended(code: int, message: str, asked: Mapping[str, Any], problems: list[Problem] | None = None) -> int:
    if asked.get("as_json"):
        print_json(
            {
                "event": "summary",
                "ok": False,
                "exit_code": code,
                "error": message,
                "problems": [problem.as_dict() for problem in problems or []],
            }
        )
    announce(message, style="red")
    return code


def print_json(value: Any, *, indent: int | None = None) -> None:
    """Print one JSON value to standard output, in ASCII, which every terminal and pipe can show."""
    sys.stdout.write(json.dumps(value, indent=indent, allow_nan=False) + "\n")
    sys.stdout.flush()


def say(text: str, *, style: str | None = None) -> None:
    """Print a line of the answer to standard output."""
    _print(text, style, stderr=False)


def announce(text: str, *, style: str | None = None) -> None:
    """Print a line to standard error."""
    _print(text, style, stderr=True)


def _print(text: str, style: str | None, *, stderr: bool) -> None:
    from rich.console import Console

    # Names and paths are shown as they are: no markup, no highlighting, no line breaks of our own.
    Console(stderr=stderr).print(
        visible(text), style=style, markup=False, highlight=False, emoji=False, soft_wrap=True
    )


def visible(text: str) -> str:
    """Return the text with control characters escaped, so that a name cannot control the terminal."""
    return "".join(c if c.isprintable() or c in "\n\t" else c.encode("unicode_escape").decode() for c in text)
