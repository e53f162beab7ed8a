"""Warp pictures through any map from target pixels to places in the source; see `stackcomp.kernels.warp`."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.warp_tiles import in_tiles, prepared, put_planes, tiles_of
from stackcomp.kernels.warp_windows import reach_of

__all__ = ["warp_through"]


def warp_through(
    planes: Sequence[Array], source_window: Window, places: Array, target_window: Window
) -> list[Array]:
    """Warp planes so that each target pixel shows a place of its own.

    How large a target pixel is in the source follows from its neighbours' places. At an edge of the map, where
    places on one side lie far away or are not known, the other side tells.

    Args:
        planes: float32, each of ``source_window.shape``.
        source_window: the window of the planes.
        places: float64 ``(2, height + 2, width + 2)``: where to look, x and y in pixels with centres at half
            pixels, for the target window and one pixel around it; NaN where nothing is to be seen.
        target_window: the pixels to compute.

    Returns:
        The planes over the target window, float32.

    Raises:
        ValueError: a plane of another shape, or places of another shape.
    """
    source, results = prepared(planes, source_window, target_window)
    if places.shape != (2, target_window.height + 2, target_window.width + 2):
        raise ValueError(f"places are {places.shape}, but the target window is {target_window.shape}")
    if target_window.empty or source_window.empty:
        return results
    around = target_window.grow(1)

    def lay_out(tile: Window, part: Window, at: Array, steps: Array) -> None:
        own = np.ascontiguousarray(places[:, *tile.grow(1).slices_in(around)])
        _differences(own, np.array([part.x0, part.y0], np.float64), at, steps)

    tiles = list(tiles_of(target_window))
    parts = [_part_seen(places[:, *tile.grow(1).slices_in(around)], source_window) for tile in tiles]

    def put(tile: Window, warped: Sequence[Array]) -> None:
        put_planes(tile, warped, results, target_window)

    in_tiles(source, source_window, tiles, parts, lay_out, put)
    return results


def _part_seen(places: Array, source_window: Window) -> Window:
    """The part of the source that places see, with the reach of the widest filter that they can have."""
    x, y = places
    seen = np.isfinite(x) & np.isfinite(y)
    nothing = Window(source_window.x0, source_window.y0, source_window.x0, source_window.y0)
    if not seen.any():
        return nothing
    steps = [np.abs(np.diff(places, axis=axis)) for axis in (1, 2)]
    largest = max((float(np.nanmax(step, initial=0)) for step in steps), default=0.0)
    reach = reach_of(largest, largest) if largest > 0.5 else 4.0
    low_x, high_x = np.clip([x[seen].min() - reach, x[seen].max() + reach], source_window.x0, source_window.x1)
    low_y, high_y = np.clip([y[seen].min() - reach, y[seen].max() + reach], source_window.y0, source_window.y1)
    return source_window & Window(math.floor(low_x), math.floor(low_y), math.ceil(high_x), math.ceil(high_y))


@compiled
def _differences(around: Array, origin: Array, places: Array, steps: Array) -> None:
    """Places of a tile within its part of the source, and the smaller difference to neighbours on each axis."""
    for row in range(places.shape[1]):
        for column in range(places.shape[2]):
            x, y = around[0, row + 1, column + 1], around[1, row + 1, column + 1]
            places[0, row, column], places[1, row, column] = x - origin[0], y - origin[1]
            for axis in range(2):
                down, right = axis, 1 - axis
                next_x = around[0, row + 1 + down, column + 1 + right] - x
                next_y = around[1, row + 1 + down, column + 1 + right] - y
                last_x = x - around[0, row + 1 - down, column + 1 - right]
                last_y = y - around[1, row + 1 - down, column + 1 - right]
                next_far, last_far = next_x * next_x + next_y * next_y, last_x * last_x + last_y * last_y
                # A place that is not known is no neighbour; without any, the pixel is taken for one of the source.
                if last_far < next_far or not np.isfinite(next_far):
                    next_x, next_y, next_far = last_x, last_y, last_far
                if not np.isfinite(next_far):
                    next_x, next_y = float(right), float(down)
                steps[2 * axis, row, column], steps[2 * axis + 1, row, column] = next_x, next_y
