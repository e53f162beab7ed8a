"""Softening by a fraction of a pixel: a Gaussian on whole pixels whose variance is exact.

Samples of a narrow Gaussian are narrower than it is (a standard deviation of 0.3 has the effect of 0.09). The
weights here are ``q ** (k * k)`` at the distance k, divided by their sum, with q solved so that their variance is
``sigma ** 2``. Variances of softenings and of the edges that they soften therefore add up, however small they are.
From about one pixel up the weights are samples of the normal density. No weight is negative, so nothing rings.

An edge that something has softened already comes out as the convolution with a Gaussian says: of an edge of 0.5
pixels (standard deviation, before a pixel averages over its area) the width from 10 to 90 % is within 2.4 %, and
of one of 0.8 pixels within 0.7 %. An upright edge that nothing but the averaging over pixels softened becomes
straight pieces between pixels, and no error function: by 0.4 pixels it comes out a quarter narrower than the
convolution, by 0.5 to 0.7 pixels within a tenth, from 1 pixel on within 2 %.

Source: Kemp, Characterizations of a Discrete Normal Distribution, Journal of Statistical Planning and Inference
63, 1997: of all distributions on the whole numbers with one mean and variance, this one has the largest entropy.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["WIDTH_OF_SIGMA", "margin", "soften", "softening_weights"]

#: 10 to 90 % of an edge that a Gaussian softened, in standard deviations: twice its 90 % point.
WIDTH_OF_SIGMA = 2.5631031310892007

#: Weight that may be left out, on both sides together.
_LEFT_OUT = 1e-6
#: A weight beside the pixel of less than this changes no float32.
_LEAST = 1e-4
#: Above this the sampled normal density has the variance to all digits of a float64.
_SAMPLED = 2.0
#: Columns of a tile. A row of it lies in the first cache; most pictures are one tile wide, since memory is read
#: fastest in long rows.
_COLUMNS = 4096


def margin(sigma: float) -> int:
    """Return the number of pixels that `soften` reads beyond its result on each side.

    Args:
        sigma: standard deviation in pixels, 0 or more.

    Raises:
        ValueError: negative or not finite.
    """
    return int(softening_weights(sigma).size) - 1


@functools.lru_cache(maxsize=256)
def softening_weights(sigma: float) -> Array:
    """Return the weights at distances 0, 1, 2 … pixels.

    Args:
        sigma: standard deviation in pixels, 0 or more; below 0.0001 nothing is softened.

    Returns:
        float64, read-only; those of both sides sum to 1 and have the variance ``sigma ** 2``.

    Raises:
        ValueError: negative or not finite.
    """
    if not (math.isfinite(sigma) and sigma >= 0):
        raise ValueError(f"the standard deviation of a softening is 0 or more, not {sigma}")
    if sigma < _LEAST:
        result = np.ones(1)
    else:
        # As far as needed, and again solved for what is left of it.
        wide = _solved(sigma, max(3, math.ceil(6 * sigma)))
        beyond = 2 * np.cumsum(wide[:0:-1])[::-1]
        result = _solved(sigma, max(1, int(np.count_nonzero(beyond > _LEFT_OUT))))
    result.flags.writeable = False
    return result


def _solved(sigma: float, reach: int) -> Array:
    """Weights at 0 to ``reach`` pixels with the variance of ``sigma``."""
    squares = np.arange(reach + 1, dtype=np.float64) ** 2
    times = np.where(squares > 0, 2.0, 1.0)

    def weights(exponent: float) -> Array:
        powers = np.exp(-exponent * squares)
        shares: Array = powers / (times @ powers)
        return shares

    # The variance falls as the exponent rises. It is halved until no float64 lies between the limits.
    low, high = 0.0, 50.0 if sigma < _SAMPLED else 1.0
    while low < (middle := (low + high) / 2) < high:
        if (times * squares) @ weights(middle) > sigma * sigma:
            low = middle
        else:
            high = middle
    return weights(high)


def soften(
    plane: Array,
    source: Window,
    target: Window,
    sigma: float,
    *,
    goes_on: tuple[bool, bool, bool, bool] = (False, False, False, False),
    outside: float = 0.0,
) -> Array:
    """Soften a plane.

    Args:
        plane: float32, of the source window's shape.
        source: window of the plane.
        target: window of the result, of which any part may lie beyond the plane.
        sigma: standard deviation in pixels, 0 or more.
        goes_on: whether the outermost pixels go on beyond the left, top, right and bottom edge.
        outside: what lies beyond the other edges.

    Returns:
        float32, of the target window's shape. A tile equals the whole to the bit. From values of 0 or more, up to
        1e38, come such values; their sum stays the same up to rounding, as far as they fall into the target.

    Raises:
        ValueError: a standard deviation below 0, or a plane of another shape than its window.
    """
    plane = plane_of(plane)
    if plane.shape != source.shape:
        raise ValueError(f"a plane is {plane.shape}, but its window is {source.shape}")
    weights = softening_weights(sigma).astype(np.float32)
    result = np.empty(target.shape, np.float32)
    if target.empty:
        return result
    if source.empty:
        result[:] = outside
        return result
    right, down = target.x0 - source.x0, target.y0 - source.y0
    ends = np.array(goes_on, np.bool_)
    nothing = np.full(source.width, outside, np.float32)
    # One type whatever the plane is, so that nothing is compiled twice.
    given = plane.view()
    given.flags.writeable = nothing.flags.writeable = False
    over_strips(
        lambda first, last: _soften(given, nothing, weights, result, right, down, ends, first, last),
        target.height,
    )
    return result


@compiled
def _fill(out: Array, value: np.float32) -> None:
    # A loop, since numba takes two seconds to compile the assignment of a slice.
    for x in range(out.size):
        out[x] = value


@compiled
def _copy(line: Array, out: Array) -> None:
    for x in range(out.size):
        out[x] = line[x]


@compiled
def _weigh(low: Array, high: Array, weight: np.float32, out: Array) -> None:
    for x in range(out.size):
        out[x] += weight * (low[x] + high[x])


@compiled
def _weigh_first(centre: Array, low: Array, high: Array, own: np.float32, weight: np.float32, out: Array) -> None:
    for x in range(out.size):
        out[x] = own * centre[x] + weight * (low[x] + high[x])


@compiled
def _weigh_first_two(
    centre: Array, near: Array, close: Array, far: Array, away: Array, weights: Array, out: Array
) -> None:
    own, first, second = weights[0], weights[1], weights[2]
    for x in range(out.size):
        out[x] = (own * centre[x] + first * (near[x] + close[x])) + second * (far[x] + away[x])


@compiled
def _weigh_two(
    near: Array, close: Array, far: Array, away: Array, first: np.float32, second: np.float32, out: Array
) -> None:
    for x in range(out.size):
        out[x] = (out[x] + first * (near[x] + close[x])) + second * (far[x] + away[x])


@compiled
def _across(line: Array, weights: Array, out: Array) -> None:
    """Weigh a row of pixels with those beside them; the row is longer by the reach on both sides."""
    reach, count = weights.size - 1, out.size
    if reach == 0:
        _copy(line, out)
        return
    centre, low, high = line[reach : reach + count], line[reach - 1 :], line[reach + 1 :]
    if reach == 1:
        _weigh_first(centre, low[:count], high[:count], weights[0], weights[1], out)
        return
    far, away = line[reach - 2 :], line[reach + 2 :]
    _weigh_first_two(centre, low[:count], high[:count], far[:count], away[:count], weights, out)
    k = 3
    while k <= reach:
        near, close = line[reach - k :], line[reach + k :]
        if k == reach:
            _weigh(near[:count], close[:count], weights[k], out)
        else:
            far, away = line[reach - k - 1 :], line[reach + k + 1 :]
            _weigh_two(near[:count], close[:count], far[:count], away[:count], weights[k], weights[k + 1], out)
        k += 2


@compiled
def _row(source: Array, nothing: Array, ends: Array, y: int) -> Array:
    """A row of the plane, or what lies beyond it."""
    height = source.shape[0]
    if (y < 0 and not ends[1]) or (y >= height and not ends[3]):
        return nothing
    row: Array = source[min(max(y, 0), height - 1)]
    return row


@compiled
def _down(source: Array, nothing: Array, ends: Array, y: int, left: int, weights: Array, out: Array) -> None:
    """Weigh pixels of a row, from a column on, with those above and below."""
    reach, right = weights.size - 1, left + out.size
    centre = _row(source, nothing, ends, y)[left:right]
    if reach == 0:
        _copy(centre, out)
        return
    near, close = _row(source, nothing, ends, y - 1)[left:right], _row(source, nothing, ends, y + 1)[left:right]
    if reach == 1:
        _weigh_first(centre, near, close, weights[0], weights[1], out)
        return
    far, away = _row(source, nothing, ends, y - 2)[left:right], _row(source, nothing, ends, y + 2)[left:right]
    _weigh_first_two(centre, near, close, far, away, weights, out)
    k = 3
    while k <= reach:
        near = _row(source, nothing, ends, y - k)[left:right]
        close = _row(source, nothing, ends, y + k)[left:right]
        if k == reach:
            _weigh(near, close, weights[k], out)
        else:
            far = _row(source, nothing, ends, y - k - 1)[left:right]
            away = _row(source, nothing, ends, y + k + 1)[left:right]
            _weigh_two(near, close, far, away, weights[k], weights[k + 1], out)
        k += 2


@compiled
def _soften(
    source: Array,
    nothing: Array,
    weights: Array,
    result: Array,
    right: int,
    down: int,
    ends: Array,
    first: int,
    last: int,
) -> None:
    reach, width = weights.size - 1, source.shape[1]
    line, side = np.empty(_COLUMNS + 2 * reach, np.float32), np.empty(1, np.float32)
    for start in range(0, result.shape[1], _COLUMNS):
        count = min(_COLUMNS, result.shape[1] - start)
        # Columns that are read, and which of them the source has.
        left, room = start + right - reach, count + 2 * reach
        begin = min(max(-left, 0), room)
        end = max(min(width - left, room), begin)
        for y in range(first, last):
            if begin < end:
                _down(source, nothing, ends, y + down, left + begin, weights, line[begin:end])
            if begin > 0:
                side[0] = nothing[0]
                if ends[0]:
                    # 0 as a number, since a literal would have it compiled again.
                    _down(source, nothing, ends, y + down, width - width, weights, side)
                _fill(line[:begin], side[0])
            if end < room:
                side[0] = nothing[0]
                if ends[2]:
                    _down(source, nothing, ends, y + down, width - 1, weights, side)
                _fill(line[end:room], side[0])
            _across(line[:room], weights, result[y, start : start + count])
