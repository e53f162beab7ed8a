"""Warp pictures by a 3×3 homography: translation, rotation, scale and perspective.

**Coordinates.** Pixel (i, j) of a window covers the square from (i, j) to (i + 1, j + 1), with its centre at half
pixels. A homography maps source to target: ``(x', y', w') = H (x, y, 1)``, the point is ``(x' / w',
y' / w')``. H and any multiple of it are the same.

**Filter.** Each target pixel's centre is mapped back, and the source around it is weighted by the cubic
convolution kernel (a = −1/2), which reproduces pixels at whole positions and linear ramps exactly. Where the
picture becomes smaller, the kernel is widened along the source's rows and columns by the size of a target pixel in
the source, which avoids aliasing. The result is limited to the range of the values that it is computed from: a
bright edge gets no dark or negative rim.

Outside of the source's window there is nothing (0); coverage is the share of each pixel's weight inside.

Sources: Keys, Cubic Convolution Interpolation for Digital Image Processing, 1981; Heckbert, Fundamentals of
Texture Mapping and Image Warping, 1989 (perspective mappings and their local scale).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.homography import inverse
from stackcomp.kernels.strips import over_strips

__all__ = ["placed_window", "source_needed", "warp_homography"]

#: Largest width of the filter in source pixels, for target pixels that span more.
_WIDEST = 256.0
# Size in pixels of the tiles of a target.
_TILE = 256


def warp_homography(
    planes: Sequence[Array], source_window: Window, homography: npt.ArrayLike, target_window: Window
) -> tuple[list[Array], Array]:
    """Warp planes that belong together, such as premultiplied R, G, B and alpha.

    Args:
        planes: float32, each of ``source_window.shape``.
        source_window: the window of the planes.
        homography: ``(3, 3)``, source pixels → target pixels.
        target_window: the pixels to compute.

    Returns:
        The planes over the target window, float32, and the coverage of the same shape, float32, 0 to 1.

    Raises:
        ValueError: a homography that is not 3×3, not finite or not invertible, or a plane of another shape.
    """
    back = _inverse(homography, source_window)
    for plane in planes:
        if plane.shape != source_window.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {source_window.shape}")
    results = [np.zeros(target_window.shape, np.float32) for _ in range(len(planes) + 1)]
    if source_window.empty or target_window.empty:
        return results[:-1], results[-1]
    source = [plane_of(plane) for plane in planes]
    tiles = list(_tiles(target_window))
    parts = [source_needed(homography, source_window, tile) for tile in tiles]
    # Stacked tile by tile, which takes little memory; once as a whole at a horizon and for a very small picture,
    # where each tile reads much of the source.
    whole = _stacked(source, source_window, source_window) if any(map(_is_large, parts)) else None

    def compute(first: int, last: int) -> None:
        for tile, part in zip(tiles[first:last], parts[first:last], strict=True):
            if part.empty:
                continue
            large = whole is not None and _is_large(part)
            stack = whole if whole is not None and large else _stacked(source, source_window, part)
            stack_window = source_window if large else part
            warped = np.zeros((len(results), *tile.shape), np.float32)
            origin = np.array([tile.x0, tile.y0, stack_window.x0, stack_window.y0])
            _warp(stack, np.array(stack_window.shape), back, origin, warped, 0, tile.height)
            for plane, piece in zip(results, warped, strict=True):
                plane[tile.slices_in(target_window)] = piece

    over_strips(compute, len(tiles), least=1)
    return results[:-1], results[-1]


def _tiles(window: Window) -> Iterator[Window]:
    for y in range(window.y0, window.y1, _TILE):
        for x in range(window.x0, window.x1, _TILE):
            yield Window(x, y, min(x + _TILE, window.x1), min(y + _TILE, window.y1))


def _is_large(part: Window) -> bool:
    return part.width * part.height > 16 * _TILE * _TILE


def _stacked(planes: Sequence[Array], window: Window, part: Window) -> Array:
    """Return a part of the planes as one array ``(planes, height, width)``."""
    rows = part.slices_in(window)
    return np.stack([plane[rows] for plane in planes]) if planes else np.empty((0, 1, 1), np.float32)


def source_needed(homography: npt.ArrayLike, source_window: Window, target_window: Window) -> Window:
    """Return the part of the source that `warp_homography` reads for a target window.

    Raises:
        ValueError: as `warp_homography`.
    """
    back = _inverse(homography, source_window)
    if target_window.empty:
        return Window(source_window.x0, source_window.y0, source_window.x0, source_window.y0)
    x, y, w = back @ _corners(target_window)
    if w.min() <= 0:
        return source_window
    x, y = x / w, y / w
    # Both parts of a homography's derivative are linear in the target's position, over w², so their values at the
    # corners bound them.
    at_x = np.array([target_window.x0, target_window.x1], dtype=np.float64)
    at_y = np.array([target_window.y0, target_window.y1], dtype=np.float64)
    grown = []
    for row in (0, 1):
        cross = np.cross(back[row], back[2])
        by_x = np.abs(cross[1] - cross[2] * at_y).max()
        by_y = np.abs(cross[0] - cross[2] * at_x).max()
        width = min(_WIDEST, max(1.0, math.hypot(by_x, by_y) / float(w.min()) ** 2))
        grown.append(2 * width + 2)
    # Limited to the source before rounding: near the horizon, coordinates are unbounded.
    low_x, high_x = np.clip([x.min() - grown[0], x.max() + grown[0]], source_window.x0, source_window.x1)
    low_y, high_y = np.clip([y.min() - grown[1], y.max() + grown[1]], source_window.y0, source_window.y1)
    return source_window & Window(math.floor(low_x), math.floor(low_y), math.ceil(high_x), math.ceil(high_y))


def placed_window(homography: npt.ArrayLike, source_window: Window, frame: Window) -> Window:
    """Return the part of the frame that the warped source may cover.

    Raises:
        ValueError: as `warp_homography`.
    """
    if source_window.empty or frame.empty:
        return Window(frame.x0, frame.y0, frame.x0, frame.y0)
    back = _inverse(homography, source_window)
    # The filter extends over two pixels of the source or of the target, whichever are larger.
    x, y, w = np.linalg.inv(back) @ _corners(source_window.grow(2))
    if w.min() <= 0:
        return frame
    low_x, high_x = np.clip([(x / w).min() - 3, (x / w).max() + 3], frame.x0, frame.x1)
    low_y, high_y = np.clip([(y / w).min() - 3, (y / w).max() + 3], frame.y0, frame.y1)
    return frame & Window(math.floor(low_x), math.floor(low_y), math.ceil(high_x), math.ceil(high_y))


def _corners(window: Window) -> Array:
    return np.array(
        [
            [window.x0, window.x1, window.x1, window.x0],
            [window.y0, window.y0, window.y1, window.y1],
            [1, 1, 1, 1],
        ],
        dtype=np.float64,
    )


def _inverse(homography: npt.ArrayLike, source_window: Window) -> Array:
    """Return the inverse, with the sign for which points of the source have a positive third coordinate."""
    back = inverse(homography)
    matrix = np.asarray(homography, dtype=np.float64)
    centre = (
        matrix[2, 0] * (source_window.x0 + source_window.x1) / 2
        + matrix[2, 1] * (source_window.y0 + source_window.y1) / 2
        + matrix[2, 2]
    )
    return -back if centre < 0 else back


@compiled
def _cubic(t: float) -> float:
    t = abs(t)
    if t < 1:
        return (1.5 * t - 2.5) * t * t + 1
    if t < 2:
        return ((-0.5 * t + 2.5) * t - 4) * t + 2
    return 0.0


@compiled
def _weights(at: float, width: float, size: int, weights: Array) -> tuple[int, int, float, bool]:
    """Compute the weights of source pixels around a position; those outside count in their sum only.

    Returns the first pixel inside, the number of pixels inside, the share of the weight inside, and whether any
    weight lies outside.
    """
    low, high = int(np.ceil(at - 2 * width)), int(np.floor(at + 2 * width))
    first, last = max(low, 0), min(high, size - 1)
    total = inside = 0.0
    leaves = False
    for k in range(low, high + 1):
        weight = _cubic((k - at) / width)
        total += weight
        if first <= k <= last:
            weights[k - first] = weight
            inside += weight
        elif weight != 0:
            leaves = True
    for k in range(last - first + 1):
        weights[k] /= total
    return first, last - first + 1, inside / total, leaves


@compiled
def _warp(source: Array, size: Array, back: Array, origin: Array, target: Array, first: int, last: int) -> None:
    height, width = size[0], size[1]
    count = source.shape[0]
    across, down = np.empty(int(4 * _WIDEST) + 4), np.empty(int(4 * _WIDEST) + 4)
    for row in range(first, last):
        y = origin[1] + row + 0.5
        for column in range(target.shape[2]):
            x = origin[0] + column + 0.5
            w = back[2, 0] * x + back[2, 1] * y + back[2, 2]
            if not w > 0:
                continue
            u = (back[0, 0] * x + back[0, 1] * y + back[0, 2]) / w
            v = (back[1, 0] * x + back[1, 1] * y + back[1, 2]) / w
            # Size of a target pixel along the source's rows and columns.
            wide = np.hypot(back[0, 0] - u * back[2, 0], back[0, 1] - u * back[2, 1]) / w
            tall = np.hypot(back[1, 0] - v * back[2, 0], back[1, 1] - v * back[2, 1]) / w
            wide, tall = min(_WIDEST, max(1.0, wide)), min(_WIDEST, max(1.0, tall))
            u -= origin[2] + 0.5
            v -= origin[3] + 0.5
            if u <= -2 * wide or v <= -2 * tall or u >= width - 1 + 2 * wide or v >= height - 1 + 2 * tall:
                continue
            left, columns, share_across, leaves_across = _weights(u, wide, width, across)
            top, rows, share_down, leaves_down = _weights(v, tall, height, down)
            leaves = leaves_across or leaves_down
            target[count, row, column] = min(1.0, max(0.0, share_across * share_down))
            for plane in range(count):
                total = 0.0
                # If the filter extends outside, the 0 there is one of the values.
                least = 0.0 if leaves else np.inf
                most = 0.0 if leaves else -np.inf
                for j in range(rows):
                    if down[j] == 0:
                        continue
                    line = 0.0
                    for i in range(columns):
                        if across[i] != 0:
                            value = source[plane, top + j, left + i]
                            line += across[i] * value
                            least, most = min(least, value), max(most, value)
                    total += down[j] * line
                target[plane, row, column] = min(most, max(least, total))
