"""Defocus: each pixel's light spread over the disc that a lens makes of it, nearer discs in front.

**What a pixel shows.** Every pixel of the input is a view: some light, some coverage (alpha), and the radius
of the disc it spreads over, `spread`, negative in front of the focus and positive behind it. Spread grows
with distance, so it also says which of two views is nearer. The disc is a circle with a soft rim one pixel
wide, divided by its sum, so that light is kept; up to a diameter of one pixel it is the pixel itself.

**What lands on a pixel** is gathered from all discs that reach it, sorted by spread into steps of one pixel,
and laid on from the nearest to the farthest until the pixel is full. Coverage fills it: what stands behind
gets the room that is left, and the uncovered share of a view, which shows nothing, comes last of all. The
shares of one surface thus add up to 1 and are not laid over each other, however the surface slopes. Light
without coverage is added and fills nothing. An empty pixel, without coverage and light, has no disc.

**What was hidden.** Near the inner edge of a blurred thing one sees past it, to a part of the background
that the input does not show. The share that is missing there, as far as the pixel's own disc sees past the
edge, is taken from what covers, is farther and stands nearby (weighted by its coverage and by the inverse
square of its distance). Any other lack, as behind a sharp thing or at the border of the picture, is made up by
dividing by what did land.

**What is empty stays empty.** Where a thing ends and nothing is behind it, the lack is no lack but what alpha is
for. It is as large as what would land from the clear pixels if the thing went on there: as the plane that it
is, in which case the sum of its discs stays as it is, or else as large as it is at its edge. This is looked at
up to one and a half radii away from where nothing covers; inside, opaque things stay opaque.

Method: ours, after the scatter view of depth of field (Potmesil and Chakravarty, A Lens and Aperture Camera
Model for Synthetic Image Generation, 1981); the loops are in `disc_gather`.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.column_distance import column_distances
from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.disc_gather import BLOCK, END, LEAST, LISTED, STEPS, gather, look, sums
from stackcomp.kernels.strips import over_strips

__all__ = ["defocus", "margin", "reach"]

_MOST = 1000


def reach(largest: float) -> int:
    """Pixels by which discs reach beyond what they are made of.

    Args:
        largest: largest radius in pixels.

    Raises:
        ValueError: negative or not finite.
    """
    if not (math.isfinite(largest) and largest >= 0):
        raise ValueError(f"the largest radius is 0 or more, not {largest}")
    return 0 if largest <= LEAST else math.ceil(largest)


def margin(largest: float) -> int:
    """Pixels that `defocus` reads beyond its result on each side: more than `reach`, to see where things end.

    Args:
        largest: largest radius in pixels.

    Raises:
        ValueError: negative or not finite.
    """
    return math.ceil(END * (largest + 0.5)) + 2 if reach(largest) else 0


def defocus(planes: Sequence[Array], spread: Array, largest: float) -> tuple[Array, Array, Array, Array]:
    """Spread premultiplied colour over discs.

    Args:
        planes: R, G, B and alpha, premultiplied, float32 ``(height + 2 margin, width + 2 margin)``.
        spread: radius of each pixel's disc in pixels, of the same shape: negative in front of the focus,
            positive behind. NaN means that nothing is known there: no light comes from it and none is lost.
            What it says of empty pixels (all planes 0) is not looked at.
        largest: radii are held to this.

    Returns:
        R, G, B and alpha, float32 ``(height, width)``.

    Raises:
        ValueError: planes of different shapes, or smaller than their margins; radii past 1000 pixels.
    """
    red, green, blue, alpha = (plane_of(plane) for plane in planes)
    around = margin(largest)
    height, width = red.shape[0] - 2 * around, red.shape[1] - 2 * around
    if any(plane.shape != red.shape for plane in (green, blue, alpha, spread)):
        raise ValueError("planes and spread have different shapes")
    if largest > _MOST:
        raise ValueError(f"discs have radii of up to {_MOST} pixels, not {largest:g}")
    if height < 0 or width < 0:
        raise ValueError(f"planes of {red.shape} have no room for margins of {around} pixels")
    table = _inverse_sums(max(math.ceil(largest), LISTED)).astype(np.float32)
    # Small numbers are kept small: in a large picture each of these planes is memory that counts.
    share = np.empty(red.shape, np.float32)
    index, step = np.empty(red.shape, np.int16), np.empty(red.shape, np.int16)
    clear = np.empty(red.shape, np.bool_)
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
        clear[rows] = known & (alpha[rows] <= 0)
        something = (alpha[rows] != 0) | (red[rows] != 0) | (green[rows] != 0) | (blue[rows] != 0)
        known &= something
        discs = np.rint(np.maximum(np.abs(held[rows]), LEAST) * STEPS).astype(np.int16)
        share[rows] = np.where(known, table[discs], np.float32(0))
        index[rows] = np.where(known, discs, np.int16(-STEPS))
        step[rows] = 2 * (np.rint(held[rows]) + reach(largest)) + (alpha[rows] <= 0)

    over_strips(prepare, red.shape[0])
    # A picture that covers everything ends nowhere.
    to_clear = column_distances(clear) if clear.any() else np.empty((0, 0), np.int16)
    reaches = np.zeros((-(-height // BLOCK), -(-width // BLOCK)), np.int32)
    over_strips(lambda *rows: look(index, reach(largest), around, reaches, *rows), reaches.shape[0], least=1)
    new = functools.partial(np.empty, (height, width), np.float32)
    result = (new(), new(), new(), new())
    if height and width:
        colour, views = (red, green, blue, alpha), (held, index, share, step)
        over_strips(
            lambda *rows: gather(colour, views, to_clear, table, reaches, reach(largest), around, result, *rows),
            height,
            least=4,
        )
    return result


@functools.lru_cache(maxsize=4)
def _inverse_sums(largest: int) -> Array:
    """One over the sum of the disc of each radius ``k / STEPS``, float64."""
    return sums(largest * STEPS + 1)
