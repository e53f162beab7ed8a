"""Where to measure: a rectangle or a polygon in a picture.

Coordinates are pixels of the frame: x to the right, y down, (0, 0) the top-left corner of the display window's
pixel (0, 0). A pixel belongs to a polygon when its centre lies inside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.errors import Problem, RequestError

__all__ = ["Area", "AreaError", "parse_polygon", "parse_rectangle", "whole"]


class AreaError(RequestError):
    """An area that cannot be measured."""

    def __init__(self, message: str, way_out: str) -> None:
        super().__init__(Problem("area", message, way_out))


@dataclass(frozen=True)
class Area:
    """A polygon of at least three corners (x, y), and the words in which it was given."""

    corners: tuple[tuple[float, float], ...]
    text: str

    @property
    def bounds(self) -> Window:
        """The smallest window of whole pixels around it."""
        xs, ys = zip(*self.corners, strict=True)
        return Window(int(np.floor(min(xs))), int(np.floor(min(ys))), int(np.ceil(max(xs))), int(np.ceil(max(ys))))

    def mask(self, window: Window) -> npt.NDArray[np.bool_]:
        """Which pixels of a window have their centre inside; even-odd rule."""
        y, x = np.mgrid[window.y0 : window.y1, window.x0 : window.x1] + 0.5
        inside = np.zeros(window.shape, bool)
        for (ax, ay), (bx, by) in zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True):
            if ay == by:
                continue
            crosses = (y >= min(ay, by)) & (y < max(ay, by))
            inside ^= crosses & (x < ax + (y - ay) * (bx - ax) / (by - ay))
        return inside

    def pixels(self, image: Image) -> npt.NDArray[np.float32]:
        """Values inside the area, one row a pixel and one column a channel.

        Raises:
            AreaError: it leaves the picture, or holds no pixel.
        """
        bounds = self.bounds
        if bounds.empty:
            raise AreaError(f"the area {self.text} holds no pixel's centre", "make it larger")
        if bounds not in image.window:
            raise AreaError(
                f"the area {self.text} leaves the picture, which is {image.window}",
                "give an area inside of it, in pixels from the frame's top-left corner",
            )
        chosen = self.mask(bounds)
        if not chosen.any():
            raise AreaError(f"the area {self.text} holds no pixel's centre", "make it larger")
        part = image.over(bounds)
        return np.stack([plane[chosen] for plane in part.planes.values()], axis=-1)


def _numbers(text: str) -> list[float]:
    try:
        numbers = [float(part) for part in text.replace(";", ",").split(",")]
    except ValueError:
        numbers = []
    return numbers if all(np.isfinite(numbers)) else []


def parse_rectangle(text: str) -> Area:
    """From ``x,y,w,h``.

    Raises:
        AreaError: not four numbers, or a side that is not above 0.
    """
    numbers = _numbers(text)
    if len(numbers) != 4:
        raise AreaError(f'"{text}" is not an area', "write x,y,w,h: the left top corner, then width and height")
    x, y, width, height = numbers
    if width <= 0 or height <= 0:
        raise AreaError(f'the area "{text}" has no size', "width and height, the last two numbers, are above 0")
    return Area(((x, y), (x + width, y), (x + width, y + height), (x, y + height)), text)


def parse_polygon(text: str) -> Area:
    """From ``x,y,x,y,x,y …`` (semicolons may stand between points).

    Raises:
        AreaError: not pairs of numbers, or fewer than three corners.
    """
    numbers = _numbers(text)
    if len(numbers) < 6 or len(numbers) % 2:
        raise AreaError(f'"{text}" is not a polygon', "write x,y;x,y;x,y … with three corners or more")
    return Area(polygon(list(zip(numbers[::2], numbers[1::2], strict=True))), text)


def whole(image: Image) -> Area:
    """All of a picture: its data window."""
    window = image.window
    return parse_rectangle(f"{window.x0},{window.y0},{window.width},{window.height}")


def polygon(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Corners as they are kept."""
    return tuple((float(x), float(y)) for x, y in points)
