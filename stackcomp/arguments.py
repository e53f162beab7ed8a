"""What callers from Python hand in, looked at once, so that a slip ends in words and not deep inside.

A window is a `Window`, or x, y, width and height as on the command line: (x, y) the top-left corner.
"""

from __future__ import annotations

import operator
from collections.abc import Collection, Mapping
from typing import Any

from stackcomp.errors import GraphError, Problem
from stackcomp.image import Image
from stackcomp.window import Window

__all__ = ["WindowLike", "frame_number", "frame_numbers", "names", "pictures", "scale_factor", "window"]

WindowLike = Window | tuple[int, int, int, int]


def _wrong(what: str, message: str, way_out: str) -> GraphError:
    return GraphError(Problem("argument", f"{what}: {message}", way_out))


def frame_number(frame: Any) -> int:
    """A frame number. Raises GraphError for anything that is not a whole number."""
    try:
        if isinstance(frame, bool):
            raise TypeError
        return operator.index(frame)
    except TypeError:
        raise _wrong("frame", f"{frame!r} is no frame number", "give a whole number, such as 1001") from None


def frame_numbers(frames: Any) -> tuple[int, ...]:
    """Frame numbers, each once, in the order given. Raises GraphError for anything else."""
    if isinstance(frames, str | bytes) or not isinstance(frames, Collection):
        raise _wrong("frames", f"{frames!r} is no list of frames", "give a list, such as [1001, 1002] or range(…)")
    return tuple(dict.fromkeys(frame_number(frame) for frame in frames))


def names(nodes: Any) -> tuple[str, ...]:
    """Names of nodes, each once. Raises GraphError for a single text or anything else."""
    if isinstance(nodes, str) or not isinstance(nodes, Collection):
        raise _wrong("nodes", f"{nodes!r} is no list of names", 'give a list, such as ["final"]')
    return tuple(dict.fromkeys(str(name) for name in nodes))


def scale_factor(scale: Any) -> float:
    """A scale above 0 and at most 1. Raises GraphError for anything else."""
    if isinstance(scale, bool) or not isinstance(scale, int | float) or not 0 < scale <= 1:
        raise _wrong("scale", f"{scale!r} is not above 0 and at most 1", "1 is full size, 0.5 is half")
    return float(scale)


def window(asked: Any) -> Window | None:
    """A window, or None for everything. Raises GraphError for anything but a `Window` or four whole numbers."""
    if asked is None or (isinstance(asked, Window) and not asked.empty):
        return asked
    if isinstance(asked, Window):
        asked = (asked.x0, asked.y0, asked.width, asked.height)
    try:
        x, y, width, height = (operator.index(number) for number in asked)
    except (TypeError, ValueError):
        raise _wrong("window", f"{asked!r} is no window", "give a Window, or x, y, width and height") from None
    if width < 1 or height < 1:
        raise _wrong("window", f"{width} by {height} pixels are none", "width and height are 1 or more")
    return Window.of_size(width, height).shift(x, y)


def pictures(replace: Any) -> dict[str, Image]:
    """Pictures by node. Raises GraphError for values that are no `Image`."""
    if replace is None:
        return {}
    if not isinstance(replace, Mapping):
        raise _wrong("replace", f"{type(replace).__name__} is no mapping", 'give {"node": image}')
    for name, image in replace.items():
        if not isinstance(image, Image):
            raise _wrong(
                "replace", f'"{name}" is {type(image).__name__}, not an Image', "make one with Image.from_array"
            )
    return dict(replace)
