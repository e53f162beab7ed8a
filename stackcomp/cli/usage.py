"""Mistakes in options and commands, reported as all other mistakes are: what is wrong, and what is allowed.

`Program` is the group of all commands. Errors of the command line library become a `Problem` here, so that they
read like the others, end with exit code 2, and are JSON if that was requested.
"""

from __future__ import annotations

import difflib
import itertools
import re
import sys
from collections.abc import Iterable, Sequence
from typing import Any

from typer.core import TyperGroup

from stackcomp.cli.endings import refuse
from stackcomp.errors import Problem

__all__ = ["Program"]


class Program(TyperGroup):
    """The commands; reports a wrong line as a `Problem`."""

    def main(self, args: Sequence[str] | None = None, *, standalone_mode: bool = True, **more: Any) -> Any:  # type: ignore[override]
        """Run a command line. Exits with its code unless ``standalone_mode`` is off."""
        words = list(sys.argv[1:] if args is None else args)
        swallowed = _swallowed(words, self)
        if swallowed is not None and standalone_mode:
            sys.exit(refuse(swallowed, as_json="--json" in words))
        try:
            code = super().main(list(words), standalone_mode=False, **more)
        except Exception as error:
            # The library's errors about a command line have this method in all its versions; others are bugs.
            if not standalone_mode or not hasattr(error, "format_message"):
                raise
            if type(error).__name__ == "NoArgsIsHelpError":
                error.show()  # type: ignore[attr-defined]
                sys.exit(2)
            code = refuse(_problem(error, words, self), as_json="--json" in words)
        if standalone_mode:
            sys.exit(code if isinstance(code, int) else 0)
        return code


def _problem(error: Any, words: list[str], program: Any) -> Problem:
    """The finding about a command line."""
    context = getattr(error, "ctx", None)
    command, path = (context.command, context.command_path) if context is not None else _command(words, program)
    message, way_out = _said(error, command, words)
    if way_out.startswith("did"):
        way_out += f" `{path} -h` explains all"
    elif way_out.startswith("its"):
        way_out += f"; `{path} -h` explains them"
    return Problem("command-line", f"{path}: {message}", way_out)


def _command(words: list[str], program: Any) -> tuple[Any, str]:
    """The command that words name, and its name."""
    command, path = program, "stackcomp"
    for word in words:
        if word in getattr(command, "commands", {}):
            command, path = command.commands[word], f"{path} {word}"
    return command, path


def _swallowed(words: list[str], program: Any) -> Problem | None:
    """The finding about an option without its value, which would take the next option as its value."""
    command, path = _command(words, program)
    options = {opt: param for param in command.params if _is_option(param) for opt in param.opts}
    for word, following in itertools.pairwise(words):
        if word in options and not getattr(options[word], "is_flag", False) and following in options:
            return Problem(
                "command-line", f"{path}: {word} needs a value before {following}", _wanted(options[word])
            )
    return None


def _said(error: Any, command: Any, words: list[str]) -> tuple[str, str]:
    name, message = type(error).__name__, str(getattr(error, "message", error))
    params = list(command.params)
    if name == "NoSuchOption":
        return _no_such_option(error.option_name, command, params)
    unknown = re.search(r"No such command '(.*?)'\.", message)
    if unknown is not None:
        return f'there is no command "{unknown[1]}"', _choices(unknown[1], list(command.commands), "commands")
    if name == "BadOptionUsage" and "not take" in message:
        return f"{error.option_name} takes no value", f"write {error.option_name} alone"
    if name == "BadOptionUsage":
        param = next((param for param in params if error.option_name in param.opts), None)
        return f"{error.option_name} needs a value", _wanted(param)
    if name == "MissingParameter":
        missing = _missing(params, words, error.param)
        explained = [f"{_shown_name(param)}: {_help(param)}" for param in missing]
        return f"{_listed(map(_shown, missing))} {'are' if len(missing) > 1 else 'is'} missing", "; ".join(
            explained
        )
    if name == "BadParameter" and getattr(error, "param", None) is not None:
        return _bad_value(error.param, message, words)
    extra = re.search(r"unexpected extra arguments?(?:\(s\))? \((.*)\)", message)
    if extra is not None:
        takes = " ".join(_shown(param) for param in params if not _is_option(param)) or "nothing"
        message = f"more words than it takes: {extra[1]}"
        return message, f"it takes {takes} and options; put a text with spaces in quotes"
    return message.rstrip("."), ""


def _listed(names: Iterable[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def _no_such_option(option: str, command: Any, params: list[Any]) -> tuple[str, str]:
    message = f"there is no option {option}"
    behind = [
        name for name, its in getattr(command, "commands", {}).items()
        if any(option in param.opts for param in its.params)
    ]  # fmt: skip
    if behind:
        return f"{message} before the command", f"write it behind the command, as stackcomp {behind[0]} … {option}"
    return message, _choices(
        option, [opt for param in params if _is_option(param) for opt in param.opts], "options"
    )


def _choices(wrong: str, choices: list[str], what: str) -> str:
    # Without the dashes, which make all options alike.
    bare = {choice.lstrip("-"): choice for choice in choices}
    near = difflib.get_close_matches(wrong.lstrip("-"), list(bare), n=2, cutoff=0.6)
    if near:
        return f"did you mean {' or '.join(bare[name] for name in near)}?"
    return f"its {what} are {', '.join(choices)}"


def _missing(params: list[Any], words: list[str], first: Any) -> list[Any]:
    """All required options that are missing, and the parameter that the library reports first."""
    named = {word.partition("=")[0] for word in words}
    return [p for p in params if p is first or (_is_option(p) and p.required and not named.intersection(p.opts))]


def _bad_value(param: Any, message: str, words: list[str]) -> tuple[str, str]:
    option, value = _shown_name(param), _value(param, words)
    shown_value = f'"{value}"' if value is not None else "the value"
    if "integer" in message:
        return f"{option}: {shown_value} is not a whole number", _wanted(param)
    if "number" in message:
        return f"{option}: {shown_value} is not a number", _wanted(param)
    limit = re.search(r"(greater|less) than( or equal to)? (\S+)", message)
    if limit is not None:
        least = {"greater": "below the smallest value", "less": "above the largest value"}[limit[1]]
        return f"{option}: {shown_value} is {least} {limit[3]}", _wanted(param)
    return f"{option}: {shown_value} does not fit ({message})", _wanted(param)


def _value(param: Any, words: list[str]) -> str | None:
    """The last value that was given to an option."""
    value_found = None
    for k, word in enumerate(words):
        name, equals, value = word.partition("=")
        if name in param.opts:
            value_found = value if equals else words[k + 1] if k + 1 < len(words) else None
    return value_found


def _wanted(param: Any) -> str:
    return f"give {_metavar(param)}: {_help(param)}" if param is not None else ""


def _help(param: Any) -> str:
    text = str(getattr(param, "help", None) or "").strip().rstrip(".")
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


def _metavar(param: Any) -> str:
    return str(param.metavar or param.name).strip("{}").upper()


def _is_option(param: Any) -> bool:
    return bool(param.opts) and param.opts[0].startswith("-")


def _shown_name(param: Any) -> str:
    return str(param.opts[0]) if _is_option(param) else _metavar(param)


def _shown(param: Any) -> str:
    return f"{param.opts[0]} {_metavar(param)}" if _is_option(param) else _metavar(param)
