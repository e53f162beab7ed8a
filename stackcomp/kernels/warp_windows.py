"""Which part of a picture a homography needs, and where it puts it; see `stackcomp.kernels.warp`.

Source: Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989 (perspective mappings, local scale).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.cubic_filter import WIDEST
from stackcomp.kernels.homography import inverse

__all__ = ["needed", "placed_window", "reach_of", "seen_from", "signed_inverse", "source_needed"]


def source_needed(
    homography: npt.ArrayLike, source_window: Window, target_window: Window, *, signed: bool = False
) -> Window:
    """Return the part of the source that `stackcomp.kernels.warp.warp_planes` reads for a target window.

    Raises:
        ValueError: as `stackcomp.kernels.warp.warp_planes`.
    """
    return needed(signed_inverse(homography, source_window, signed), source_window, target_window)


def needed(back: Array, source_window: Window, target_window: Window) -> Window:
    """As `source_needed`, by the homography back, whose third coordinate is positive for what is seen."""
    nothing = Window(source_window.x0, source_window.y0, source_window.x0, source_window.y0)
    if target_window.empty or source_window.empty:
        return nothing
    # A tile has four corners: plain numbers are faster than arrays.
    a, b, c = (tuple(map(float, row)) for row in back)
    corners = [(x, y) for x in (target_window.x0, target_window.x1) for y in (target_window.y0, target_window.y1)]
    thirds = [c[0] * x + c[1] * y + c[2] for x, y in corners]
    if not min(thirds) > 0:
        return source_window
    ranges = []
    limits = ((source_window.x0, source_window.x1), (source_window.y0, source_window.y1))
    for row, (first, last) in zip((a, b), limits, strict=True):
        at = [(row[0] * x + row[1] * y + row[2]) / w for (x, y), w in zip(corners, thirds, strict=True)]
        # Both parts of a homography's derivative are linear in the target's position, over w², so their values at
        # the corners bound them.
        cross = [row[k - 2] * c[k - 1] - row[k - 1] * c[k - 2] for k in range(3)]
        by_x = max(abs(cross[1] - cross[2] * y) for _, y in corners) / min(thirds) ** 2
        by_y = max(abs(cross[0] - cross[2] * x) for x, _ in corners) / min(thirds) ** 2
        reach = reach_of(by_x, by_y)
        # Limited to the source before rounding: near the horizon, coordinates are unbounded.
        low, high = (min(max(end, first), last) for end in (min(at) - reach, max(at) + reach))
        ranges.append((math.floor(low), math.ceil(high)))
    (x0, x1), (y0, y1) = ranges
    return source_window & Window(x0, y0, x1, y1)


def placed_window(
    homography: npt.ArrayLike, source_window: Window, frame: Window, *, signed: bool = False
) -> Window:
    """Return the part of the frame that the warped source may cover.

    Raises:
        ValueError: as `stackcomp.kernels.warp.warp_planes`.
    """
    if source_window.empty or frame.empty:
        return Window(frame.x0, frame.y0, frame.x0, frame.y0)
    back = signed_inverse(homography, source_window, signed)
    # The filter extends over two pixels of the source or of the target, whichever are larger.
    x, y, w = np.linalg.inv(back) @ _corners(source_window.grow(2))
    if w.min() <= 0:
        return frame
    low_x, high_x = np.clip([(x / w).min() - 3, (x / w).max() + 3], frame.x0, frame.x1)
    low_y, high_y = np.clip([(y / w).min() - 3, (y / w).max() + 3], frame.y0, frame.y1)
    return frame & Window(math.floor(low_x), math.floor(low_y), math.ceil(high_x), math.ceil(high_y))


def _corners(window: Window) -> Array:
    return np.array(
        [
            [window.x0, window.x1, window.x1, window.x0],
            [window.y0, window.y0, window.y1, window.y1],
            [1, 1, 1, 1],
        ],
        dtype=np.float64,
    )


def seen_from(homography: npt.ArrayLike, source_window: Window) -> Array:
    """Return the homography with the sign for which the middle of the source has a positive third coordinate.

    Args:
        homography: 3×3, source pixels → target pixels.
        source_window: whose middle is seen.
    """
    matrix = np.asarray(homography, dtype=np.float64)
    centre = (
        matrix[2, 0] * (source_window.x0 + source_window.x1) / 2
        + matrix[2, 1] * (source_window.y0 + source_window.y1) / 2
        + matrix[2, 2]
    )
    return -matrix if centre < 0 else matrix


def signed_inverse(homography: npt.ArrayLike, source_window: Window, signed: bool = False) -> Array:
    """Return the inverse; its third coordinate is positive for target pixels that show something.

    Args:
        homography: 3×3, source pixels → target pixels.
        source_window: whose middle is seen, unless ``signed``.
        signed: whether the third coordinate is positive for source pixels that are seen.

    Raises:
        ValueError: not 3×3, not finite or not invertible.
    """
    back = inverse(homography)
    return back if signed else inverse(seen_from(homography, source_window))


def reach_of(by_x: float, by_y: float) -> float:
    """How far the filter extends along an axis of the source that changes so much from pixel to pixel.

    A row of the stretch squared is at most that of the change squared plus 1, and the filter extends over two of
    it in both of its directions.
    """
    return 2 * min(math.sqrt(2) * WIDEST, math.sqrt(2 * (1 + by_x * by_x + by_y * by_y))) + 2
