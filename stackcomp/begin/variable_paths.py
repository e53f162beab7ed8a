"""Paths that hold variables: which value of a variable makes them the path of a new file."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from typing import Any

from stackcomp.begin.shot_folder import written
from stackcomp.errors import BadValueError
from stackcomp.files.paths import FramePath

__all__ = ["filled", "solved", "the_same", "variables_in"]

_VARIABLE = re.compile(r"(?<!\$)\$\{([A-Za-z_]\w*)\}")
_FRAME = re.compile(r"\{frame(?::0?\d{0,2}d)?\}|%0?\d{0,2}d")
_MARK = "\0"


def variables_in(path: str) -> list[str]:
    """Names of the variables in a path, each once."""
    return list(dict.fromkeys(_VARIABLE.findall(path)))


def filled(path: str, variables: Mapping[str, Any]) -> str | None:
    """A path with its variables filled in; None where one has no value that can stand in a text."""
    values = {name: variables.get(name) for name in variables_in(path)}
    if any(isinstance(value, bool) or not isinstance(value, str | int | float) for value in values.values()):
        return None
    return _VARIABLE.sub(lambda match: str(values[match[1]]), path).replace("$${", "${")


def the_same(path: str | None, other: str, frames: tuple[int, ...]) -> bool:
    """Whether two paths name the same files at some frames."""
    try:
        return path is not None and all(
            FramePath(path).for_frame(frame) == FramePath(other).for_frame(frame) for frame in frames
        )
    except BadValueError:
        return False


def solved(
    wanted: Mapping[str, str], paths: Mapping[str, str], variables: Mapping[str, Any], fixed: set[str]
) -> dict[str, Any]:
    """Values of variables with which most of the paths become those of the new files.

    Args:
        wanted: node → path of its new file.
        paths: node → path as written.
        variables: values so far.
        fixed: names of variables that keep their value.

    Returns:
        The variables that change.
    """
    found: dict[str, Any] = {}
    names = Counter(name for node in wanted for name in variables_in(paths[node]) if name not in fixed)
    for name, _ in names.most_common():
        values: Counter[str] = Counter()
        for node, path in wanted.items():
            if name in variables_in(paths[node]):
                value = _value(paths[node], name, path, {**variables, **found})
                if value is not None:
                    values[value] += 1
        if values:
            value, _ = values.most_common(1)[0]
            if variables.get(name) != written(value):
                found[name] = written(value)
    return found


def _value(path: str, name: str, wanted: str, variables: Mapping[str, Any]) -> str | None:
    """The value of one variable with which a path becomes another, whatever their frame tokens look like."""
    own = re.sub(rf"(?<!\$)\$\{{{name}\}}", _MARK + "variable" + _MARK, path)
    text = filled(own, variables)
    if text is None:
        return None
    text = _FRAME.sub(_MARK, text)
    pattern = re.escape(text).replace(re.escape(_MARK + "variable" + _MARK), "(?P<value>.+)", 1)
    pattern = pattern.replace(re.escape(_MARK + "variable" + _MARK), "(?P=value)")
    match = re.fullmatch(pattern, _FRAME.sub(_MARK, wanted))
    return match["value"] if match is not None and _MARK not in match["value"] else None
