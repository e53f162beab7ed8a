"""Means within a disc, of weight ``1 − r² / radius²`` at the distance r: a softening that reaches no farther.

A step becomes a ramp from 0 at ``radius`` on one side to 1 at ``radius`` on the other, in every direction. Where
all within the disc is one value the result is that value, to the bit.

The time grows with the radius, not with its square. In one row the weight is a quadratic polynomial of the
distance across, so that what a row adds comes from running sums, of the row, of these and of those, at both
ends: by parts, with ``l`` and ``r`` the first and last pixel and ``e`` the distance of both from the middle,

    Σ (c − d²/R²) f  =  (c − e²/R²) (P[r+1] − P[l])  +  ((2e − 1) (Q[r+1] + Q[l+1]) − 2 (S[r+1] − S[l+2])) / R²

where ``P[i]`` sums f before i, ``Q`` sums P, and ``S`` sums Q. Sums are float64, and start anew in each tile.

Source: Epanechnikov, Non-Parametric Estimation of a Multivariate Probability Density, 1969 (the weight).
"""

from __future__ import annotations

import math

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["disc_mean", "disc_weights", "margin"]

#: Rows and columns of a tile: sums of one row lie in the first cache, results in the second.
_ROWS, _COLUMNS = 96, 256


def margin(radius: float) -> int:
    """Return the number of pixels that `disc_mean` reads beyond its result on each side.

    Args:
        radius: in pixels, 0 or more.

    Raises:
        ValueError: a radius below 0 or not finite.
    """
    if not (math.isfinite(radius) and radius >= 0):
        raise ValueError(f"a radius is 0 or more, not {radius}")
    # Weights at the radius are 0: up to 1 pixel nothing but the pixel itself has weight.
    return max(0, math.ceil(radius) - 1)


def disc_weights(radius: float) -> Array:
    """Return the weights at 0, 1 … pixels down and across, float64; those of all four quarters sum to 1."""
    steps = np.arange(margin(radius) + 1, dtype=np.float64)
    if len(steps) == 1:
        return np.ones((1, 1))
    weights = np.maximum(1 - (steps[:, None] ** 2 + steps**2) / radius**2, 0)
    times = np.where(steps > 0, 2.0, 1.0)
    result: Array = weights / (times @ weights @ times)
    return result


def disc_mean(plane: Array, radius: float) -> Array:
    """Return the weighted mean within ``radius`` pixels of each pixel.

    Args:
        plane: float32 ``(height + 2 margin, width + 2 margin)``.
        radius: in pixels, 0 or more; up to 1 it changes nothing.

    Returns:
        float32 ``(height, width)``; the plane itself where nothing changes.

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
    weights = disc_weights(radius)
    # How far each row of the disc reaches across, the weight there, and 1 / R² on the scale of all weights.
    ends = (weights > 0).sum(axis=1) - 1
    rims = weights[np.arange(reach + 1), ends]
    bend = (weights[0, 0] - weights[0, 1]) if reach else 0.0
    result = np.empty((height, width), np.float32)
    over_strips(lambda first, last: _means(plane, ends, rims, bend, result, first, last), height)
    return result


@compiled
def _equal(plane: Array, top: int, bottom: int, left: int, right: int) -> bool:
    """Whether a tile is of one value, as most of a matte is."""
    value = plane[top, left]
    for y in range(top, bottom):
        row = plane[y, left:right]
        differ = 0
        for x in range(row.size):
            differ += row[x] != value
        if differ:
            return False
    return True


@compiled
def _sum_up(row: Array, sums: Array, alike: Array) -> None:
    """Running sums of a row, of these and of those; and how many pixels on both sides have a pixel's own value."""
    first = second = third = 0.0
    run = 0
    for x in range(row.size):
        sums[0, x], sums[1, x], sums[2, x] = first, second, third
        third += second
        second += first
        first += row[x]
        run = run + 1 if x > 0 and row[x] == row[x - 1] else 0
        alike[x] = run
    sums[0, row.size], sums[1, row.size], sums[2, row.size] = first, second, third
    run = 0
    for x in range(row.size - 1, -1, -1):
        run = run + 1 if x < row.size - 1 and row[x] == row[x + 1] else 0
        alike[x] = min(run, alike[x])


@compiled
def _add(total: Array, even: Array, centre: Array, share: Array, across: Array, alike: Array, end: int) -> None:
    """Add what a row gives to a row of the result; and note where it is of the middle's value alone."""
    for x in range(total.size):
        total[x] += share[x]
    for x in range(total.size):
        even[x] &= np.int32(alike[x] >= end) & np.int32(across[x] == centre[x])


@compiled
def _means(plane: Array, ends: Array, rims: Array, bend: float, result: Array, first: int, last: int) -> None:
    reach, width = ends.size - 1, result.shape[1]
    room = _COLUMNS + 2 * reach
    sums, alike = np.empty((3, room + 1)), np.empty(room, np.int32)
    share = np.empty(_COLUMNS)
    totals, evens = np.empty((_ROWS, _COLUMNS)), np.empty((_ROWS, _COLUMNS), np.int32)
    for top in range(first, last, _ROWS):
        rows = min(_ROWS, last - top)
        for left in range(0, width, _COLUMNS):
            count = min(_COLUMNS, width - left)
            if _equal(plane, top, top + rows + 2 * reach, left, left + count + 2 * reach):
                result[top : top + rows, left : left + count] = plane[top, left]
                continue
            for y in range(rows):
                for x in range(count):
                    totals[y, x], evens[y, x] = 0.0, 1
            for source in range(rows + 2 * reach):
                row = plane[top + source, left : left + count + 2 * reach]
                _sum_up(row, sums, alike)
                across, near = row[reach : reach + count], alike[reach : reach + count]
                for down in range(reach + 1):
                    above, below = source - reach - down, source - reach + down
                    if (above < 0 or above >= rows) and (below < 0 or below >= rows):
                        continue
                    end = ends[down]
                    start, stop = reach - end, reach + end + 1
                    p, q = sums[0, start : start + count], sums[0, stop : stop + count]
                    r, s = sums[1, start + 1 : start + 1 + count], sums[1, stop : stop + count]
                    t, u = sums[2, start + 2 : start + 2 + count], sums[2, stop : stop + count]
                    rim, slope, twice = rims[down], (2 * end - 1) * bend, 2 * bend
                    for x in range(count):
                        share[x] = rim * (q[x] - p[x]) + slope * (r[x] + s[x]) - twice * (u[x] - t[x])
                    if 0 <= above < rows:
                        centre = plane[top + above + reach, left + reach : left + reach + count]
                        _add(totals[above, :count], evens[above], centre, share, across, near, end)
                    if down > 0 and 0 <= below < rows:
                        centre = plane[top + below + reach, left + reach : left + reach + count]
                        _add(totals[below, :count], evens[below], centre, share, across, near, end)
            for y in range(rows):
                for x in range(count):
                    middle = plane[top + y + reach, left + x + reach]
                    result[top + y, left + x] = middle if evens[y, x] == 1 else totals[y, x]
