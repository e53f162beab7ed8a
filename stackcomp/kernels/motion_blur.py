"""Motion blur: each pixel's light spread along its path while the shutter is open, nearer paths in front.

**Views.** Every pixel of the input is a view: light, coverage (alpha), and a straight path at constant speed. Its
light and coverage are spread evenly over the path (`motion_paths`), so that what moves alike is convolved with
an antialiased line, and light is preserved.

**Compositing.** A pixel of the result takes the views that arrive in it from the nearest to the farthest, until
its time is full. Coverage fills it: the uncovered share of a view shows what is behind. The shares of one surface
add up to 1 and are not composited over each other. Light without coverage is added, and does not fill. Nearer is
what has less depth; without depth, what moves farther.

**Edges.** A partly covered pixel takes motion and depth of the most covered pixel up to two pixels away, since its
own may be mixed with those of what is beside it, or 0.

**Hidden ground.** Where a moving thing leaves a pixel, ground becomes visible that the input does not contain. The
share of the time in which it does is known from the pixel's own path backwards, as far as that lies beyond the
thing: on clear pixels, or on views farther away. These fill the missing share, weighted by the inverse square of
their distance; so beyond the edge of a layer there is nothing, and transparency is the share of the time. Any
other missing share belongs to the views that are not in front of the pixel's own, and these are multiplied up.

Method: ours, after the scatter view of motion blur (Potmesil and Chakravarty, Modeling Motion Blur in
Computer-Generated Images, 1983).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.motion_scatter import TILE, scatter
from stackcomp.kernels.motion_views import BLOCK, DONOR, LEAST, block_bounds, find_mixed, share_mixed, views
from stackcomp.kernels.strips import over_strips

__all__ = ["Longest", "margin", "motion_blur", "reach"]


class Longest(NamedTuple):
    """The longest motion in pixels per frame before it was shortened, and the row and column where it is."""

    length: float
    row: int
    column: int


def reach(largest: float, begin: float, end: float) -> int:
    """Return the number of pixels by which light lands beyond its place.

    Args:
        largest: longest motion, in pixels per frame.
        begin: begin of the exposure, in frames from the frame.
        end: its end.

    Raises:
        ValueError: a length that is negative or not finite; times that are not finite or in the wrong order.
    """
    if not (math.isfinite(largest) and largest >= 0):
        raise ValueError(f"the longest motion is 0 or more, not {largest}")
    if not (math.isfinite(begin) and math.isfinite(end) and begin <= end):
        raise ValueError(f"an exposure begins before it ends, not at {begin} and {end}")
    farthest = largest * max(abs(begin), abs(end))
    return math.ceil(farthest) if farthest >= LEAST else 0


def margin(largest: float, begin: float, end: float) -> int:
    """Return the number of pixels that `motion_blur` reads beyond its result on each side.

    It is larger than `reach`, since edges look at pixels beside them. Arguments and errors as `reach`.
    """
    away = reach(largest, begin, end)
    return away + 4 + DONOR if away else 0


def motion_blur(
    planes: Sequence[Array],
    motion: Sequence[Array],
    depth: Array | None,
    begin: float,
    end: float,
    largest: float,
) -> tuple[tuple[Array, Array, Array, Array], Longest]:
    """Spread premultiplied colour along its motion.

    Time grows with the number of pixels and with the mean length of paths; what is still costs next to nothing.

    Args:
        planes: R, G, B and alpha, premultiplied, float32 ``(height + 2 margin, width + 2 margin)``, finite.
        motion: dx (right) and dy (down) in pixels per frame, of the same shape. What is not finite is taken as 0,
            and the motion of empty pixels (all planes 0) is ignored.
        depth: distances of the same shape, 0 or not finite where there is nothing; None where they are not known,
            and what moves farther is in front.
        begin: begin of the exposure, in frames from the frame; may be negative.
        end: its end.
        largest: longer motion is shortened to this length, in pixels per frame.

    Returns:
        R, G, B and alpha, float32 ``(height, width)``, and the longest motion with its row and column in the
        input.

    Raises:
        ValueError: planes of different shapes, or smaller than their margins; as `reach`.
    """
    around = margin(largest, begin, end)
    colour = [plane_of(plane) for plane in planes]
    shape = colour[0].shape
    height, width = shape[0] - 2 * around, shape[1] - 2 * around
    moved = [plane_of(plane) for plane in motion]
    far = np.empty((0, 0), np.float32) if depth is None else plane_of(depth)
    if any(plane.shape != shape for plane in (*colour, *moved)) or (depth is not None and far.shape != shape):
        raise ValueError("planes, motion and depth have different shapes")
    if height < 0 or width < 0:
        raise ValueError(f"planes of {shape} have no room for margins of {around} pixels")
    red, green, blue, alpha = colour
    dx, dy = moved
    times = (float(begin), float(end))
    new = functools.partial(np.empty, shape, np.float32)
    own_x, own_y, order = new(), new(), new()
    found: list[tuple[float, int, int]] = []

    def prepare(first: int, last: int) -> None:
        found.append(
            views(
                (red, green, blue, alpha), (dx, dy), far, times, float(largest), (own_x, own_y, order), first, last
            )
        )

    over_strips(prepare, shape[0])
    # The first of several that are equally long, whoever works on what.
    longest = Longest(*max(found, key=lambda one: (one[0], -one[1], -one[2]), default=(0.0, 0, 0)))
    if around == 0:
        return (red.copy(), green.copy(), blue.copy(), alpha.copy()), longest
    by_depth = depth is not None
    codes, shares = np.empty(shape, np.uint8), np.empty(shape, np.uint8)
    over_strips(
        lambda *rows: find_mixed(alpha, (own_x, own_y), order, times[1] - times[0], by_depth, codes, *rows),
        shape[0],
    )
    over_strips(lambda *rows: share_mixed((red, green, blue, alpha), order, codes, shares, *rows), shape[0])
    bounds = np.empty((-(-shape[0] // BLOCK), -(-shape[1] // BLOCK), 5), np.int32)
    over_strips(
        lambda *rows: block_bounds(alpha, (own_x, own_y), codes, times, bounds, *rows), bounds.shape[0], least=1
    )
    make = functools.partial(np.empty, (height, width), np.float32)
    result = (make(), make(), make(), make())
    if height and width:
        bits = order.view(np.uint32)
        over_strips(
            lambda *rows: scatter(
                (red, green, blue, alpha), (own_x, own_y), order, bits, (codes, shares), bounds, times, by_depth,
                around, result, *rows,
            ),
            -(-height // TILE),
            least=1,
        )  # fmt: skip
    return result, longest
