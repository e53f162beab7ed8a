"""Values from the text of options: variables, frames, windows; and the opened graph."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stackcomp.errors import BadValueError, Problem, RequestError, unknown_node

if TYPE_CHECKING:
    from stackcomp.composition import Composition
    from stackcomp.data.window import Window

__all__ = [
    "Request",
    "count",
    "folder_of",
    "frames_of",
    "open_graph",
    "require_path",
    "scale_of",
    "value_of",
    "variables_of",
    "window_of",
]

_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


@dataclass(frozen=True)
class Request:
    """A graph with the variables of the command line, and warnings about these variables."""

    composition: Composition
    warnings: tuple[Problem, ...]

    def require_nodes(self, names: Sequence[str] | None) -> None:
        """Check that the graph has the nodes of ``--node``.

        Raises:
            RequestError: it has no node of that name; all such names are in it.
        """
        known = self.composition.nodes
        problems = [unknown_node(name, known, option="--node") for name in names or () if name not in known]
        if problems:
            raise RequestError(problems)


def open_graph(graph: str, root: str, variable_files: Sequence[str] | None, sets: Sequence[str] | None) -> Request:
    """Read a graph with variables from files and from ``--set``.

    Raises:
        RequestError: no such root, or a variable in the wrong form.
        DocumentError: the graph or a file of variables cannot be understood.
    """
    require_path("--root", root)
    if not Path(root).is_dir():
        raise RequestError(
            Problem(
                "root",
                f'--root: there is no folder "{root}"',
                "name the folder at which the graph's relative paths start",
            )
        )
    own, given = variables_of((), sets), variables_of(variable_files, sets)

    from stackcomp.composition import Composition
    from stackcomp.document.graph import Graph

    opened = Graph.open(graph)
    # A file of variables may serve several graphs; what is given on the command line is meant for this one.
    known = opened.known_variables(given)
    composition = Composition(
        opened,
        root=root,
        variables={k: v for k, v in given.items() if k in known or k in own},
        variable_files=variable_files or (),
    )
    return Request(composition, composition.unused_variables)


def require_path(option: str, path: str) -> None:
    """Check that a path holds a name: an unset shell variable gives an empty text, which is the current folder.

    Raises:
        RequestError: the path is empty.
    """
    if not path.strip():
        raise RequestError(Problem("path", f"{option}: the path is empty", "name a file or a folder"))


def folder_of(option: str, path: str) -> Path:
    """The folder that an option names; it need not exist.

    Raises:
        RequestError: the path is empty, or is a file.
    """
    require_path(option, path)
    if (folder := Path(path)).exists() and not folder.is_dir():
        raise RequestError(
            Problem("to", f'{option}: "{path}" is a file', "name a folder; it is made where it is missing")
        )
    return folder


def variables_of(files: Sequence[str] | None, sets: Sequence[str] | None) -> dict[str, Any]:
    """Variables of JSON files, later ones first, and of ``NAME=VALUE`` texts before all.

    Raises:
        RequestError: a text of another form, or a file that is a graph.
        DocumentError: a file cannot be read, or does not hold an object.
    """
    variables: dict[str, Any] = {}
    for path in files or ():
        variables.update(_variables_in(path))
    for text in sets or ():
        name, equals, value = text.partition("=")
        if not equals or not _NAME.fullmatch(name):
            raise RequestError(
                Problem(
                    "set-form",
                    f'--set: "{text}" is not NAME=VALUE',
                    "a name is made of letters, digits and _, as in --set shot=demo_shot/wide",
                )
            )
        variables[name] = value_of(value)
    return variables


def _variables_in(path: str) -> dict[str, Any]:
    from stackcomp.files.read_json import read_json

    variables = read_json(path, "variables")
    if "nodes" in variables and "stackcomp" in variables:
        raise RequestError(
            Problem(
                "variables-form", "--variables: the file is a graph", 'it holds {"name": value, …}', place=path
            )
        )
    return variables


def value_of(text: str) -> Any:
    """A number, true, false, list, object or quoted text where the text is such JSON; else the text itself."""
    try:
        value = json.loads(text, parse_constant=_refuse, parse_float=_finite)
    except (ValueError, RecursionError):
        return text
    return text if value is None else value


def _refuse(word: str) -> Any:
    raise ValueError(word)


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(text)
    return number


def frames_of(text: str | None, option: str = "--frames") -> list[int] | None:
    """Frame numbers of a range; None where none is given.

    Raises:
        RequestError: not a range of frames.
    """
    from stackcomp.data.frames import parse_frames

    try:
        return None if text is None else parse_frames(text)
    except BadValueError as error:
        raise RequestError(Problem("frames", f"{option}: {error.message}", error.way_out)) from None


def scale_of(text: str) -> float:
    """A scale above 0 and at most 1.

    Raises:
        RequestError: anything else.
    """
    try:
        scale = float(text)
    except ValueError:
        scale = math.nan
    if 0 < scale <= 1:
        return scale
    meant = _meant_scale(text)
    number = "a number " if math.isnan(scale) else ""
    near = f"did you mean {meant:g}? " if meant is not None else ""
    raise RequestError(
        Problem(
            "scale",
            f'--scale: "{text}" is not {number}above 0 and at most 1',
            f"{near}1 is full size, 0.5 is half",
        )
    )


def _meant_scale(text: str) -> float | None:
    """The scale that a percentage, a fraction or a number with a decimal comma may mean."""
    number = r"(\d+(?:\.\d+)?)"
    plain = text.strip().replace(",", ".")
    if percent := re.fullmatch(number + r"\s*%", plain):
        scale = float(percent[1]) / 100
    elif fraction := re.fullmatch(number + r"\s*[/:]\s*" + number, plain):
        scale = float(fraction[1]) / float(fraction[2]) if float(fraction[2]) else 0
    elif re.fullmatch(number, plain):
        scale = float(plain) / 100 if float(plain) >= 5 else float(plain)
    else:
        return None
    return scale if 0 < scale <= 1 else None


def window_of(text: str | None) -> Window | None:
    """A window of ``x,y,w,h``: its corner, and its size in pixels at full size; None where none is given.

    Raises:
        RequestError: not four whole numbers, or no pixels.
    """
    from stackcomp.data.window import Window

    if text is None:
        return None
    try:
        x, y, width, height = (int(part) for part in text.split(","))
    except ValueError:
        raise RequestError(
            Problem(
                "window",
                f'--window: "{text}" is not x,y,w,h',
                "give four whole numbers, as in --window 640,360,320,180",
            )
        ) from None
    if width < 1 or height < 1:
        raise RequestError(
            Problem("window", f"--window: {width}×{height} has no pixels", "width and height are 1 or more")
        )
    return Window.of_size(width, height).shift(x, y)


def count(number: int, word: str) -> str:
    """``1 node``, ``2 nodes``."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"
