"""Where to measure: a rectangle or a polygon in a picture.

Coordinates are pixels of the frame: x to the right, y down, (0, 0) the top-left corner of the display window's
pixel (0, 0). A pixel belongs to a polygon when its centre lies inside.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from numbers import Real

import numpy as np
import numpy.typing as npt

from stackcomp.data.arguments import listed_members, value_text
from stackcomp.data.arguments import text as _text
from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.errors import ArgumentError, Problem, RequestError

__all__ = ["Area", "AreaError", "parse_polygon", "parse_rectangle", "whole"]


class AreaError(RequestError):
    """An area that cannot be measured.

    Args:
        what: what is wrong, with the value seen; or the problems themselves.
        way_out: what to do.
    """

    def __init__(self, what: str | Problem | Iterable[Problem], way_out: str = "") -> None:
        super().__init__(Problem("area", what, way_out) if isinstance(what, str) else what)


@dataclass(frozen=True)
class Area:
    """A polygon in a picture.

    Args:
        corners: three or more points (x, y), in pixels of the frame.
        text: the polygon in words, for messages and records.

    Raises:
        AreaError: fewer than three corners, or corners that are not pairs of finite numbers.
    """

    corners: tuple[tuple[float, float], ...]
    text: str

    def __post_init__(self) -> None:
        points = listed_members(self.corners)
        if points is None or len(points) < 3 or not all(map(_is_point, points)):
            raise AreaError(
                f"{value_text(self.corners)} are not the corners of an area", "give three points (x, y) or more"
            )
        object.__setattr__(self, "corners", polygon(points))
        _text(self.text, "text")

    @property
    def bounds(self) -> Window:
        """The smallest window of whole pixels that holds the area."""
        xs, ys = zip(*self.corners, strict=True)
        return Window(int(np.floor(min(xs))), int(np.floor(min(ys))), int(np.ceil(max(xs))), int(np.ceil(max(ys))))

    def mask(self, window: Window) -> npt.NDArray[np.bool_]:
        """Which pixels of a window belong to the area.

        Args:
            window: any window, in pixels of the frame.

        Returns:
            A mask of ``window.shape``: True where the pixel's centre lies inside, by the even-odd rule.
        """
        y, x = np.mgrid[window.y0 : window.y1, window.x0 : window.x1] + 0.5
        inside = np.zeros(window.shape, bool)
        for (ax, ay), (bx, by) in zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True):
            if ay == by:
                continue
            crosses = (y >= min(ay, by)) & (y < max(ay, by))
            inside ^= crosses & (x < ax + (y - ay) * (bx - ax) / (by - ay))
        return inside

    def refuse_outside(self, image: Image) -> None:
        """Refuse an area that is not inside of a picture.

        Raises:
            AreaError: the area leaves the picture's data window, or is empty.
        """
        bounds = self.bounds
        if bounds.empty:
            raise AreaError(f"the area {self.text} holds no pixel's centre", "make it larger")
        if bounds not in image.window:
            raise AreaError(
                f"the area {self.text} leaves the picture, which is {image.window}",
                "give an area inside of it, in pixels from the frame's top-left corner",
            )

    def pixels(self, image: Image) -> npt.NDArray[np.float32]:
        """Values inside the area.

        Args:
            image: a picture with one channel or more.

        Returns:
            ``(pixels, channels)``: one row for each pixel, one column for each channel.

        Raises:
            AreaError: the area leaves the picture's data window, or holds no pixel's centre.
        """
        self.refuse_outside(image)
        bounds = self.bounds
        chosen = self.mask(bounds)
        if not chosen.any():
            raise AreaError(f"the area {self.text} holds no pixel's centre", "make it larger")
        part = image.over(bounds)
        return np.stack([plane[chosen] for plane in part.planes.values()], axis=-1)


def _is_point(point: object) -> bool:
    pair = listed_members(point)
    return (
        pair is not None
        and len(pair) == 2
        and all(isinstance(n, Real) and not isinstance(n, bool) and np.isfinite(float(n)) for n in pair)
    )


def _numbers(given: str) -> list[float]:
    """The numbers of a text; none where it is anything but finite numbers."""
    try:
        numbers = [float(part) for part in _text(given, "area").replace(";", ",").split(",")]
    except ValueError:
        numbers = []
    return numbers if all(np.isfinite(numbers)) else []


def parse_rectangle(text: str) -> Area:
    """A rectangle from text.

    Args:
        text: ``"x,y,w,h"``: the top-left corner, then width and height, in pixels.

    Raises:
        AreaError: not four numbers, or a width or height of 0 or less.
    """
    numbers = _numbers(text)
    if len(numbers) != 4:
        raise AreaError(f'"{text}" is not an area', "write x,y,w,h: the top-left corner, then width and height")
    x, y, width, height = numbers
    if width <= 0 or height <= 0:
        raise AreaError(f'the area "{text}" has no size', "width and height, the last two numbers, are above 0")
    return Area(((x, y), (x + width, y), (x + width, y + height), (x, y + height)), text)


def parse_polygon(text: str) -> Area:
    """A polygon from text.

    Args:
        text: ``"x,y;x,y;x,y …"``: three or more corners, in pixels. Commas may stand for the semicolons.

    Raises:
        AreaError: not pairs of numbers, or fewer than three corners.
    """
    numbers = _numbers(text)
    if len(numbers) < 6 or len(numbers) % 2:
        raise AreaError(f'"{text}" is not a polygon', "write x,y;x,y;x,y … with three corners or more")
    return Area(polygon(list(zip(numbers[::2], numbers[1::2], strict=True))), text)


def whole(image: Image) -> Area:
    """The whole data window of a picture.

    Args:
        image: any picture.

    Raises:
        AreaError: the data window is empty.
        ArgumentError: not an `Image`.
    """
    if not isinstance(image, Image):
        raise ArgumentError("image", f"{value_text(image)} is not an Image", "give the light of open_measured")
    window = image.window
    if window.empty:
        raise AreaError("the picture has no pixels: its data window is empty", "name another file or frame")
    return parse_rectangle(f"{window.x0},{window.y0},{window.width},{window.height}")


def polygon(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Corners in the form in which an `Area` holds them."""
    return tuple((float(x), float(y)) for x, y in points)
