"""Colour carried from where it is known in one direction.

The picture is gone through row by row, or column by column, whichever the direction crosses more steeply. What a
row does not know, it takes from the row before, at the point that lies against the direction. That point is
sampled with three weights, whose mean it is, and whose variance is the same for every angle. So streaks of grain
fade as they go: after n rows, a point has become a normal distribution with a standard deviation of
√(n · variance).

Nothing comes in from outside of the picture; but what spreads across turns back at its border, so that a streak
along the border stays as strong as others.

Each row passes on the larger of what it knows and what came, not their union: along a soft edge, shares of a half
do not add up from row to row, and previews look as the whole.

Source: semi-Lagrangian transport with a constant velocity (common practice, no source); the three weights are the
only ones with the given sum, mean and variance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["VARIANCE", "carry"]

#: Variance that each row adds, in square pixels: the least that sampling between two pixels needs at any angle.
VARIANCE = 0.25


def carry(
    planes: Sequence[Array], weight: Array, degrees: float, variance: float = VARIANCE
) -> tuple[list[Array], Array, Array]:
    """Return what comes along from where colour is known.

    Args:
        planes: float32 ``(height, width)`` each, colour times ``weight``; finite.
        weight: how far each pixel is known, 0 to 1, of the same shape.
        degrees: where to: 0 is right, 90 down.
        variance: that each row adds, in square pixels; no less than sampling needs, no more than 0.75.

    Returns:
        Colours that arrive in each pixel; how much of what it does not know arrives, 0 to 1; and how far it has
        come in pixels, 0 where nothing arrives.
    """
    turn = math.radians(degrees)
    # Rounded, so that whole quarters of a turn are exact.
    across, down = round(math.cos(turn), 12), round(math.sin(turn), 12)
    swapped = abs(across) > abs(down)
    if swapped:
        across, down = down, across
    slope = across / abs(down)
    whole = round(slope)
    taps = _taps(slope - whole, variance)
    if whole != 0:
        # All motion at one end is inward, and nothing outside is read at the other.
        taps[3:] = 0
    backward, step = down < 0, np.float32(math.hypot(slope, 1))

    def turned(plane: Array) -> Array:
        return _transposed(plane) if swapped else plane

    weight = turned(plane_of(weight))
    arriving = np.empty_like(weight)
    _carry_share(weight, arriving, taps, whole, backward)
    # The way is carried as a colour of which nothing is known; one row stands for all.
    known = [turned(plane_of(plane)) for plane in planes] + [np.zeros((1, weight.shape[1]), np.float32)]
    carried = [np.empty_like(weight) for _ in known]

    def some(first: int, last: int) -> None:
        for k in range(first, last):
            longer = step if k == len(planes) else np.float32(0)
            _carry(known[k], weight, arriving, longer, taps, whole, backward, carried[k])

    # Each row waits for the one before, so planes are what goes side by side.
    over_strips(some, len(known), least=1)
    over_strips(lambda first, last: _share_of_rest(weight, arriving, first, last), weight.shape[0])
    *colours, way = (turned(plane) for plane in carried)
    return colours, turned(arriving), way


_LEAST = np.float32(1e-6)
# Nothing is seen of what is smaller, and processors are slow with subnormal numbers.
_TINY = np.float32(1e-30)
#: Numbers in a line of the cache.
_LINE = 16


def _taps(mean: float, variance: float) -> Array:
    """Weights of the pixels before, at and behind the nearest one, for a point at ``-mean`` from it.

    Then, for the pixels just outside at both ends of a row, what each has of the outermost pixel: all but the part
    of its weight that is motion inward.
    """
    spread = min(max(variance, abs(mean) * (1 - abs(mean))), 0.75) + mean * mean
    first, last = (spread + mean) / 2, (spread - mean) / 2
    ends = (max(1 - max(inward, 0) / tap, 0) if tap > 0 else 0 for tap, inward in ((first, mean), (last, -mean)))
    return np.array([first, 1 - spread, last, *ends], np.float32)


def _transposed(plane: Array) -> Array:
    result: Array = np.empty(plane.shape[::-1], np.float32)
    over_strips(lambda first, last: _transpose(plane, result, first, last), result.shape[0])
    return result


@compiled
def _transpose(plane: Array, result: Array, first: int, last: int) -> None:
    # A line of the cache at a time: a walk down a column would read one number of each.
    whole = last - (last - first) % _LINE
    for top in range(first, whole, _LINE):
        for x in range(result.shape[1]):
            line = plane[x, top : top + _LINE]
            for k in range(_LINE):
                result[top + k, x] = line[k]
    for y in range(whole, last):
        for x in range(result.shape[1]):
            result[y, x] = plane[x, y]


@compiled
def _carry_share(weight: Array, arriving: Array, taps: Array, whole: int, backward: bool) -> None:
    height, width = weight.shape
    # The row before, with room for a whole pixel and a neighbour on each side.
    before = np.zeros(width + 4, np.float32)
    here = before[2 : width + 2]
    for k in range(height):
        y = height - 1 - k if backward else k
        _sample(before, taps, whole, arriving[y])
        own, came = weight[y], arriving[y]
        for x in range(width):
            here[x] = max(own[x], came[x] if came[x] > _TINY else np.float32(0))
        before[1], before[width + 2] = taps[3] * here[0], taps[4] * here[width - 1]


@compiled
def _carry(
    known: Array,
    weight: Array,
    arriving: Array,
    longer: np.float32,
    taps: Array,
    whole: int,
    backward: bool,
    result: Array,
) -> None:
    height, width = weight.shape
    nothing = np.float32(0)
    before = np.zeros(width + 4, np.float32)
    here = before[2 : width + 2]
    for k in range(height):
        y = height - 1 - k if backward else k
        out, came, own_share = result[y], arriving[y], weight[y]
        own = known[min(y, known.shape[0] - 1)]
        _sample(before, taps, whole, out)
        for x in range(width):
            amount = came[x]
            # What a row passes on of what comes, in its colours and in the way that it has made.
            more = max(amount - own_share[x], nothing)
            carried = out[x] + longer * amount
            value = own[x] + (more / amount if amount > 0 else nothing) * carried
            here[x] = value if abs(value) > _TINY else nothing
            # Where hardly anything arrives, the quotient of two such numbers may be anything.
            out[x] = carried / amount if amount > _LEAST else nothing
        before[1], before[width + 2] = taps[3] * here[0], taps[4] * here[width - 1]


@compiled
def _share_of_rest(weight: Array, arriving: Array, first: int, last: int) -> None:
    """Turn what arrives into its share of what a pixel does not know."""
    one, nothing = np.float32(1), np.float32(0)
    for y in range(first, last):
        own, out = weight[y], arriving[y]
        for x in range(out.size):
            more = out[x] - own[x] if out[x] > _LEAST else nothing
            out[x] = min(max(more, nothing) / (one - own[x]), one) if own[x] < 1 else nothing


@compiled
def _sample(before: Array, taps: Array, whole: int, out: Array) -> None:
    left, middle, right = taps[0], taps[1], taps[2]
    one_left = before[1 - whole : 1 - whole + out.size]
    at = before[2 - whole : 2 - whole + out.size]
    one_right = before[3 - whole : 3 - whole + out.size]
    for x in range(out.size):
        out[x] = left * one_left[x] + middle * at[x] + right * one_right[x]
