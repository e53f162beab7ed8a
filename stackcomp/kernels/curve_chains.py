"""Closed polylines as chains that only go down, which is what `curve_coverage` reads.

A chain goes on until the polyline turns from down to up or the reverse. Its vertices are stored from top to
bottom; its sign says which way the polyline went.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["Chains", "chains_of"]


class Chains(NamedTuple):
    """The chains of some shapes.

    Attributes:
        xy: vertices ``(n, 2)`` float64, chain by chain, y rising.
        first, last: first and last vertex of each chain, int64.
        sign: 1 for down, -1 for up, int64.
        starts: ``(shapes + 1,)`` int64, where the chains of each shape begin.
        bounds: ``(shapes, 4)`` float64, x0, y0, x1, y1 of each shape with its outward feather; x1 < x0 where
            there is
            nothing.
    """

    xy: Array
    first: Array
    last: Array
    sign: Array
    starts: Array
    bounds: Array


def chains_of(vertices: Array, firsts: Array, owners: Array) -> Chains:
    """Return the chains of polylines.

    Args:
        vertices: ``(m, 4 or more)`` float64: x, y, outward and inward feather.
        firsts: ``(polylines + 1,)`` int64, where each begins.
        owners: ``(shapes + 1,)`` int64, where the polylines of each shape begin.
    """
    return Chains(*_chains(vertices, firsts, owners))


@compiled
def _chains(vertices: Array, firsts: Array, owners: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
    most = vertices.shape[0]
    xy = np.empty((2 * most + 2, 2))
    first, last = np.empty(most + 1, np.int64), np.empty(most + 1, np.int64)
    sign = np.empty(most + 1, np.int64)
    starts = np.zeros(owners.shape[0], np.int64)
    bounds = np.empty((owners.shape[0] - 1, 4))
    used, count = 0, 0
    for shape in range(owners.shape[0] - 1):
        starts[shape] = count
        x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
        for k in range(firsts[owners[shape]], firsts[owners[shape + 1]]):
            x, y, out = vertices[k, 0], vertices[k, 1], vertices[k, 2]
            x0, y0, x1, y1 = min(x0, x - out), min(y0, y - out), max(x1, x + out), max(y1, y + out)
        bounds[shape, 0], bounds[shape, 1], bounds[shape, 2], bounds[shape, 3] = x0, y0, x1, y1
        for polyline in range(owners[shape], owners[shape + 1]):
            begin, end = firsts[polyline], firsts[polyline + 1]
            way = 0
            for k in range(begin, end):
                j = k + 1 if k + 1 < end else begin
                fall = vertices[j, 1] - vertices[k, 1]
                turned = 1 if fall > 0 else (-1 if fall < 0 else way)
                if turned != way:
                    if way != 0:
                        count = _close(xy, first, last, sign, count, used, way)
                    first[count] = used
                    xy[used, 0], xy[used, 1] = vertices[k, 0], vertices[k, 1]
                    used += 1
                    way = turned
                if way != 0:
                    xy[used, 0], xy[used, 1] = vertices[j, 0], vertices[j, 1]
                    used += 1
            if way != 0:
                count = _close(xy, first, last, sign, count, used, way)
    starts[owners.shape[0] - 1] = count
    return xy[:used], first[:count], last[:count], sign[:count], starts, bounds


@compiled
def _close(xy: Array, first: Array, last: Array, sign: Array, count: int, used: int, way: int) -> int:
    """End a chain; one that went up is stored in reverse."""
    last[count], sign[count] = used - 1, way
    if way < 0:
        low, high = first[count], used - 1
        while low < high:
            for axis in range(2):
                xy[low, axis], xy[high, axis] = xy[high, axis], xy[low, axis]
            low, high = low + 1, high - 1
    return count + 1
