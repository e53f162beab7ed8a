"""Warp pictures through an s,t picture: each target pixel shows the place that its s and t name.

How large a target pixel is in the source follows from its neighbours' places: along each axis from the nearer of
the two, since the other one may belong to something else, at a silhouette. Where the two lie in opposite
directions, neither belongs to the pixel (or the map turns round there, and is not smaller): it is taken for one
pixel of the source.

A place that lies beside the centre of a pixel by no more than the rounding of float32 s and t is that centre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.nearest import nearest_planes
from stackcomp.kernels.warp_tiles import by_places

__all__ = ["Looks", "warp_by_coordinates"]

#: The distance of float32 numbers just below 1.
_ROUNDING = 2.0**-24


@dataclass(frozen=True, eq=False)
class Looks:
    """Where each pixel of a window looks.

    Attributes:
        s: float32 of ``window.shape``, 0 to 1 across the frame of the source.
        t: likewise, down or up.
        cover: float32 of the same shape; s and t of pixels where it is 0 or less mean nothing. None for all.
        window: of s and t; beyond it nothing is known.
        frame: left, top, width and height of the source's frame, in pixels at the scale of the render.
        upward: whether t is 0 at the bottom.
    """

    s: Array
    t: Array
    cover: Array | None
    window: Window
    frame: tuple[float, float, float, float]
    upward: bool

    def places(self, tile: Window) -> tuple[Array, Array]:
        """Places of a tile's pixels in the source, and how they change.

        Returns:
            As `stackcomp.kernels.cubic_filter.filtered` takes them, in pixels of the source.
        """
        around = tile.grow(1)
        at, steps = np.empty((2, *tile.shape)), np.empty((4, *tile.shape), np.float32)
        cover = self.s if self.cover is None else self.cover
        known = np.empty((2, *around.shape))
        corner = around.y0 - self.window.y0, around.x0 - self.window.x0
        _place(self.s, self.t, cover, self.cover is not None, corner, self.frame, self.upward, known)
        _differences(known, at, steps)
        return at, steps


def warp_by_coordinates(
    planes: Sequence[Array], source_window: Window, looks: Looks, target_window: Window, *, nearest: bool = False
) -> list[Array]:
    """Warp planes that belong together.

    Args:
        planes: float32, each of ``source_window.shape``; with ``nearest`` of any type of 4 bytes.
        source_window: the window of the planes.
        looks: where pixels look.
        target_window: the pixels to compute.
        nearest: take the one pixel in which the place lies instead of a mean.

    Returns:
        The planes over the target window; nothing (0) where s or t is not finite, or leads beyond the source.

    Raises:
        ValueError: a plane of another shape.
    """
    for plane in (looks.s, looks.t, *([] if looks.cover is None else [looks.cover])):
        if plane.shape != looks.window.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {looks.window.shape}")
    cover = None if looks.cover is None else plane_of(looks.cover)
    looks = Looks(plane_of(looks.s), plane_of(looks.t), cover, looks.window, looks.frame, looks.upward)
    warp = nearest_planes if nearest else by_places
    return warp(planes, source_window, target_window, looks.places)


@compiled
def _place(
    s: Array,
    t: Array,
    cover: Array,
    covered: bool,
    corner: tuple[int, int],
    frame: tuple[float, float, float, float],
    upward: bool,
    known: Array,
) -> None:
    """Fill places from a row and a column of s and t on; NaN where nothing is known."""
    left, top, width, height = frame
    near_x, near_y = width * _ROUNDING, height * _ROUNDING
    # 1 - t, or t.
    begin, sense = (1.0, -1.0) if upward else (0.0, 1.0)
    first, last = max(0, -corner[1]), min(known.shape[2], s.shape[1] - corner[1])
    for row in range(known.shape[1]):
        y = row + corner[0]
        if y < 0 or y >= s.shape[0] or last <= first:
            known[:, row] = np.nan
            continue
        known[:, row, :first] = np.nan
        known[:, row, last:] = np.nan
        own_s, own_t = s[y, first + corner[1] : last + corner[1]], t[y, first + corner[1] : last + corner[1]]
        x_row, y_row = known[0, row, first:last], known[1, row, first:last]
        for k in range(own_s.size):
            right = np.float64(own_s[k]) * width
            middle = np.floor(right) + 0.5
            x_row[k] = left + (middle if abs(right - middle) <= near_x else right)
        for k in range(own_t.size):
            down = (begin + sense * np.float64(own_t[k])) * height
            middle = np.floor(down) + 0.5
            y_row[k] = top + (middle if abs(down - middle) <= near_y else down)
        # Both are known or none is: infinity less itself is NaN.
        for k in range(x_row.size):
            nothing = (x_row[k] - x_row[k]) + (y_row[k] - y_row[k])
            x_row[k] += nothing
            y_row[k] += nothing
        if covered:
            own = cover[y, first + corner[1] : last + corner[1]]
            for k in range(own.size):
                x_row[k] = x_row[k] if own[k] > 0 else np.nan
                y_row[k] = y_row[k] if own[k] > 0 else np.nan


@compiled
def _differences(known: Array, places: Array, steps: Array) -> None:
    width = places.shape[2]
    for row in range(places.shape[1]):
        x, y = known[0, row + 1, 1 : width + 1], known[1, row + 1, 1 : width + 1]
        # One by one: copying rows to rows would compile numba's messages about shapes, for two seconds.
        place_x, place_y = places[0, row], places[1, row]
        for k in range(width):
            place_x[k] = x[k]
            place_y[k] = y[k]
        for axis in range(2):
            down, right = axis, 1 - axis
            after_x = known[0, row + 1 + down, 1 + right : 1 + right + width]
            after_y = known[1, row + 1 + down, 1 + right : 1 + right + width]
            before_x = known[0, row + 1 - down, 1 - right : 1 - right + width]
            before_y = known[1, row + 1 - down, 1 - right : 1 - right + width]
            step_x, step_y = steps[2 * axis, row], steps[2 * axis + 1, row]
            own_x, own_y = np.float32(right), np.float32(down)
            for k in range(width):
                # Differences are small, and fill twice as many lanes as places do.
                next_x, next_y = np.float32(after_x[k] - x[k]), np.float32(after_y[k] - y[k])
                last_x, last_y = np.float32(x[k] - before_x[k]), np.float32(y[k] - before_y[k])
                next_far, last_far = next_x * next_x + next_y * next_y, last_x * last_x + last_y * last_y
                apart = next_x * last_x + next_y * last_y <= 0
                # Comparisons with NaN are false: of a neighbour that is not known, the other one is taken.
                other = (last_far < next_far) | (next_far != next_far)
                far = last_far if other else next_far
                alone = apart | (far != far)
                one_x, one_y = last_x if other else next_x, last_y if other else next_y
                step_x[k] = own_x if alone else one_x
                step_y[k] = own_y if alone else one_y
