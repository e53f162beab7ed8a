"""Where a picture moves at all, and how far at most: most pixels of most shots are still."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.motion_views import LEAST
from stackcomp.kernels.strips import over_strips

__all__ = ["Extent", "moving"]

#: The length of a motion is at most so many times the larger of its parts; a little more, for rounding.
_DIAGONAL = 1.4143


class Extent(NamedTuple):
    """Half-open rows and columns that hold all motion, empty where nothing moves, and a bound of its length."""

    top: int
    left: int
    bottom: int
    right: int
    longest: float


def moving(dx: Array, dy: Array, most: float, largest: float) -> Extent:
    """Find what moves.

    Args:
        dx: motion to the right in pixels per frame, finite.
        dy: motion down, of the same shape.
        most: time between the frame and the farther end of the exposure, in frames.
        largest: longest motion that is allowed; what is longer counts as moving however short the exposure is.

    Returns:
        The extent. Its bound is up to √2 times the longest motion.
    """
    if not dx.size:
        return Extent(0, 0, 0, 0, 0.0)
    least = min(LEAST / most if most > 0 else np.inf, largest) / _DIAGONAL
    rows = np.empty(dx.shape[0])

    def look_at_rows(first: int, last: int) -> None:
        rows[first:last] = _largest(dx[first:last], dy[first:last], 1)

    over_strips(look_at_rows, dx.shape[0])
    longest = _DIAGONAL * float(rows.max())
    found = np.flatnonzero((rows >= least) & (rows > 0))
    if not found.size:
        return Extent(0, 0, 0, 0, longest)
    top, bottom = int(found[0]), int(found[-1]) + 1
    columns = np.empty(dx.shape[1])

    def look_at_columns(first: int, last: int) -> None:
        columns[first:last] = _largest(dx[top:bottom, first:last], dy[top:bottom, first:last], 0)

    over_strips(look_at_columns, dx.shape[1], least=64)
    found = np.flatnonzero((columns >= least) & (columns > 0))
    return Extent(top, int(found[0]), bottom, int(found[-1]) + 1, longest)


def _largest(dx: Array, dy: Array, axis: int) -> Array:
    """The largest part of any motion, either way, along an axis; without a copy of the planes."""
    highest = np.maximum(dx.max(axis=axis), dy.max(axis=axis))
    lowest = np.minimum(dx.min(axis=axis), dy.min(axis=axis))
    larger: Array = np.maximum(highest, -lowest)
    return larger
