"""Colour carried from where it is known to everywhere, by a pyramid: pull and push.

How far a pixel is known is a weight from 0 to 1; colour comes multiplied by it. *Pull*: each level is made of the
one below by the filter 1 3 3 1 in both directions, so that its pixels are twice as large. Weights add up to at
most 1; where the sum is larger, weight and colour are divided by it. *Push*: from the coarsest level down, what
a pixel does not know is interpolated between the four nearest pixels of the coarser level. A few steps towards
the mean of the four neighbours then smooth it, and bring it nearer to the membrane that is fastened to the known
pixels.

Source: Gortler, Grzeszczuk, Szeliski, Cohen, The Lumigraph, 1996 (pull and push, with weights that
saturate). Smoothing: relaxation of Laplace's equation, common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise, product
from typing import Any

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["push_pull"]

#: Smoothing steps: of the finest level, and the most; each level has four times as many as the finer one.
_STEPS, _MOST_STEPS = 2, 32
#: Rows of a band, at the least: of one step, and what is added for each further one.
_BAND, _BAND_STEP = 32, 4
_SMALL = 1 << 15


def push_pull(planes: Sequence[Array], weight: Array) -> list[Array]:
    """Return the colour that surroundings give to each pixel.

    Args:
        planes: float32 ``(height, width)`` each, colour times ``weight``; finite.
        weight: how far each pixel is known, 0 to 1, of the same shape.

    Returns:
        Planes of full colour: that of the pixel where its weight is 1. All 0 if no weight is above 0.
    """
    weights, levels = [plane_of(weight)], [[plane_of(plane) for plane in planes]]
    while max(weights[-1].shape) > 1:
        total, coarse = _pulled(weights[-1], levels[-1])
        weights.append(total)
        levels.append(coarse)
    total = weights.pop()
    full = [np.divide(plane, total, out=np.zeros_like(total), where=total > 0) for plane in levels.pop()]
    for k in reversed(range(len(weights))):
        full = _pushed(levels[k], weights[k], full, min(_STEPS << 2 * k, _MOST_STEPS))
    return full


def _pulled(weight: Array, planes: Sequence[Array]) -> tuple[Array, list[Array]]:
    """Weight and planes of the next level."""
    height, width = weight.shape
    total, *coarse = (np.empty((-(-height // 2), -(-width // 2)), np.float32) for _ in (weight, *planes))

    def rows(first: int, last: int) -> None:
        some = slice(first, last)
        _pull(weight, total, first, last)
        scale = 1 / np.maximum(total[some], 1)
        np.minimum(total[some], 1, out=total[some])
        for plane, result in zip(planes, coarse, strict=True):
            _pull(plane, result, first, last)
            result[some] *= scale

    over_strips(rows, total.shape[0])
    return total, coarse


def _pushed(known: Sequence[Array], weight: Array, coarse: Sequence[Array], steps: int) -> list[Array]:
    planes = [np.empty_like(weight) for _ in known]
    height = weight.shape[0]

    def push(first: int, last: int) -> None:
        for has, larger, plane in zip(known, coarse, planes, strict=True):
            _push(has, weight, larger, plane, first, last)

    over_strips(push, height)
    # Rows of a band are smoothed by all steps while they are in the cache, as far as they do not depend on other
    # bands; then what is left at the borders of bands.
    small = weight.size < _SMALL
    starts = [0] if small else list(range(0, height, _BAND + _BAND_STEP * steps))
    if len(starts) > 1 and height - starts[-1] < _BAND + _BAND_STEP * steps:
        del starts[-1]
    bands = list(pairwise([*starts, height]))
    done = [np.zeros(height, np.int64) for _ in planes]
    borders = [(border - 2 * steps, border + 2 * steps) for border in starts[1:]]
    for parts, whole in ((bands, False), (borders, True)):
        jobs = list(product(range(len(planes)), parts))

        def smooth(first: int, last: int, jobs: list[Any] = jobs, whole: bool = whole) -> None:
            for k, (begin, end) in jobs[first:last]:
                _smooth(known[k], weight, planes[k], done[k], steps, begin, end, whole)

        over_strips(smooth, len(jobs), least=len(jobs) if small else 1)
    return planes


@compiled
def _pull(plane: Array, result: Array, first: int, last: int) -> None:
    height, width = plane.shape
    # One row of sums down, with a border of 0.
    sums = np.zeros(2 * result.shape[1] + 2, np.float32)
    inner = sums[1 : width + 1]
    near, far = np.float32(0.75), np.float32(0.25)
    zeros = np.zeros(width, np.float32)
    for y in range(first, last):
        above = plane[2 * y - 1] if y > 0 else zeros
        upper = plane[2 * y]
        lower = plane[2 * y + 1] if 2 * y + 1 < height else zeros
        below = plane[2 * y + 2] if 2 * y + 2 < height else zeros
        for x in range(width):
            inner[x] = near * (upper[x] + lower[x]) + far * (above[x] + below[x])
        out = result[y]
        for x in range(out.size):
            out[x] = near * (sums[2 * x + 1] + sums[2 * x + 2]) + far * (sums[2 * x] + sums[2 * x + 3])


@compiled
def _push(known: Array, weight: Array, coarse: Array, result: Array, first: int, last: int) -> None:
    width = known.shape[1]
    rows, columns = coarse.shape
    near, far, one = np.float32(0.75), np.float32(0.25), np.float32(1)
    mixed = np.empty(columns + 2, np.float32)
    inner = mixed[1 : columns + 1]
    spread = np.empty(2 * columns, np.float32)
    for y in range(first, last):
        own = y // 2
        other = min(own + 1, rows - 1) if y % 2 else max(own - 1, 0)
        upper, lower = coarse[own], coarse[other]
        for x in range(columns):
            inner[x] = near * upper[x] + far * lower[x]
        mixed[0], mixed[columns + 1] = inner[0], inner[columns - 1]
        for x in range(columns):
            spread[2 * x] = near * mixed[x + 1] + far * mixed[x]
            spread[2 * x + 1] = near * mixed[x + 1] + far * mixed[x + 2]
        has, share, out = known[y], weight[y], result[y]
        for x in range(width):
            out[x] = has[x] + (one - share[x]) * spread[x]


@compiled
def _smooth(
    known: Array, weight: Array, plane: Array, done: Array, steps: int, begin: int, end: int, whole: bool
) -> None:
    """Smooth rows of a band, or of the border between two bands, and count in ``done`` how often each was.

    Even and odd rows take turns. So an even row may be smoothed once more when both rows beside it were smoothed
    as often as it was, an odd one when they were smoothed once more; in any other order, the result is the same.
    """
    height, width = plane.shape
    padded = np.empty(width + 2, np.float32)
    # A row is smoothed for the first time; the row two above for the second, and so on.
    for front in range(begin, end + 2 * steps, 2):
        for step in range(1, steps + 1):
            even = front - 2 * (step - 1)
            for y in (even, even - 1):
                if y < begin or y >= end or done[y] != step - 1:
                    continue
                if not whole:
                    # What depends on rows of other bands waits.
                    above = (y - begin) // 2 + 1 if begin > 0 else steps
                    below = (end - y) // 2 if end < height else steps
                    if step > min(above, below):
                        continue
                _smooth_row(known, weight, plane, padded, y)
                done[y] = step


@compiled
def _smooth_row(known: Array, weight: Array, plane: Array, padded: Array, y: int) -> None:
    height, width = known.shape
    quarter, one = np.float32(0.25), np.float32(1)
    middle = padded[1 : width + 1]
    above, row, below = plane[max(y - 1, 0)], plane[y], plane[min(y + 1, height - 1)]
    for x in range(width):
        middle[x] = row[x]
    padded[0], padded[width + 1] = row[0], row[width - 1]
    has, share = known[y], weight[y]
    for x in range(width):
        around = quarter * ((padded[x] + padded[x + 2]) + (above[x] + below[x]))
        row[x] = has[x] + (one - share[x]) * around
