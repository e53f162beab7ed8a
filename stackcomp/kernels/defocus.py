"""Defocus: each pixel's light spread over the disc of its circle of confusion, nearer discs in front.

**Views.** Every pixel of the input is a view: light, coverage (alpha), and the radius of its disc, `spread`,
negative in front of the focus and positive behind it. Spread increases with distance, so it also orders views by
distance. The disc is a circle with a soft rim one pixel wide, divided by its sum, so that light is preserved; up
to a diameter of one pixel it is the pixel itself. On a slope it is brighter on one side, see `disc_slopes`.

**Compositing.** A pixel of the result gathers all discs that cover it, sorts them by spread into steps of one
pixel, and composites them from the nearest to the farthest until the pixel is full. Coverage fills it: farther
views get the remaining share, and the uncovered share of a view, which shows nothing, comes last. The shares of
one surface thus add up to 1 and are not composited over each other, at any slope of the surface. Light without
coverage is added and does not fill the pixel. An empty pixel, without coverage and light, has no disc.

**Hidden background.** Near the inner edge of a blurred object, a part of the background becomes visible that the
input does not contain. The missing share, as far as the pixel's own disc extends past the edge, is taken from
nearby farther views with coverage, weighted by their coverage and by ``(1 + d² + r²)⁻²``, with their distance d
and the radius r of their disc: a sharp background goes on with what is nearest, so that it does not end in a seam;
a blurred one has nothing finer than its discs. What is missing beside a nearer object, since that hides the views
that would send it, is compensated by what landed from as far as the pixel itself or from farther, by up to `MORE`
times that. Any other missing share, as behind a sharp object or at the border of the picture, is compensated by
dividing by the share that landed.

**Transparency.** Where an object ends and nothing is behind it, the missing share is transparency, not hidden
background. It is estimated as the share that would land from the clear pixels if the object continued there: as a
plane, if its discs are those of a plane, so that the sum of its discs is unchanged; otherwise with the disc at its
edge. This applies up to one and a half radii from pixels without coverage; farther inside, opaque objects stay
opaque.

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
from stackcomp.kernels.disc_gather import BLOCK, END, LEAST, LISTED, STEPS, block_reaches, gather, inverse_sums
from stackcomp.kernels.disc_slopes import STEEP, slopes_of
from stackcomp.kernels.strips import over_strips

__all__ = ["defocus", "margin", "reach"]

_MOST = 1000


def reach(largest: float) -> int:
    """Return the number of pixels by which discs extend beyond their centres.

    Args:
        largest: largest radius in pixels.

    Raises:
        ValueError: negative or not finite.
    """
    if not (math.isfinite(largest) and largest >= 0):
        raise ValueError(f"the largest radius is 0 or more, not {largest}")
    return 0 if largest <= LEAST else math.ceil(largest)


def margin(largest: float) -> int:
    """Return the number of pixels that `defocus` reads beyond its result on each side.

    It is larger than `reach`, to detect where objects end.

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
        spread: radius of each pixel's disc in pixels, of the same shape: negative in front of the focus, positive
            behind. NaN means unknown: the pixel spreads no light, and its share counts as missing. The spread of
            empty pixels (all planes 0) is ignored.
        largest: upper limit of radii in pixels.

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
    # Small types, because each of these planes needs much memory in a large picture.
    share = np.empty(red.shape, np.float32)
    index, step = np.empty(red.shape, np.int16), np.empty(red.shape, np.int16)
    clear = np.empty(red.shape, np.bool_)
    with np.errstate(invalid="ignore"):
        fits = spread.dtype == np.float32 and np.max(spread, initial=0) <= largest
        fits = fits and np.min(spread, initial=0) >= -largest
    limited = np.ascontiguousarray(spread) if fits else np.empty(red.shape, np.float32)

    def prepare(first: int, last: int) -> None:
        rows = slice(first, last)
        known = np.isfinite(spread[rows])
        if not fits:
            np.clip(spread[rows], -largest, largest, out=limited[rows], casting="same_kind")
            limited[rows][~known] = 0
        clear[rows] = known & (alpha[rows] <= 0)
        has_light = (alpha[rows] != 0) | (red[rows] != 0) | (green[rows] != 0) | (blue[rows] != 0)
        known &= has_light
        discs = np.rint(np.maximum(np.abs(limited[rows]), LEAST) * STEPS).astype(np.int16)
        share[rows] = np.where(known, table[discs], np.float32(0))
        index[rows] = np.where(known, discs, np.int16(-STEPS))
        step[rows] = 2 * (np.rint(limited[rows]) + reach(largest)) + (alpha[rows] <= 0)

    over_strips(prepare, red.shape[0])
    slopes, tilts = np.empty((2, *red.shape), np.int8), np.empty((2, *red.shape), np.float32)
    marks = (index >= 0).astype(np.int16)

    def tilt(first: int, last: int) -> None:
        rows = slice(first, last)
        slopes_of(limited, alpha, marks, float(largest), slopes, np.zeros(0, np.bool_), first, last)
        some = limited[rows] * np.float32(STEEP)
        np.divide(slopes[:, rows], np.where(some == 0, np.float32(1), some), out=tilts[:, rows])

    over_strips(tilt, red.shape[0])
    # In a picture with full coverage no object ends.
    to_clear = column_distances(clear) if clear.any() else np.empty((0, 0), np.int16)
    reaches = np.zeros((-(-height // BLOCK), -(-width // BLOCK)), np.int32)
    over_strips(
        lambda *rows: block_reaches(index, reach(largest), around, reaches, *rows), reaches.shape[0], least=1
    )
    new = functools.partial(np.empty, (height, width), np.float32)
    result = (new(), new(), new(), new())
    if height and width:
        colour, views = (red, green, blue, alpha), (limited, index, share, step)
        over_strips(
            lambda *rows: gather(
                colour, views, tilts, to_clear, table, reaches, reach(largest), around, result, *rows
            ),
            height,
            least=4,
        )
    return result


@functools.lru_cache(maxsize=4)
def _inverse_sums(largest: int) -> Array:
    """Return one over the sum of the disc of each radius ``k / STEPS``, float64."""
    return inverse_sums(largest * STEPS + 1)
