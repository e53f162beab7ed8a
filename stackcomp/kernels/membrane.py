"""A membrane: the smoothest surface through values that are known at the rim of an area.

Each pixel of the area is the mean of its four neighbours in the area or on the rim (Laplace's equation, with
nothing crossing an open border). The equations are solved by conjugate gradients. Each step of it is
preconditioned by a multigrid cycle: errors that are smooth are found on grids of half, a quarter … the size,
whose pixels stand for 2×2 pixels each, and errors that are not by relaxing the pixels of a checkerboard in turn.

Sources: Pérez, Gangnet and Blake, Poisson Image Editing, 2003 (the membrane interpolant); Briggs, Henson and
McCormick, A Multigrid Tutorial, 2nd edition 2000; Golub and Van Loan, Matrix Computations, 11.5 (preconditioned
conjugate gradients).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.strips import over_strips

__all__ = ["membrane"]

# The residual, against that at first, at which a solution counts as found.
_ENOUGH = 1e-6
_MOST_STEPS = 60
# Sweeps on the smallest grid.
_LAST_SWEEPS = 12
# A coarse pixel is twice as large and its neighbours twice as far; those on the rim only 1.5 times.
_EDGE_SHARE, _RIM_SHARE = 0.5, 2 / 3


@dataclass(frozen=True)
class _Grid:
    """Equations of one size: ``diagonal · x - sum of (edge · neighbour) = right side``.

    ``right`` and ``down`` are the edges from a pixel to the next one; 0 where there is none. ``rim`` is what
    joins it to known values. ``over`` is 1 / diagonal, or 0 for pixels without an equation. All float32.
    """

    right: Array
    down: Array
    rim: Array
    diagonal: Array
    over: Array


def membrane(planes: Sequence[Array], known: Array, area: Array) -> list[Array]:
    """Return planes that are smooth over an area and hold given values at its rim.

    Args:
        planes: values, each float32 ``(height, width)``; only those of known pixels are read.
        known: bool, pixels whose values are given.
        area: bool, pixels to find; known ones are not changed.

    Returns:
        float32 planes: the known values, the membrane in the area, and 0 elsewhere. A part of the area that no
        known pixel touches is 0.
    """
    found = area & ~known
    grids = _grids(found, known)
    joined = _joined(found, known)
    results = [np.where(known, plane, np.float32(0)).astype(np.float32) for plane in planes]

    def solve(first: int, last: int) -> None:
        for result in results[first:last]:
            # About their mean, so that little is left to find.
            middle = np.float32(result[known].mean()) if known.any() else np.float32(0)
            given = np.where(known, result - middle, np.float32(0))
            result[joined] = _solved(grids, _beside(given) * found)[joined] + middle

    over_strips(solve, len(results), least=1)
    return results


def _joined(found: Array, known: Array) -> Array:
    """Pixels of the area whose part of it touches a known pixel."""
    from scipy import ndimage

    labels, count = ndimage.label(found)
    touching = np.unique(labels[found & (_beside(known.astype(np.float32)) > 0)])
    flags = np.zeros(count + 1, bool)
    flags[touching] = True
    joined: Array = flags[labels]
    return joined


def _beside(plane: Array) -> Array:
    """The sum of the four neighbours of each pixel."""
    total = np.zeros_like(plane)
    total[:, 1:] += plane[:, :-1]
    total[:, :-1] += plane[:, 1:]
    total[1:] += plane[:-1]
    total[:-1] += plane[1:]
    return total


def _grids(found: Array, known: Array) -> list[_Grid]:
    """The equations of the area, and those of ever smaller grids."""
    right: Array = np.zeros(found.shape, np.float32)
    down: Array = np.zeros(found.shape, np.float32)
    right[:, :-1] = found[:, :-1] & found[:, 1:]
    down[:-1] = found[:-1] & found[1:]
    rim = _beside(known.astype(np.float32)) * found
    grids = [_grid(right, down, rim)]
    while min(grids[-1].rim.shape) > 4:
        last = grids[-1]
        right = _EDGE_SHARE * _halved(np.where(np.arange(last.right.shape[1]) % 2 == 1, last.right, 0))
        down = _EDGE_SHARE * _halved(np.where(np.arange(last.down.shape[0])[:, None] % 2 == 1, last.down, 0))
        grids.append(_grid(right, down, _RIM_SHARE * _halved(last.rim)))
    return grids


def _grid(right: Array, down: Array, rim: Array) -> _Grid:
    diagonal = right + down + rim
    diagonal[:, 1:] += right[:, :-1]
    diagonal[1:] += down[:-1]
    over = np.divide(1, diagonal, out=np.zeros_like(diagonal), where=diagonal > 0)
    return _Grid(*(np.ascontiguousarray(part, np.float32) for part in (right, down, rim, diagonal, over)))


def _halved(plane: Array) -> Array:
    """Sums of 2×2 pixels."""
    height, width = plane.shape
    whole = np.pad(plane, ((0, height % 2), (0, width % 2)))
    sums: Array = whole.reshape((height + 1) // 2, 2, (width + 1) // 2, 2).sum(axis=(1, 3))
    return sums


def _solved(grids: Sequence[_Grid], side: Array) -> Array:
    """Conjugate gradients, preconditioned by a cycle over the grids."""
    fine = grids[0]
    x, product = np.zeros_like(side), np.empty_like(side)
    residual = side.copy()
    first = float(np.sqrt(_dot(residual, residual)))
    direction, last = np.zeros_like(side), 1.0
    for _ in range(_MOST_STEPS):
        if first == 0 or float(np.sqrt(_dot(residual, residual))) <= _ENOUGH * first:
            break
        step = _cycle(grids, 0, residual)
        now = _dot(step, residual)
        if not now > 0:
            break
        direction *= np.float32(now / last)
        direction += step
        last = now
        _remainder(fine.right, fine.down, fine.diagonal, direction, np.zeros_like(side), product)
        length = _dot(direction, product)
        if not length < 0:
            break
        # The product came with the sign of a remainder.
        share = np.float32(now / -length)
        x += share * direction
        residual += share * product
    return x


def _dot(a: Array, b: Array) -> float:
    return float(np.einsum("ij,ij->", a, b, dtype=np.float64))


def _cycle(grids: Sequence[_Grid], level: int, side: Array) -> Array:
    """One cycle: the same forward and backward, as conjugate gradients need it."""
    grid = grids[level]
    x = np.zeros_like(side)
    sweeps = _LAST_SWEEPS if level + 1 == len(grids) else 1
    for _ in range(sweeps):
        for colour in (0, 1):
            _relax(grid.right, grid.down, grid.over, x, side, colour)
    if level + 1 < len(grids):
        rest = np.empty_like(side)
        _remainder(grid.right, grid.down, grid.diagonal, x, side, rest)
        smaller = np.zeros(grids[level + 1].rim.shape, np.float32)
        _gather(rest, smaller)
        _spread(_cycle(grids, level + 1, smaller), grid.over, x)
    for _ in range(sweeps):
        for colour in (1, 0):
            _relax(grid.right, grid.down, grid.over, x, side, colour)
    return x


@compiled
def _relax(right: Array, down: Array, over: Array, x: Array, side: Array, colour: int) -> None:
    height, width = x.shape
    for row in range(height):
        for column in range((row + colour) % 2, width, 2):
            if over[row, column] > 0:
                total = side[row, column]
                if column > 0:
                    total += right[row, column - 1] * x[row, column - 1]
                if column + 1 < width:
                    total += right[row, column] * x[row, column + 1]
                if row > 0:
                    total += down[row - 1, column] * x[row - 1, column]
                if row + 1 < height:
                    total += down[row, column] * x[row + 1, column]
                x[row, column] = total * over[row, column]


@compiled
def _remainder(right: Array, down: Array, diagonal: Array, x: Array, side: Array, rest: Array) -> None:
    height, width = x.shape
    for row in range(height):
        for column in range(width):
            total = side[row, column] - diagonal[row, column] * x[row, column]
            if column > 0:
                total += right[row, column - 1] * x[row, column - 1]
            if column + 1 < width:
                total += right[row, column] * x[row, column + 1]
            if row > 0:
                total += down[row - 1, column] * x[row - 1, column]
            if row + 1 < height:
                total += down[row, column] * x[row + 1, column]
            rest[row, column] = total


@compiled
def _gather(fine: Array, coarse: Array) -> None:
    for row in range(fine.shape[0]):
        for column in range(fine.shape[1]):
            coarse[row // 2, column // 2] += fine[row, column]


@compiled
def _spread(coarse: Array, over: Array, x: Array) -> None:
    for row in range(x.shape[0]):
        for column in range(x.shape[1]):
            if over[row, column] > 0:
                x[row, column] += coarse[row // 2, column // 2]
