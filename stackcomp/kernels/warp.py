"""Warp pictures by a 3×3 homography; `stackcomp.kernels.warp_map` does it through any map.

**Coordinates.** Pixel (i, j) of a window covers the square from (i, j) to (i + 1, j + 1), with its centre at half
pixels. A homography maps source to target: ``(x', y', w') = H (x, y, 1)``, the point is ``(x' / w',
y' / w')``. H and any multiple of it are the same.

**Filter.** See `stackcomp.kernels.cubic_filter`: cubic convolution, stretched where the picture becomes smaller,
limited to the range of the values that it is computed from. Outside of the source's window there is nothing (0).

Source: Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989 (perspective mappings, local scale).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.stack import lay_over
from stackcomp.kernels.strips import over_strips
from stackcomp.kernels.warp_tiles import in_tiles, prepared, put_planes, tiles_of
from stackcomp.kernels.warp_windows import needed, placed_window, signed_inverse

__all__ = ["warp_over", "warp_planes"]


def warp_planes(
    planes: Sequence[Array],
    source_window: Window,
    homography: npt.ArrayLike,
    target_window: Window,
    *,
    signed: bool = False,
) -> list[Array]:
    """Warp planes that belong together, such as premultiplied R, G, B and alpha.

    Args:
        planes: float32, each of ``source_window.shape``.
        source_window: the window of the planes.
        homography: ``(3, 3)``, source pixels → target pixels.
        target_window: the pixels to compute.
        signed: whether the third coordinate is positive for source pixels that are seen, as cameras say it. If
            not, the middle of the source is taken to be seen.

    Returns:
        The planes over the target window, float32.

    Raises:
        ValueError: a homography that is not 3×3, not finite or not invertible, or a plane of another shape.
    """
    back = signed_inverse(homography, source_window, signed)
    source, results = prepared(planes, source_window, target_window)
    reached = placed_window(homography, source_window, target_window, signed=signed)
    if reached.empty:
        return results
    if (move := _whole_move(back)) is not None:
        part = source_window & reached.shift(*move)
        there = part.shift(-move[0], -move[1]).slices_in(target_window)
        for plane, result in zip(source, results, strict=True):
            result[there] = plane[part.slices_in(source_window)]
        return results

    def put(tile: Window, warped: Sequence[Array]) -> None:
        put_planes(tile, warped, results, target_window)

    _by_homography(source, source_window, back, reached, put)
    return results


def warp_over(
    planes: Sequence[Array],
    source_window: Window,
    homography: npt.ArrayLike,
    below: Sequence[Array],
    target_window: Window,
) -> list[Array]:
    """Warp premultiplied planes and lay them over others, which takes less memory than one after the other.

    Args:
        planes: R, G, B and alpha, float32, each of ``source_window.shape``.
        source_window: the window of the planes.
        homography: ``(3, 3)``, source pixels → target pixels; the third coordinate is positive for source pixels
            that are seen.
        below: R, G, B and perhaps alpha, float32, each of ``target_window.shape``.
        target_window: the pixels to compute.

    Returns:
        new planes, as many as there are below.

    Raises:
        ValueError: as `warp_planes`.
    """
    back = signed_inverse(homography, source_window, signed=True)
    source, _ = prepared(planes, source_window, Window(0, 0, 0, 0))
    under = [plane_of(plane) for plane in below]
    results = [np.empty(target_window.shape, np.float32) for _ in below]
    reached = placed_window(homography, source_window, target_window, signed=True)

    def copy(first: int, last: int) -> None:
        for plane, result in zip(under, results, strict=True):
            result[first:last] = plane[first:last]

    def put(tile: Window, warped: Sequence[Array]) -> None:
        lay_over(warped[0], under, results, tile.y0 - target_window.y0, tile.x0 - target_window.x0)

    if reached != target_window:
        over_strips(copy, target_window.height)
    if not reached.empty:
        _by_homography(source, source_window, back, reached, put)
    return results


def _by_homography(
    source: Sequence[Array],
    source_window: Window,
    back: Array,
    reached: Window,
    put: Callable[[Window, Sequence[Array]], None],
) -> None:
    """Hand out the tiles of what a homography reaches."""

    def lay_out(tile: Window, part: Window, places: Array, steps: Array) -> None:
        _lay_out(back, np.array([tile.x0, tile.y0, part.x0, part.y0], np.float64), places, steps)

    tiles = list(tiles_of(reached))
    parts = [needed(back, source_window, tile) for tile in tiles]
    in_tiles(source, source_window, tiles, parts, lay_out, put)


def _whole_move(back: Array) -> tuple[int, int] | None:
    """How far right and down the source of each target pixel lies, where that is by whole pixels everywhere."""
    matrix = back / back[2, 2] if back[2, 2] != 0 else back
    x, y = matrix[0, 2], matrix[1, 2]
    moved = np.array([[1, 0, x], [0, 1, y], [0, 0, 1]])
    if np.array_equal(matrix, moved) and x == round(x) and y == round(y):
        return int(x), int(y)
    return None


@compiled
def _lay_out(back: Array, origin: Array, places: Array, steps: Array) -> None:
    """Where the pixels of a tile lie in its part of the source, and how that changes from pixel to pixel."""
    for row in range(places.shape[1]):
        y = origin[1] + row + 0.5
        for column in range(places.shape[2]):
            x = origin[0] + column + 0.5
            w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
            over = 1 / w if w > 0 else np.nan
            u = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) * over
            v = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) * over
            places[0, row, column], places[1, row, column] = u - origin[2], v - origin[3]
            steps[0, row, column] = (back[0, 0] - u * back[2, 0]) * over
            steps[1, row, column] = (back[1, 0] - v * back[2, 0]) * over
            steps[2, row, column] = (back[0, 1] - u * back[2, 1]) * over
            steps[3, row, column] = (back[1, 1] - v * back[2, 1]) * over
