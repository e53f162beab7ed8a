"""Growing and shrinking of mattes: the largest or smallest value within a disc.

The plane is interpolated bilinearly between its pixel centres, and the disc may have any radius, whole or not.
Every contour of the matte moves outward by exactly the radius, and the softness across it does not change: a soft
edge stays soft, and radius 0 changes nothing.

What is constant within reach is copied. Within the disc, the largest of runs of 1, 2, 4 … pixels in a row are
shared by all rows around. On its rim, only points beside pixels that are larger than all in the disc are looked
at.

Source: Sternberg, Grayscale Morphology, 1986 (dilation with a flat structuring element).
"""

from __future__ import annotations

import math

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["grow", "margin", "shrink"]

#: Rows and columns of a tile, and columns for which the rim is looked at together.
_ROWS, _COLUMNS, _BLOCK = 64, 256, 64
#: Distance in pixels between samples of the disc's rim; the error of its extent is below 0.01 px.
_SPACING = 0.25
_LEAST = 1e-3


def margin(radius: float) -> int:
    """Return the number of pixels that `grow` and `shrink` read beyond their result on each side.

    Args:
        radius: in pixels, 0 or more.

    Raises:
        ValueError: a radius below 0 or not finite.
    """
    if not (math.isfinite(radius) and radius >= 0):
        raise ValueError(f"a radius is 0 or more, not {radius}")
    return 0 if radius < _LEAST else math.ceil(radius)


def grow(plane: Array, radius: float) -> Array:
    """Return the largest value within ``radius`` pixels of each pixel.

    Args:
        plane: float32 ``(height + 2 margin, width + 2 margin)``; NaN is ignored.
        radius: in pixels, 0 or more.

    Returns:
        float32 ``(height, width)``; with radius 0, the plane itself.

    Raises:
        ValueError: a radius below 0, or a plane smaller than its margins.
    """
    plane = plane_of(plane)
    reach = margin(radius)
    if reach == 0:
        return plane
    height, width = plane.shape[0] - 2 * reach, plane.shape[1] - 2 * reach
    if height < 0 or width < 0:
        raise ValueError(f"a plane of {plane.shape} has no room for margins of {reach} pixels")
    result = np.empty((height, width), np.float32)
    inside, (corner, fraction) = _inside(radius, reach), _rim(radius, reach)
    outer = _outer(inside, corner, reach)
    ends = inside[reach:].copy()
    over_strips(lambda first, last: _largest(plane, ends, corner, fraction, *outer, result, first, last), height)
    return result


def shrink(plane: Array, radius: float) -> Array:
    """Return the smallest value within ``radius`` pixels of each pixel; see `grow`."""
    return plane if margin(radius) == 0 else 0 - grow(-plane_of(plane), radius)


def _inside(radius: float, reach: int) -> Array:
    """Return the half-width of the disc in each row of whole pixels, -1 in rows without one."""
    rows = np.arange(-reach, reach + 1)
    room = radius * radius - rows * rows
    return np.where(room >= 0, np.floor(np.sqrt(np.maximum(room, 0)) + 1e-9), -1).astype(np.int32)


def _rim(radius: float, reach: int) -> tuple[Array, Array]:
    """Return points on the rim: row and column of the pixel above and to the left, and the fractions beyond it."""
    count = 8 * max(2, math.ceil(2 * math.pi * radius / _SPACING / 8))
    angle = 2 * np.pi * np.arange(count) / count
    # Rounded, so that points on whole pixels stay there.
    y, x = (np.round(radius * part(angle), 9) + reach for part in (np.sin, np.cos))
    top = np.minimum(np.floor(y), 2 * reach - 1)
    left = np.minimum(np.floor(x), 2 * reach - 1)
    corner = np.stack([top, left], axis=1).astype(np.int32)
    return corner, np.stack([y - top, x - left], axis=1).astype(np.float32)


def _outer(inside: Array, corner: Array, reach: int) -> tuple[Array, Array, Array]:
    """Return the pixels outside of the disc that points on its rim are interpolated from.

    Returns:
        Row and column of each such pixel, ``(n, 2)``; the numbers of the points that touch each of them, one after
        the other; where those of each begin, ``(n + 1,)``.
    """
    around = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])
    pixels = (corner[:, None] + around).reshape(-1, 2)
    points = np.repeat(np.arange(len(corner), dtype=np.int32), 4)
    beyond = np.abs(pixels[:, 1] - reach) > inside[pixels[:, 0]]
    pixels, points = pixels[beyond], points[beyond]
    unique, which = np.unique(pixels, axis=0, return_inverse=True)
    which = which.ravel()
    order = np.argsort(which, kind="stable")
    starts = np.searchsorted(which[order], np.arange(len(unique) + 1)).astype(np.int32)
    return unique.astype(np.int32), points[order], starts


@compiled
def _runs(row: Array, runs: Array) -> None:
    """The largest values of 1, 2, 4 … pixels from each pixel on; as far as the row has so many."""
    size = row.size
    for x in range(size):
        runs[0, x] = row[x] if row[x] == row[x] else -np.inf
    for k in range(1, runs.shape[0]):
        half = 1 << (k - 1)
        near, far, to = runs[k - 1], runs[k - 1, half:], runs[k]
        for x in range(size - 2 * half + 1):
            to[x] = near[x] if near[x] > far[x] else far[x]


@compiled
def _raise(runs: Array, reach: int, end: int, above: Array, below: Array) -> None:
    """Raise two rows of the result to the largest of a row within ``end`` pixels."""
    k, count = 0, above.size
    while (2 << k) <= 2 * end + 1:
        k += 1
    start, stop = reach - end, reach + end + 1 - (1 << k)
    near, far = runs[k, start : start + count], runs[k, stop : stop + count]
    for x in range(count):
        most = near[x] if near[x] > far[x] else far[x]
        above[x] = most if most > above[x] else above[x]
        below[x] = most if most > below[x] else below[x]


@compiled
def _rim_of(
    plane: Array, y: int, left: int, corner: Array, fraction: Array, outer: Array, points: Array, starts: Array,
    seen: Array, number: int, before: Array, out: Array,
) -> None:  # fmt: skip
    """Raise a few pixels of a row to the largest on the rim around them.

    Only points that touch a pixel above all in the disc can be larger, and few do. ``seen`` holds for each
    point the number of the last call that has looked at it.
    """
    count = out.size
    for x in range(count):
        before[x] = out[x]
    for pixel in range(outer.shape[0]):
        dx = left + outer[pixel, 1]
        row = plane[y + outer[pixel, 0], dx : dx + count]
        above = 0
        for x in range(count):
            above += row[x] > before[x]
        if above == 0:
            continue
        for k in range(starts[pixel], starts[pixel + 1]):
            point = points[k]
            if seen[point] == number:
                continue
            seen[point] = number
            dy, dx = corner[point, 0], corner[point, 1]
            down, across = fraction[point, 0], fraction[point, 1]
            top = plane[y + dy, left + dx : left + dx + count + 1]
            bottom = plane[y + dy + 1, left + dx : left + dx + count + 1]
            for x in range(count):
                # In this form, the interpolation of equal values is exact.
                upper = top[x] + across * (top[x + 1] - top[x])
                lower = bottom[x] + across * (bottom[x + 1] - bottom[x])
                between = upper + down * (lower - upper)
                # Rounding may lift it above all that it lies between.
                high = top[x] if top[x] > top[x + 1] else top[x + 1]
                low = bottom[x] if bottom[x] > bottom[x + 1] else bottom[x + 1]
                high = high if high > low else low
                between = high if between > high else between
                out[x] = between if between > out[x] else out[x]


@compiled
def _range(plane: Array, top: int, bottom: int, left: int, right: int) -> tuple[np.float32, np.float32]:
    """Return the smallest and the largest value of a part of a plane; NaN counts as everything."""
    least, most = np.float32(np.inf), np.float32(-np.inf)
    for y in range(top, bottom):
        row = plane[y, left:right]
        odd = 0
        for x in range(row.size):
            odd += row[x] != row[x]
            least = row[x] if row[x] < least else least
            most = row[x] if row[x] > most else most
        if odd:
            return np.float32(-np.inf), np.float32(np.inf)
    return least, most


@compiled
def _largest(
    plane: Array, ends: Array, corner: Array, fraction: Array, outer: Array, points: Array, starts: Array,
    result: Array, first: int, last: int,
) -> None:  # fmt: skip
    reach, width = ends.size - 1, result.shape[1]
    steps = 1
    while (1 << steps) <= 2 * reach + 1:
        steps += 1
    runs = np.empty((steps, _COLUMNS + 2 * reach), np.float32)
    # The largest within the disc. The last row is for what no row wants.
    most = np.empty((_ROWS + 1, _COLUMNS), np.float32)
    before = np.empty(_BLOCK, np.float32)
    seen, number = np.zeros(corner.shape[0], np.int64), 0
    for top in range(first, last, _ROWS):
        rows = min(_ROWS, last - top)
        for left in range(0, width, _COLUMNS):
            count = min(_COLUMNS, width - left)
            low, high = _range(plane, top, top + rows + 2 * reach, left, left + count + 2 * reach)
            if low == high:
                result[top : top + rows, left : left + count] = low
                continue
            most[:] = -np.inf
            for source in range(rows + 2 * reach):
                _runs(plane[top + source, left : left + count + 2 * reach], runs)
                for down in range(reach + 1):
                    above, below = source - reach - down, source - reach + down
                    above = above if 0 <= above < rows else _ROWS
                    below = below if 0 <= below < rows else _ROWS
                    if above != _ROWS or below != _ROWS:
                        end = ends[down]
                        if end >= 0:
                            _raise(runs, reach, end, most[above, :count], most[below, :count])
            for y in range(rows):
                for start in range(0, count, _BLOCK):
                    stop = min(start + _BLOCK, count)
                    out = most[y, start:stop]
                    lower = 0
                    for x in range(stop - start):
                        lower += out[x] < high
                    if lower:
                        number += 1
                        _rim_of(
                            plane, top + y, left + start, corner, fraction, outer, points, starts, seen, number,
                            before, out,
                        )  # fmt: skip
                    for x in range(stop - start):
                        result[top + y, left + start + x] = out[x]
