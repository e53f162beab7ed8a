"""Pictures sampled along lines that cross the edges of a matte at right angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.inspection.pair import Array

__all__ = ["REACH", "Crossings", "crossings", "sampled"]

Places = npt.NDArray[np.intp]

#: How far the lines reach to either side, in pixels.
REACH = 10
#: Slope of alpha, in 1 / px, from which on a pixel belongs to an edge.
_LEAST_SLOPE = 0.03
#: Alpha in the middle of an edge, in parts of that inside; alpha outside that still counts as nothing.
_LOW, _HIGH, _NOTHING = 0.2, 0.8, 0.03
#: Alpha inside of the thinnest edge that is looked at: that of a pane of glass.
_THINNEST = 0.1


@dataclass(frozen=True, eq=False)
class Crossings:
    """Lines across edges. They run from outside to inside, a sample a pixel, `REACH` to either side.

    Attributes:
        rows: of the pixels in the middle, from the top of the plane.
        columns: likewise.
        y: rows of all samples, ``(lines, 2 REACH + 1)``, not whole numbers.
        x: likewise.
        alpha: at each sample.
        top: the largest alpha of each line on its inner half.
        length: of the edge that each line stands for, in pixels: lines cross soft edges in several places.
        thinned: how many pixels of edges each line stands for, 1 where all were taken.
    """

    rows: Places
    columns: Places
    y: Array
    x: Array
    alpha: Array
    top: Array
    length: Array
    thinned: float

    def __len__(self) -> int:
        return int(self.rows.size)


def sampled(plane: Array, y: Array, x: Array) -> Array:
    """Bilinear samples at rows ``y`` and columns ``x``; places outside repeat the outermost pixels."""
    height, width = plane.shape
    y, x = np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)
    top, left = y.astype(np.intp), x.astype(np.intp)
    down, across = y - top, x - left
    bottom, right = np.minimum(top + 1, height - 1), np.minimum(left + 1, width - 1)
    with np.errstate(invalid="ignore", over="ignore"):
        upper = plane[top, left] * (1 - across) + plane[top, right] * across
        lower = plane[bottom, left] * (1 - across) + plane[bottom, right] * across
        return np.asarray(upper * (1 - down) + lower * down, np.float32)


def crossings(alpha: Array, *, most: int) -> Crossings:
    """Lines across the edges between coverage and nothing.

    Args:
        alpha: ``(height, width)``.
        most: lines at most, spread evenly over all edges.
    """
    rows, columns, thinned = _candidates(alpha, 8 * most)
    height, width = alpha.shape
    above, below = np.maximum(rows - 1, 0), np.minimum(rows + 1, height - 1)
    left, right = np.maximum(columns - 1, 0), np.minimum(columns + 1, width - 1)
    with np.errstate(invalid="ignore", over="ignore"):
        # Scharr's weights keep the direction within a degree or so.
        down = 3 * (alpha[below, left] - alpha[above, left] + alpha[below, right] - alpha[above, right])
        down += 10 * (alpha[below, columns] - alpha[above, columns])
        across = 3 * (alpha[above, right] - alpha[above, left] + alpha[below, right] - alpha[below, left])
        across += 10 * (alpha[rows, right] - alpha[rows, left])
        slope = np.hypot(down, across)
        # Beside alpha that is not finite there is no direction.
        steep = (slope > 32 * _LEAST_SLOPE) & np.isfinite(slope)
        rows, columns, slope = rows[steep], columns[steep], slope[steep]
        down, across = down[steep] / slope, across[steep] / slope
        steps = np.arange(-REACH, REACH + 1, dtype=np.float32)
        y = rows[:, None].astype(np.float32) + down[:, None] * steps
        x = columns[:, None].astype(np.float32) + across[:, None] * steps
        along = sampled(alpha, y, x)
        middle = along[:, REACH]
        top = along[:, REACH:].max(axis=1, initial=0)
        good = (middle > _LOW * top) & (middle < _HIGH * top) & (top > _THINNEST)
        good &= along[:, :REACH].min(axis=1, initial=1) < _NOTHING * top
        # A line that leaves the picture repeats its last pixels, which is not what lies there.
        good &= (y[:, -1] >= 0) & (y[:, -1] <= height - 1) & (x[:, -1] >= 0) & (x[:, -1] <= width - 1)
    chosen = np.flatnonzero(good)
    if chosen.size > most:
        thinned *= chosen.size / most
        chosen = chosen[(np.arange(most) * (chosen.size / most)).astype(np.intp)]
    # The area between two levels of alpha is the integral of the length of contours over alpha by slope.
    length = thinned * slope[chosen] / 32 / ((_HIGH - _LOW) * top[chosen])
    return Crossings(
        rows[chosen], columns[chosen], y[chosen], x[chosen], along[chosen], top[chosen], length, thinned
    )


def _candidates(alpha: Array, most: int) -> tuple[Places, Places, float]:
    """Pixels of partial coverage, at most ``most``, in the order of rows; and how many each stands for."""
    with np.errstate(invalid="ignore"):
        soft = (alpha > _LOW * _THINNEST) & (alpha < 0.97)
    found = np.flatnonzero(soft)
    thinned = max(1.0, found.size / most)
    if thinned > 1:
        found = found[(np.arange(most) * thinned).astype(np.intp)]
    rows, columns = np.divmod(found, alpha.shape[1])
    return rows, columns, thinned
