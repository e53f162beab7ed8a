"""Arguments of the public functions, checked once, before anything is computed.

A window is a `Window`, or x, y, width and height as on the command line, as four numbers or as ``"x,y,w,h"``:
(x, y) is the top-left corner.

Everything here raises `ArgumentError` for what makes no sense.
"""

from __future__ import annotations

import math
import operator
import os
from collections.abc import Collection, Mapping
from numbers import Real
from pathlib import Path
from typing import Any

import numpy as np

from stackcomp.data.port_types import Encoding
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError, cut

__all__ = [
    "EncodingLike",
    "PathLike",
    "VariablesLike",
    "WindowLike",
    "callback",
    "file_path",
    "frame_number",
    "frame_numbers",
    "listed_members",
    "names",
    "node_name",
    "real_number",
    "scale_factor",
    "some_window",
    "stops",
    "text",
    "value_text",
    "window",
]

WindowLike = Window | tuple[int, int, int, int] | str
EncodingLike = Encoding | str
PathLike = str | os.PathLike[str]
VariablesLike = Mapping[str, Any] | PathLike | list[Mapping[str, Any] | PathLike]


def value_text(value: Any) -> str:
    """A value in a message, cut where it is long."""
    return f"a numpy array of shape {value.shape}" if isinstance(value, np.ndarray) else cut(repr(value), 80)


def frame_number(frame: Any) -> int:
    """A frame number: a whole number."""
    try:
        if isinstance(frame, bool):
            raise TypeError
        return operator.index(frame)
    except TypeError:
        raise ArgumentError(
            "frame", f"{value_text(frame)} is not a frame number", "give a whole number, such as 1001"
        ) from None


def listed_members(value: Any) -> list[Any] | None:
    """The members of a list or of what is as good as one; None for all else."""
    if isinstance(value, str | bytes | Mapping) or not isinstance(value, Collection):
        return None
    # An array without axes has a length, and nothing in it.
    return None if isinstance(value, np.ndarray) and value.ndim == 0 else list(value)


def frame_numbers(frames: Any) -> tuple[int, ...]:
    """Frame numbers, each once, in the order given."""
    if (listed := listed_members(frames)) is None:
        raise ArgumentError(
            "frames",
            f"{value_text(frames)} is not a list of frames",
            "give a list, such as [1001, 1002] or range(…)",
        )
    return tuple(dict.fromkeys(frame_number(frame) for frame in listed))


def node_name(name: Any) -> str:
    """The name of a node."""
    if not isinstance(name, str):
        raise ArgumentError(
            "node", f"{value_text(name)} is not the name of a node", 'give its name, such as "final"'
        )
    return str(name)


def names(nodes: Any) -> tuple[str, ...]:
    """Names of nodes, each once."""
    if (listed := listed_members(nodes)) is None:
        raise ArgumentError(
            "nodes", f"{value_text(nodes)} is not a list of names", 'give a list, such as ["final"]'
        )
    return tuple(dict.fromkeys(node_name(name) for name in listed))


def real_number(value: Any) -> float:
    """A number as a float; NaN for what is not a number, or is beyond floats."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan


def scale_factor(scale: Any) -> float:
    """A scale above 0 and at most 1."""
    if not 0 < real_number(scale) <= 1:
        raise ArgumentError(
            "scale", f"{value_text(scale)} is not above 0 and at most 1", "1 is full size, 0.5 is half"
        )
    return float(scale)


def stops(what: str, number: Any) -> float:
    """An exposure of some stops."""
    if not -30 <= real_number(number) <= 30:
        raise ArgumentError(
            what, f"{value_text(number)} is not a number of stops from -30 to 30", "1 is twice as bright"
        )
    return float(number)


def window(asked: Any) -> Window | None:
    """A window, or None for everything."""
    return None if asked is None else some_window(asked)


def some_window(asked: Any, what: str = "window") -> Window:
    """A window that holds pixels."""
    if isinstance(asked, Window) and not asked.empty:
        return asked
    if isinstance(asked, Window):
        asked = (asked.x0, asked.y0, asked.width, asked.height)
    try:
        if isinstance(asked, bytes | Mapping | set | frozenset):
            raise TypeError
        parts = [int(part) for part in asked.split(",")] if isinstance(asked, str) else asked
        x, y, width, height = (operator.index(number) for number in parts)
    except (TypeError, ValueError):
        raise ArgumentError(
            what, f"{value_text(asked)} is not a window", 'give a Window, or x, y, width and height, or "x,y,w,h"'
        ) from None
    if width < 1 or height < 1:
        raise ArgumentError(what, f"{width}×{height} is an empty window", "width and height are 1 or more")
    return Window.of_size(width, height).shift(x, y)


def file_path(path: Any, what: str = "path") -> Path:
    """The path of a file or folder."""
    text_path = os.fspath(path) if isinstance(path, os.PathLike) else path
    if not isinstance(text_path, str):
        raise ArgumentError(what, f"{value_text(path)} is not a path", "give a text or a pathlib.Path")
    if not text_path or "\0" in text_path:
        raise ArgumentError(what, f"{text_path!r} cannot be a path", "give the name of a file or folder")
    return Path(text_path)


def text(value: Any, what: str) -> str:
    """A text."""
    if not isinstance(value, str):
        raise ArgumentError(what, f"{value_text(value)} is not a text", "give a str")
    return value


def callback(value: Any, what: str) -> Any:
    """A function, or None."""
    if value is not None and not callable(value):
        raise ArgumentError(
            what, f"{value_text(value)} is not a function", "give something that can be called, or None"
        )
    return value
