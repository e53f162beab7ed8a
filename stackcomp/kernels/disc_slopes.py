"""How fast the radius of discs changes along a surface, which makes its discs uneven.

A patch of a surface has another size from each point of the lens: from one side of the opening the side of a ball
is seen at a flatter angle than from the other, and at its outline not at all. Where the disc's radius c changes by
the slope ∇c, in pixels of radius a pixel, a patch sends ``1 + u · ∇c`` of its light to the place u of its disc, in
radii from the middle: the change of area of the map from pixels to where they are seen, ``x + c u``. All of a disc
is still 1. Without it a highlight on a slope loses light, and curved things have outlines that are too soft.

A slope is measured along a row and a column from the two neighbours on each side that change alike, so it stays on
one surface: at an outline it is that of the inner side, and a thing of a few pixels has none.

Method: ours, by first principles. `tests/kernels/test_defocus_trace.py` holds it against scenes traced through a
lens.
"""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, inlined

__all__ = ["STEEP", "slopes_of"]

#: Parts of a slope of 1 in the planes of `slopes_of`.
STEEP = 64
# Slopes below this change a disc by so little that they count as none.
_LEAST = 1 / 32
# Two differences are alike up to this share of the nearer one and so many pixels; farther apart than the last, two
# neighbours are never one surface.
_ALIKE, _LITTLE, _JUMP = 0.5, 0.05, 1.5


@inlined
def _alike(one: float, two: float) -> bool:
    # Neither holds where one is NaN.
    return bool((abs(one - two) <= _ALIKE * abs(one) + _LITTLE) & (abs(one) < _JUMP))


@inlined
def _slope(farther: float, before: float, own: float, after: float, beyond: float) -> float:
    """Slope at the middle one of five pixels in a line."""
    low, high = own - before, after - own
    low_is = _alike(low, before - farther)
    high_is = _alike(high, beyond - after)
    nearer = low if abs(low) < abs(high) else high
    both = np.float32(0.5) * (low + high) if _alike(low, high) else nearer
    one = low if low_is else (high if high_is else np.float32(0))
    return float(both) if low_is & high_is else float(one)


@compiled
def _radii(spread: Array, alpha: Array, marks: Array, y: int, largest: float, result: Array) -> None:
    """Signed radii of a row, two pixels from the start of an array; NaN where there is no disc of a surface."""
    if y < 0 or y >= spread.shape[0]:
        result[:] = np.nan
        return
    most = np.float32(largest)
    sizes, covers, there = spread[y], alpha[y], marks[y]
    for x in range(sizes.size):
        held = min(most, max(-most, np.float32(sizes[x])))
        result[x + 2] = held if (there[x] != 0) & (covers[x] > 0) else np.float32(np.nan)


@compiled
def slopes_of(
    spread: Array, alpha: Array, marks: Array, largest: float, result: Array, used: Array, first: int, last: int
) -> None:
    """Measure the slopes of radii.

    Args:
        spread: signed radii in pixels.
        alpha: coverage; light without it has no slope.
        marks: int16, 0 where a pixel has no disc.
        largest: upper limit of radii.
        result: receives slopes down and across in parts of ``1 / STEEP``, int8 ``(2, height, width)``. Their
            length is at most what leaves no disc negative: 1, or less for discs of a few pixels.
        used: bool, by absolute values of marks: set where there is a slope; empty if that is not wanted.
        first: first row.
        last: row behind the last.
    """
    width = spread.shape[1]
    rows = np.full((5, width + 4), np.float32(np.nan), np.float32)
    for y in range(first - 2, first + 2):
        _radii(spread, alpha, marks, y, largest, rows[y % 5])
    steep, least = np.float32(STEEP), np.float32(_LEAST)
    for y in range(first, last):
        _radii(spread, alpha, marks, y + 2, largest, rows[(y + 2) % 5])
        above, over, row = rows[(y - 2) % 5], rows[(y - 1) % 5], rows[y % 5]
        under, below = rows[(y + 1) % 5], rows[(y + 2) % 5]
        to_down, to_across = result[0, y], result[1, y]
        for x in range(width):
            down = _slope(above[x + 2], over[x + 2], row[x + 2], under[x + 2], below[x + 2])
            across = _slope(row[x], row[x + 1], row[x + 2], row[x + 3], row[x + 4])
            length, radius = np.sqrt(down * down + across * across), abs(row[x + 2])
            most = radius / (radius + np.float32(0.5))
            scale = steep * (most / length if length > most else np.float32(1))
            scale = scale if (length > least) & (radius > np.float32(1)) else np.float32(0)
            to_down[x], to_across[x] = np.int8(np.int32(down * scale)), np.int8(np.int32(across * scale))
        if used.size:
            for x in range(width):
                if to_down[x] != 0 or to_across[x] != 0:
                    used[abs(marks[y, x])] = True
