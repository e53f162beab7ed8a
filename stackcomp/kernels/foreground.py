"""The colour that belongs to the foreground alone, where a matte is soft.

A pixel of coverage α shows ``I = α F + (1 − α) B``. Of all F and B that fit, those are found that change least
from pixel to pixel, above all where α changes. This minimises, over pixels i and their four neighbours j,

    Σ (α F + (1 − α) B − I)²  +  Σ (ε + |α_i − α_j|) ((F_i − F_j)² + (B_i − B_j)²)

from the coarsest level of a pyramid to the finest. For one pixel, with W the sum of the weights and F̄, B̄ the
weighted means of the neighbours, the minimum is ``F = F̄ + α r / D``, ``B = B̄ + (1 − α) r / D``, where
``r = I − α F̄ − (1 − α) B̄`` and ``D = W + α² + (1 − α)²``.

Where α is 1, F is the picture; where it is 0, B is. F is not below 0 where the picture is not. Only tiles that
hold soft pixels are computed. The equations are linear in light, so highlights are treated as all other values.
Even and odd rows take turns, so that rows of one kind can be computed in any order.

Source: Germer, Uelwer, Conrad, Harmeling, Fast Multi-Level Foreground Estimation, 2020. The order of the pixels,
the pyramid of means and the fixed pixels differ from the paper.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["TILE", "foreground"]

#: Side of the tiles that are computed or left out, in pixels of each level.
TILE = 32
#: ε of the equation above, as the paper has it.
_EVEN = np.float32(1e-5)
_COARSEST = 8
_SWEEPS_COARSE, _SWEEPS_FINE = 10, 4
#: Levels with no more pixels than this on the longer side are coarse.
_SMALL = 64
_FEW_LINES = 4


def foreground(planes: Sequence[Array], alpha: Array, background: Sequence[Array] | None = None) -> list[Array]:
    """Return the foreground's own colour.

    Args:
        planes: of the picture, float32 ``(height, width)`` each, finite.
        alpha: coverage, of the same shape; it is held between 0 and 1.
        background: planes of what is behind the foreground, where it is known; finite.

    Returns:
        The foreground's planes: where alpha is 1, those that came in; where it is 0, some continuation.
    """
    alpha = np.clip(plane_of(alpha), 0, 1)
    planes = [plane_of(plane) for plane in planes]
    if alpha.size == 0:
        return planes
    levels = _coverage_levels(alpha)
    if not levels[0].active.any():
        return planes
    behind = [None] * len(planes) if background is None else [plane_of(plane) for plane in background]
    return [_one(plane, levels, back) for plane, back in zip(planes, behind, strict=True)]


class _Level:
    """Coverage at one level, and which tiles are computed there."""

    def __init__(self, alpha: Array) -> None:
        self.alpha = alpha
        # Memory for B, used for one plane after the other.
        self.behind = np.empty_like(alpha)
        height, width = alpha.shape
        soft = np.zeros((-(-height // TILE), -(-width // TILE)), np.bool_)
        over_strips(lambda first, last: _find_soft(alpha, soft, first, last), soft.shape[0], least=1)
        self.active = soft
        # Neighbours of what is computed hold a first guess.
        self.guessed = _wider(soft)


def _coverage_levels(alpha: Array) -> list[_Level]:
    levels = [_Level(alpha)]
    while max(levels[-1].alpha.shape) > _COARSEST:
        levels.append(_Level(_halved(levels[-1].alpha)))
    return levels


def _wider(tiles: Array) -> Array:
    padded = np.pad(tiles, 1)
    height, width = tiles.shape
    result: Array = np.zeros_like(tiles)
    for down, across in product(range(3), repeat=2):
        result |= padded[down : down + height, across : across + width]
    return result


def _one(plane: Array, levels: Sequence[_Level], background: Array | None) -> Array:
    """The foreground of one plane."""
    # Without the known background, what is left is the foreground's part alone, and nothing is behind it.
    both = np.float32(background is None)
    lights = [plane if background is None else plane - (1 - levels[0].alpha) * background]
    for _ in levels[1:]:
        lights.append(_halved(lights[-1]))
    F: Array = np.zeros((1, 1), np.float32)
    B: Array = np.zeros((1, 1), np.float32)
    for level, light in zip(reversed(levels), reversed(lights), strict=True):
        alpha = level.alpha
        if level is levels[-1]:
            F, B = _mean(light, alpha), _mean(light, 1 - alpha) * both
        F, B = _guess(level, light, F, B, both)
        coarse = max(alpha.shape) <= _SMALL
        for _ in range(_SWEEPS_COARSE if coarse else _SWEEPS_FINE):
            for borders in (False, True):
                _sweep(level, light, F, B, both, borders)
    if background is not None:
        np.maximum(F, np.minimum(plane, 0), out=F)
    return F


def _mean(light: Array, weight: Array) -> Array:
    total = weight.sum(dtype=np.float64)
    mean = (light * weight).sum(dtype=np.float64) / total if total > 0 else light.mean(dtype=np.float64)
    return np.full((_COARSEST, _COARSEST), mean, np.float32)


def _guess(level: _Level, light: Array, F: Array, B: Array, both: np.float32) -> tuple[Array, Array]:
    """F and B from the level above."""
    made = np.empty_like(light), level.behind
    over_strips(
        lambda first, last: _enlarge(level.guessed, level.alpha, light, F, B, both, *made, first, last),
        level.guessed.shape[0],
        least=1,
    )
    return made


def _sweep(level: _Level, light: Array, F: Array, B: Array, both: np.float32, borders: bool) -> None:
    def lines(first: int, last: int) -> None:
        _relax(level.active, level.alpha, light, F, B, both, _EVEN, borders, first, last)

    count = level.active.shape[0]
    # Threads would cost more than a small level takes.
    if count <= _FEW_LINES:
        lines(0, count)
    else:
        over_strips(lines, count, least=1)


def _halved(plane: Array) -> Array:
    """Means of two by two pixels; where a side is odd, the last pixels stand for two."""
    height, width = plane.shape
    result = np.empty((-(-height // 2), -(-width // 2)), np.float32)
    over_strips(lambda first, last: _halve(plane, result, first, last), result.shape[0])
    return result


@compiled
def _find_soft(alpha: Array, soft: Array, first: int, last: int) -> None:
    # Neighbours of soft pixels are part of the equations.
    height, width = alpha.shape
    for line in range(first, last):
        for y in range(max(line * TILE - 1, 0), min(line * TILE + TILE + 1, height)):
            for tile in range(soft.shape[1]):
                if soft[line, tile]:
                    continue
                row = alpha[y, max(tile * TILE - 1, 0) : min(tile * TILE + TILE + 1, width)]
                count = 0
                for x in range(row.size):
                    count += (row[x] > 0) & (row[x] < 1)
                soft[line, tile] = count > 0


@compiled
def _halve(plane: Array, result: Array, first: int, last: int) -> None:
    height, width = plane.shape
    for y in range(first, last):
        above, below = plane[2 * y], plane[min(2 * y + 1, height - 1)]
        out = result[y]
        for x in range(width // 2):
            out[x] = np.float32(0.25) * ((above[2 * x] + above[2 * x + 1]) + (below[2 * x] + below[2 * x + 1]))
        if width % 2:
            out[width // 2] = np.float32(0.5) * (above[width - 1] + below[width - 1])


@compiled
def _enlarge(
    tiles: Array,
    alpha: Array,
    light: Array,
    F: Array,
    B: Array,
    both: np.float32,
    larger_f: Array,
    larger_b: Array,
    first: int,
    last: int,
) -> None:
    height, width = alpha.shape
    for y in range(first * TILE, min(last * TILE, height)):
        from_y = min(y // 2, F.shape[0] - 1)
        for tile in range(tiles.shape[1]):
            begin, end = tile * TILE, min(tile * TILE + TILE, width)
            shown, out_f = light[y, begin:end], larger_f[y, begin:end]
            if not tiles[y // TILE, tile]:
                # Where nothing is computed, the picture itself is the result.
                for x in range(end - begin):
                    out_f[x] = shown[x]
                continue
            cover, out_b = alpha[y, begin:end], larger_b[y, begin:end]
            from_f, from_b = (
                F[from_y, begin // 2 : begin // 2 + TILE // 2],
                B[from_y, begin // 2 : begin // 2 + TILE // 2],
            )
            for x in range(end - begin):
                out_f[x] = shown[x] if cover[x] >= 1 else from_f[x // 2]
                out_b[x] = shown[x] * both if cover[x] <= 0 else from_b[x // 2]


@compiled
def _relax(
    tiles: Array,
    alpha: Array,
    light: Array,
    F: Array,
    B: Array,
    both: np.float32,
    even: np.float32,
    borders: bool,
    first: int,
    last: int,
) -> None:
    height = alpha.shape[0]
    for line in range(first, last):
        begin, end = line * TILE, min(line * TILE + TILE, height)
        active = tiles[line]
        if borders:
            # The last row of a line of tiles waits for the first one of the next.
            if end < height:
                _relax_row(active, alpha, light, F, B, both, even, end - 1)
            continue
        # An odd row follows as soon as both even rows beside it are done, while they are in the cache.
        for y in range(begin, end, 2):
            _relax_row(active, alpha, light, F, B, both, even, y)
            if y > begin:
                _relax_row(active, alpha, light, F, B, both, even, y - 1)
        if end == height and (end - begin) % 2 == 0:
            _relax_row(active, alpha, light, F, B, both, even, end - 1)


@compiled
def _relax_row(
    tiles: Array, alpha: Array, light: Array, F: Array, B: Array, both: np.float32, even: np.float32, y: int
) -> None:
    height, width = alpha.shape
    up, down = max(y - 1, 0), min(y + 1, height - 1)
    # A row with one more pixel on each side, so that the loop over it has no special cases.
    near_a, near_f = np.empty(width + 2, np.float32), np.empty(width + 2, np.float32)
    near_b = np.empty(width + 2, np.float32)
    one, zero = np.float32(1), np.float32(0)
    tile = 0
    while tile < tiles.size:
        if not tiles[tile]:
            tile += 1
            continue
        begin = tile * TILE
        while tile < tiles.size and tiles[tile]:
            tile += 1
        end = min(tile * TILE, width)
        count = end - begin
        a_row, f_out, b_out = alpha[y, begin:end], F[y, begin:end], B[y, begin:end]
        for x in range(count):
            near_a[x + 1], near_f[x + 1], near_b[x + 1] = a_row[x], f_out[x], b_out[x]
        left, right = max(begin - 1, 0), min(end, width - 1)
        near_a[0], near_f[0], near_b[0] = alpha[y, left], F[y, left], B[y, left]
        near_a[count + 1], near_f[count + 1], near_b[count + 1] = alpha[y, right], F[y, right], B[y, right]
        a_up, a_down = alpha[up, begin:end], alpha[down, begin:end]
        f_up, f_down = F[up, begin:end], F[down, begin:end]
        b_up, b_down = B[up, begin:end], B[down, begin:end]
        shown = light[y, begin:end]
        for x in range(count):
            a = near_a[x + 1]
            rest = one - a
            wl, wr = even + abs(a - near_a[x]), even + abs(a - near_a[x + 2])
            wu, wd = even + abs(a - a_up[x]), even + abs(a - a_down[x])
            total = (wl + wr) + (wu + wd)
            part = one / total
            f = (wl * near_f[x] + wr * near_f[x + 2] + wu * f_up[x] + wd * f_down[x]) * part
            b = (wl * near_b[x] + wr * near_b[x + 2] + wu * b_up[x] + wd * b_down[x]) * part
            off = (shown[x] - a * f - rest * b) / (total + a * a + both * rest * rest)
            f += a * off
            b += both * rest * off
            f_out[x] = shown[x] if a >= one else max(f, min(shown[x], zero))
            b_out[x] = shown[x] * both if a <= zero else b
