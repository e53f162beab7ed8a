"""``${name}`` in a graph.

A text that is nothing but ``${name}`` becomes the variable's value, whatever its JSON type; inside a longer
text only texts and numbers can stand. ``$${`` writes a plain ``${``. Nothing is ever evaluated.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from stackcomp.errors import Problem, did_you_mean

__all__ = ["REFERENCE", "fill", "resolve"]

#: A field that is one variable and nothing else.
REFERENCE = r"^\$\{[A-Za-z_][A-Za-z0-9_]*\}$"

_TOKEN = re.compile(r"\$\$\{|\$\{([^}]*)\}|\$\{")
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def resolve(variables: Mapping[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Variables with references to each other filled in, and what is wrong with them."""
    done: dict[str, Any] = {}
    problems: list[Problem] = []
    waiting: list[str] = []

    def value_of(name: str) -> Any:
        if name in done:
            return done[name]
        if name in waiting:
            circle = " → ".join([*waiting[waiting.index(name) :], name])
            problems.append(
                Problem("variable-circle", f"variables refer to each other in a circle: {circle}",
                        "give one of them a plain value", field=f"variables.{name}")
            )  # fmt: skip
            done[name] = ""
            return ""
        waiting.append(name)
        wanted = {match[1] for match in _TOKEN.finditer(_texts(variables[name])) if match[1] in variables}
        for other in sorted(wanted):
            value_of(other)
        filled = fill(variables[name], {**variables, **done}, ("variables", name), problems)
        waiting.pop()
        return done.setdefault(name, filled)

    for name in variables:
        value_of(name)
    return done, problems


def _texts(raw: Any) -> str:
    if isinstance(raw, str):
        return raw
    if isinstance(raw, Mapping):
        return "".join(_texts(item) for item in raw.values())
    return "".join(_texts(item) for item in raw) if isinstance(raw, list | tuple) else ""


def fill(raw: Any, variables: Mapping[str, Any], place: tuple[str, ...], problems: list[Problem]) -> Any:
    """A copy of JSON data with every variable filled in; what cannot be is added to ``problems``."""
    if isinstance(raw, str):
        return _fill_text(raw, variables, place, problems)
    if isinstance(raw, Mapping):
        return {name: fill(item, variables, (*place, str(name)), problems) for name, item in raw.items()}
    if isinstance(raw, list | tuple):
        return [fill(item, variables, (*place, str(k)), problems) for k, item in enumerate(raw)]
    return raw


def _fill_text(text: str, variables: Mapping[str, Any], place: tuple[str, ...], problems: list[Problem]) -> Any:
    if "${" not in text:
        return text

    def complain(rule: str, message: str, way_out: str) -> None:
        node, field = (place[1], ".".join(place[2:])) if place[:1] == ("nodes",) and len(place) > 1 else (
            "", ".".join(place))  # fmt: skip
        problems.append(Problem(rule, message, way_out, node=node, field=field))

    def value_of(name: str | None) -> Any:
        if name is None or not _NAME.fullmatch(name):
            complain("variable-name", f'"{text}" has a "${{" without a name and "}}"',
                     'a variable is written ${name}, of letters, digits and _; write "$${" for a plain "${"')  # fmt: skip
            return ""
        if name not in variables:
            way_out = did_you_mean(name, list(variables)) or "the graph defines no variables"
            complain("variable-unknown", f'variable "{name}" has no value',
                     f'{way_out}; give it under "variables" or with --set {name}=…')  # fmt: skip
            return ""
        return variables[name]

    whole = _TOKEN.fullmatch(text)
    if whole is not None and whole[0] != "$${":
        return value_of(whole[1])

    def replace(match: re.Match[str]) -> str:
        if match[0] == "$${":
            return "${"
        value = value_of(match[1])
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            complain("variable-in-text", f'variable "{match[1]}" is {type(value).__name__}, inside a text',
                     "inside a text a variable is a text or a number")  # fmt: skip
            return ""
        return str(value)

    return _TOKEN.sub(replace, text)
