"""Exact coverage of pixels by a polygon.

Each edge adds the signed area between itself and the right end of the row to every row that it crosses: in full to
the pixels right of it, and in part to those that it passes through. Cumulative sums along the rows give the
coverage. Areas are signed, so an edge and its reverse cancel.

Source: Green's theorem; computed in float64.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled

__all__ = ["polygon_coverage"]


def polygon_coverage(points: npt.ArrayLike, window: Window) -> Array:
    """Return the coverage of each pixel by a polygon that does not cross itself.

    Args:
        points: corners ``(n, 2)`` as x and y in pixels, in either direction; the last is joined to the first.
            Whole numbers are corners of pixels: the pixel at (0, 0) extends from 0 to 1.
        window: the pixels to compute.

    Returns:
        float32 of ``window.shape``, 0 to 1, exact to the rounding of float32. Fewer than three corners cover
        nothing. Where a polygon overlaps itself, the winding number is limited to 1.

    Raises:
        ValueError: points of another shape, or not finite.
    """
    corners = np.asarray(points, dtype=np.float64)
    if corners.size == 0:
        corners = corners.reshape(0, 2)
    if corners.ndim != 2 or corners.shape[1] != 2:
        raise ValueError(f"a polygon is an array of shape (n, 2), not {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError("a corner of a polygon is not finite")
    if window.empty or len(corners) < 3:
        return np.zeros(window.shape, np.float32)
    sums = np.zeros((window.height, window.width + 2))
    _add_edges(corners - (window.x0, window.y0), sums)
    covered = np.abs(np.cumsum(sums, axis=1)[:, : window.width])
    # Cancelled areas leave about 1e-16; a pixel outside the polygon must be exactly 0.
    covered[covered < math.ldexp(1, -40)] = 0
    return np.minimum(covered, 1).astype(np.float32)


@compiled
def _add_edges(corners: Array, sums: Array) -> None:
    """Add the change of coverage by each edge from one pixel to the next along the row."""
    height, width = sums.shape[0], sums.shape[1] - 2
    count = corners.shape[0]
    for k in range(count):
        x0, y0 = corners[k, 0], corners[k, 1]
        x1, y1 = corners[(k + 1) % count, 0], corners[(k + 1) % count, 1]
        if y0 == y1:
            continue
        sign = 1.0
        if y0 > y1:
            x0, y0, x1, y1, sign = x1, y1, x0, y0, -1.0
        first = max(0, int(np.floor(max(0.0, y0))))
        last = min(height, int(np.ceil(min(float(height), y1))))
        for y in range(first, last):
            top, bottom = max(y0, float(y)), min(y1, float(y + 1))
            if bottom <= top:
                continue
            # By shares of the edge: its slope may be infinite, where it is all but level.
            down, up = (top - y0) / (y1 - y0), (bottom - y0) / (y1 - y0)
            from_x, to_x = x0 * (1 - down) + x1 * down, x0 * (1 - up) + x1 * up
            left, right = min(from_x, to_x), max(from_x, to_x)
            tall = sign * (bottom - top)
            # An edge left of the window lies before all its pixels, an edge right of it behind them.
            if right <= 0:
                sums[y, 0] += tall
                continue
            if left >= width:
                continue
            at = int(np.floor(max(0.0, left)))
            end = int(np.floor(min(float(width), right)))
            before = 0.0
            for x in range(at, end + 1):
                # The part of this pixel that lies right of the edge.
                covered = tall * _beyond(left, right, float(x))
                sums[y, x] += covered - before
                before = covered
            sums[y, end + 1] += tall - before


@compiled
def _beyond(left: float, right: float, x: float) -> float:
    """Return the mean part of pixel ``x`` right of an edge that spans ``left`` to ``right``."""
    if right <= x:
        return 1.0
    if left >= x + 1:
        return 0.0
    if right - left < 1e-12:
        return min(1.0, max(0.0, x + 1 - left))
    inside_left, inside_right = max(left, x), min(right, x + 1)
    whole = max(0.0, inside_left - left)
    partly = (inside_right - inside_left) * (x + 1 - 0.5 * (inside_left + inside_right))
    return (whole + partly) / (right - left)
