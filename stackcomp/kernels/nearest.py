"""Warps planes whose values cannot be averaged: each target pixel takes the one pixel in which its place lies."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.strips import over_strips
from stackcomp.kernels.warp_tiles import tiles_of

__all__ = ["nearest_planes"]


def nearest_planes(
    planes: Sequence[Array],
    source_window: Window,
    target_window: Window,
    places_of: Callable[[Window], tuple[Array, Array]],
) -> list[Array]:
    """Return planes of single values of others.

    Args:
        planes: of a type of 4 bytes, each of ``source_window.shape``; bits stay as they are.
        source_window: the window of the planes.
        target_window: the pixels to compute.
        places_of: for a tile, places of its pixels in the source, float64 ``(2, height, width)``, and steps, which
            are not used; it is called in several threads.

    Returns:
        The planes over the target window; 0 where a place is NaN or beyond the source.

    Raises:
        ValueError: a plane of another shape.
    """
    for plane in planes:
        if plane.shape != source_window.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {source_window.shape}")
    bits = [np.ascontiguousarray(plane).view(np.uint32) for plane in planes]
    results = [np.zeros(target_window.shape, np.uint32) for _ in planes]
    tiles = list(tiles_of(target_window))

    def compute(first: int, last: int) -> None:
        for tile in tiles[first:last]:
            places, _ = places_of(tile)
            corner = (tile.y0 - target_window.y0, tile.x0 - target_window.x0)
            for plane, result in zip(bits, results, strict=True):
                _pick(plane, places, (float(source_window.x0), float(source_window.y0)), corner, result)

    over_strips(compute, len(tiles), least=1)
    return [result.view(plane.dtype) for result, plane in zip(results, planes, strict=True)]


@compiled
def _pick(
    plane: Array, places: Array, origin: tuple[float, float], corner: tuple[int, int], result: Array
) -> None:
    height, width = plane.shape
    for row in range(places.shape[1]):
        for column in range(places.shape[2]):
            x, y = places[0, row, column] - origin[0], places[1, row, column] - origin[1]
            if x >= 0 and y >= 0 and x < width and y < height:
                result[row + corner[0], column + corner[1]] = plane[int(y), int(x)]
