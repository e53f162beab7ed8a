"""Growing and shrinking of mattes: the largest or smallest value within a disc.

The plane is interpolated bilinearly between its pixel centres, and the disc may have any radius, whole or not.
Every contour of the matte moves outward by exactly the radius, and the softness across it does not change: a soft
edge stays soft, and radius 0 changes nothing.

Source: Sternberg, Grayscale Morphology, 1986 (dilation with a flat structuring element).
"""

from __future__ import annotations

import math

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["grow", "margin", "shrink"]

_BLOCK = 32
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
    inside, rim = _inside(radius, reach), _rim(radius, reach)
    over_strips(lambda first, last: _largest(plane, reach, inside, *rim, result, first, last), height)
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


@compiled
def _largest(
    plane: Array,
    reach: int,
    inside: Array,
    corner: Array,
    fraction: Array,
    result: Array,
    first: int,
    last: int,
) -> None:
    width = result.shape[1]
    for y in range(first, last):
        for left in range(0, width, _BLOCK):
            count = min(_BLOCK, width - left)
            out = result[y, left : left + count]
            # If all values are equal, as in most of a matte, no search is needed.
            value = plane[y, left]
            equal = True
            for dy in range(2 * reach + 1):
                row = plane[y + dy, left : left + count + 2 * reach]
                for x in range(row.size):
                    if row[x] != value:
                        equal = False
                        break
                if not equal:
                    break
            if equal:
                for x in range(count):
                    out[x] = value
                continue
            centre = plane[y + reach, left + reach : left + reach + count]
            # Not as one assignment of arrays: the compiler takes three seconds for the message of its failure.
            for x in range(count):
                out[x] = centre[x]
            for dy in range(2 * reach + 1):
                for dx in range(reach - inside[dy], reach + inside[dy] + 1):
                    row = plane[y + dy, left + dx : left + dx + count]
                    for x in range(count):
                        out[x] = row[x] if row[x] > out[x] else out[x]
            for k in range(fraction.shape[0]):
                dy, dx = corner[k, 0], corner[k, 1]
                down, across = fraction[k, 0], fraction[k, 1]
                above = plane[y + dy, left + dx : left + dx + count + 1]
                below = plane[y + dy + 1, left + dx : left + dx + count + 1]
                for x in range(count):
                    # In this form, the interpolation of equal values is exact.
                    upper = above[x] + across * (above[x + 1] - above[x])
                    lower = below[x] + across * (below[x + 1] - below[x])
                    between = upper + down * (lower - upper)
                    out[x] = between if between > out[x] else out[x]
