"""Defocus: each pixel's light spread over the disc that a lens makes of it, nearer discs in front.

**What a pixel shows.** Every pixel of the input is a view: some light, some coverage (alpha), and the radius
of the disc it spreads over, `spread`, negative in front of the focus and positive behind it. Spread grows
with distance, so it also says which of two views is nearer. The disc is a circle with a soft rim one pixel
wide, divided by its sum, so that light is kept; up to a diameter of one pixel it is the pixel itself.

**What lands on a pixel** is gathered from all discs that reach it, sorted by spread into steps of one pixel,
and laid on from the nearest to the farthest until the pixel is full. Coverage fills it: what stands behind
gets the room that is left, and the uncovered share of a view, which shows nothing, comes last of all. The
shares of one surface thus add up to 1 and are not laid over each other, however the surface slopes.

**What was hidden.** Near the inner edge of a blurred thing one sees past it, to a part of the background
that the input does not show. The share that is missing there, as far as the pixel's own disc sees past the
edge, is taken from what is farther and stands nearby (weighted by the inverse square of its distance). Any
other lack, as at the border of the picture, is made up by dividing by what did land.

Method: ours, after the scatter view of depth of field (Potmesil and Chakravarty, A Lens and Aperture Camera
Model for Synthetic Image Generation, 1981). Every step looks from the pixel outwards in the same order, so a
tile equals the whole bit for bit.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["defocus", "margin"]

# Radii are rounded to this fraction of a pixel, so that each has a disc of known sum.
_STEPS = 32
_MOST = 1000
_BLOCK = 16
_LEAST = 0.5


def margin(largest: float) -> int:
    """Pixels that `defocus` reads beyond its result on each side.

    Args:
        largest: largest radius in pixels.

    Raises:
        ValueError: negative or not finite.
    """
    if not (math.isfinite(largest) and largest >= 0):
        raise ValueError(f"the largest radius is 0 or more, not {largest}")
    return 0 if largest <= _LEAST else math.ceil(largest)


def defocus(planes: Sequence[Array], spread: Array, largest: float) -> tuple[Array, Array, Array, Array]:
    """Spread premultiplied colour over discs.

    Args:
        planes: R, G, B and alpha, premultiplied, float32 ``(height + 2 margin, width + 2 margin)``.
        spread: radius of each pixel's disc in pixels, of the same shape: negative in front of the focus,
            positive behind. NaN means that nothing is known there: no light comes from it and none is lost.
        largest: radii are held to this.

    Returns:
        R, G, B and alpha, float32 ``(height, width)``.

    Raises:
        ValueError: planes of different shapes, or smaller than their margins; radii past 1000 pixels.
    """
    red, green, blue, alpha = (plane_of(plane) for plane in planes)
    reach = margin(largest)
    height, width = red.shape[0] - 2 * reach, red.shape[1] - 2 * reach
    if any(plane.shape != red.shape for plane in (green, blue, alpha, spread)):
        raise ValueError("planes and spread have different shapes")
    if largest > _MOST:
        raise ValueError(f"discs have radii of up to {_MOST} pixels, not {largest:g}")
    if height < 0 or width < 0:
        raise ValueError(f"planes of {red.shape} have no room for margins of {reach} pixels")
    table = _inverse_sums(math.ceil(max(largest, _LEAST))).astype(np.float32)
    # Small numbers are kept small: in a large picture each of these planes is memory that counts.
    share = np.empty(red.shape, np.float32)
    index, step = np.empty(red.shape, np.int16), np.empty(red.shape, np.int16)
    with np.errstate(invalid="ignore"):
        fits = spread.dtype == np.float32 and np.max(spread, initial=0) <= largest
        fits = fits and np.min(spread, initial=0) >= -largest
    held = spread if fits else np.empty(red.shape, np.float32)

    def prepare(first: int, last: int) -> None:
        rows = slice(first, last)
        known = np.isfinite(spread[rows])
        if not fits:
            np.clip(spread[rows], -largest, largest, out=held[rows], casting="same_kind")
            held[rows][~known] = 0
        discs = np.rint(np.maximum(np.abs(held[rows]), _LEAST) * _STEPS).astype(np.int16)
        share[rows] = np.where(known, table[discs], np.float32(0))
        index[rows] = np.where(known, discs, np.int16(-_STEPS))
        step[rows] = np.rint(held[rows]) + reach

    over_strips(prepare, red.shape[0])
    reaches = _reaches(index, reach, height, width)
    new = functools.partial(np.empty, (height, width), np.float32)
    result = (new(), new(), new(), new())
    if height and width:
        over_strips(
            lambda first, last: _gather(
                (red, green, blue, alpha), held, index, share, step, reaches, reach, result, first, last
            ),
            height,
            least=4,
        )
    return result


@functools.lru_cache(maxsize=4)
def _inverse_sums(largest: int) -> Array:
    """One over the sum of the disc of each radius ``k / _STEPS``, float64."""
    return _sums(largest * _STEPS + 1)


@compiled
def _sums(count: int) -> Array:
    result = np.ones(count, np.float64)
    for k in range(_STEPS // 2, count):
        radius = k / _STEPS
        reach = int(radius + 0.5)
        total = 0.0
        for y in range(-reach, reach + 1):
            for x in range(-reach, reach + 1):
                total += max(0.0, min(1.0, radius + 0.5 - np.sqrt(float(x * x + y * y))))
        result[k] = 1 / total
    return result


def _reaches(index: Array, reach: int, height: int, width: int) -> Array:
    """How far each block of the result has to look: no disc from farther away touches it.

    Looking less far leaves out nothing but zeros, so blocks may lie anywhere.
    """
    rows, columns = -(-height // _BLOCK), -(-width // _BLOCK)
    result = np.zeros((rows, columns), np.int32)
    for row in range(rows):
        for column in range(columns):
            look = reach
            while True:
                top, left = row * _BLOCK + reach - look, column * _BLOCK + reach - look
                seen = index[top : top + _BLOCK + 2 * look, left : left + _BLOCK + 2 * look]
                enough = min(look, math.floor(max(0.0, float(seen.max()) / _STEPS) + 0.5))
                if enough == look:
                    break
                look = enough
            result[row, column] = look
    return result


@compiled
def _gather(
    planes: tuple[Array, Array, Array, Array],
    spread: Array,
    index: Array,
    share: Array,
    step: Array,
    reaches: Array,
    reach: int,
    result: tuple[Array, Array, Array, Array],
    first: int,
    last: int,
) -> None:
    red, green, blue, alpha = planes
    width = result[0].shape[1]
    # Per step of spread: weight of views, then their light and coverage.
    landed = np.zeros((2 * reach + 1, 5))
    for y in range(first, last):
        for x in range(width):
            py, px = y + reach, x + reach
            look = reaches[y // _BLOCK, x // _BLOCK]
            if look == 0:
                result[0][y, x] = red[py, px]
                result[1][y, x] = green[py, px]
                result[2][y, x] = blue[py, px]
                result[3][y, x] = alpha[py, px]
                continue
            own, own_spread = index[py, px] / _STEPS, spread[py, px]
            own_share = share[py, px]
            fills = own > _LEAST
            past = 0.0
            fill = fill_red = fill_green = fill_blue = fill_alpha = 0.0
            nearest, farthest = 2 * reach + 1, -1
            for dy in range(-look, look + 1):
                qy = py + dy
                for dx in range(-look, look + 1):
                    qx = px + dx
                    square = float(dx * dx + dy * dy)
                    edge = index[qy, qx] / _STEPS + 0.5
                    if edge > 0 and square < edge * edge:
                        weight = share[qy, qx] * min(1.0, edge - np.sqrt(square))
                        k = step[qy, qx]
                        nearest = min(nearest, k)
                        farthest = max(farthest, k)
                        bin_ = landed[k]
                        bin_[0] += weight
                        bin_[1] += weight * red[qy, qx]
                        bin_[2] += weight * green[qy, qx]
                        bin_[3] += weight * blue[qy, qx]
                        bin_[4] += weight * alpha[qy, qx]
                    if fills and edge > 0:
                        farther = spread[qy, qx] - own_spread - 0.5
                        room = own + 0.5
                        if farther > 0 and square < room * room:
                            farther = min(1.0, farther)
                            past += farther * own_share * min(1.0, room - np.sqrt(square))
                            weight = farther / (square + 1.0)
                            fill += weight
                            fill_red += weight * red[qy, qx]
                            fill_green += weight * green[qy, qx]
                            fill_blue += weight * blue[qy, qx]
                            fill_alpha += weight * alpha[qy, qx]
            full = clear = 0.0
            sum_red = sum_green = sum_blue = sum_alpha = 0.0
            for k in range(nearest, farthest + 1):
                bin_ = landed[k]
                if bin_[0] > 0:
                    part = min(1.0, (1.0 - full) / bin_[0])
                    full += part * bin_[4]
                    clear += part * (bin_[0] - bin_[4])
                    sum_red += part * bin_[1]
                    sum_green += part * bin_[2]
                    sum_blue += part * bin_[3]
                    sum_alpha += part * bin_[4]
                    bin_[:] = 0
            full = min(1.0, full + clear)
            lack = min(1.0 - full, past)
            if fill > 0 and lack > 0:
                part = lack / fill
                full += lack
                sum_red += part * fill_red
                sum_green += part * fill_green
                sum_blue += part * fill_blue
                sum_alpha += part * fill_alpha
            whole = 1 / full if full > 0 else 0.0
            result[0][y, x] = sum_red * whole
            result[1][y, x] = sum_green * whole
            result[2][y, x] = sum_blue * whole
            result[3][y, x] = sum_alpha * whole
