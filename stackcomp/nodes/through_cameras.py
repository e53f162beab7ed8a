"""Pixels of a still, seen again by another camera: through a plane of the world, or through the depth of the set.

Cameras see full-size pictures. In a preview a place is that of the full size times the scale, whatever its number
of pixels was rounded to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.port_types import Depth
from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.homography import at_scale, matrix
from stackcomp.kernels.pinhole import Camera
from stackcomp.kernels.strips import over_strips

__all__ = ["View", "meeting", "places_by_depth", "plane_between"]

_Triple = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class View:
    """A camera and the picture that it sees.

    Attributes:
        camera: the camera.
        display: display window of the picture at full size.
        scale: of the render.
    """

    camera: Camera
    display: Window
    scale: float

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in pixels at the scale."""
        return self.display.width * self.scale, self.display.height * self.scale

    @property
    def origin(self) -> tuple[float, float]:
        """Top left of the display window at the scale."""
        return self.display.x0 * self.scale, self.display.y0 * self.scale

    def pixels(self, window: Window) -> Array:
        """Centres of the pixels of a window as the camera counts them, ``(height, width, 2)``."""
        x = np.arange(window.x0, window.x1) + 0.5 - self.origin[0]
        y = np.arange(window.y0, window.y1) + 0.5 - self.origin[1]
        return np.stack(np.meshgrid(x, y), axis=-1)

    def along_axis(self, depth: Image, pixels: Array, metres: Array) -> Array:
        """Depth along the optical axis."""
        assert isinstance(depth.type, Depth)
        if depth.type.along == "axis":
            return metres
        along: Array = metres / np.linalg.norm(self.camera.rays(pixels, *self.size), axis=-1)
        return along


def plane_between(still: View, now: View, point: _Triple, normal: _Triple) -> Array:
    """The homography from pixels of the still to those of the frame, for what lies on a plane, at the scale.

    Its third coordinate is positive for pixels of the still that both cameras see on the plane.

    Raises:
        BadValueError: a camera stands in the plane.
    """
    frame, picture = now.display, still.display
    sizes = (picture.width, picture.height), (frame.width, frame.height)
    through = still.camera.plane_homography(now.camera, point, normal, *sizes)
    full = _moved(frame.x0, frame.y0) @ through @ _moved(-picture.x0, -picture.y0)
    return matrix(at_scale(full.ravel().tolist(), still.scale))


def meeting(planes: Sequence[Array], window: Window, still: View, point: _Triple, normal: _Triple) -> list[Array]:
    """The planes of a still, with nothing in pixels whose rays do not meet a plane before its camera."""
    a, b, c = still.camera.plane_seen(point, normal, still.size)
    pixels = still.pixels(window)
    meets = a * pixels[..., 0] + b * pixels[..., 1] + c > 0
    return list(planes) if meets.all() else [np.where(meets, plane, np.float32(0)) for plane in planes]


def places_by_depth(
    still: View, now: View, depth: Image, still_depth: Image | None, tolerance: float, wanted: Window
) -> Array:
    """Where in the still each pixel of a window and one more around it is seen.

    Args:
        still: the still's camera and picture.
        now: those of the frame.
        depth: of the set in the frame.
        still_depth: what the still's camera saw; None to take everything for seen.
        tolerance: in metres, how far a point may lie behind that.
        wanted: the window.

    Returns:
        float64 ``(2, height + 2, width + 2)``: x and y in pixels of the still; NaN where it is not seen.
    """
    around = wanted.grow(1)
    depth = depth.over(around)
    result = np.empty((2, *around.shape))

    def look(first: int, last: int) -> None:
        # A few rows at a time, since a point of the world takes much more room than a pixel.
        for row in range(first, last, 16):
            part = Window(around.x0, around.y0 + row, around.x1, around.y0 + min(row + 16, last))
            pixels = now.pixels(part)
            metres = now.along_axis(depth, pixels, depth["Z"][part.slices_in(around)])
            points = now.camera.unproject(pixels, metres, *now.size).reshape(-1, 3)
            seen, distance = still.camera.project(points, *still.size)
            seen += still.origin
            if still_depth is not None:
                seen[_hidden(seen, distance, inverse, still_depth.window, tolerance)] = np.nan
            result[:, part.slices_in(around)[0]] = seen.T.reshape(2, *part.shape)

    inverse = np.zeros((0, 0)) if still_depth is None else _inverse_depth(still_depth, still)
    over_strips(look, around.height)
    return result


def _inverse_depth(depth: Image, still: View) -> Array:
    """1 / depth along the axis in the still, with one pixel of nothing around it; 0 where there is nothing."""
    metres = still.along_axis(depth, still.pixels(depth.window), depth["Z"].astype(np.float64))
    there = np.isfinite(metres) & (metres > 0)
    return np.pad(np.divide(1, metres, out=np.zeros_like(metres), where=there), 1)


def _hidden(seen: Array, distance: Array, inverse: Array, window: Window, tolerance: float) -> Array:
    """Whether something nearer stood before points when the still was taken.

    1 / depth is interpolated between the four pixels around a place: on any plane it is linear in the picture, so
    that one tolerance holds on grazing surfaces too. Beside something nearer the result is nearer than the
    surface, so that none of its colour comes along.
    """
    known = np.isfinite(seen).all(axis=1)
    hidden = np.zeros(len(seen), bool)
    # In pixels of the padded plane; beyond it all is nothing.
    x = np.clip(seen[known, 0] - window.x0 + 0.5, 0, window.width + 1 - 1e-9)
    y = np.clip(seen[known, 1] - window.y0 + 0.5, 0, window.height + 1 - 1e-9)
    column, row = x.astype(np.int64), y.astype(np.int64)
    right, below = x - column, y - row
    upper = inverse[row, column] * (1 - right) + inverse[row, column + 1] * right
    lower = inverse[row + 1, column] * (1 - right) + inverse[row + 1, column + 1] * right
    between = upper * (1 - below) + lower * below
    hidden[known] = (distance[known] - tolerance) * between > 1
    return hidden


def _moved(x: float, y: float) -> Array:
    return np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], np.float64)
