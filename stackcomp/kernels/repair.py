"""Fills pixels that are not finite from the nearest finite ones around them."""

from __future__ import annotations

import numpy as np

from stackcomp.data.image import Plane

__all__ = ["repair"]

#: Beyond this distance in pixels there is no neighbour to speak of, and 0 is put there.
FARTHEST = 64


def repair(plane: Plane) -> Plane:
    """A copy in which each pixel that is not finite is the mean of the finite pixels nearest to it.

    Nearest means within the smallest square around it that holds any, up to `FARTHEST` pixels away; only
    pixels that were finite from the start count, so the result does not depend on the order of the work.

    Args:
        plane: float32, ``(height, width)``.
    """
    finite = np.isfinite(plane)
    mended = plane.copy()
    height, width = plane.shape
    for y, x in zip(*np.nonzero(~finite), strict=True):
        mended[y, x] = 0
        for reach in range(1, FARTHEST + 1):
            around = (slice(max(0, y - reach), min(height, y + reach + 1)),
                      slice(max(0, x - reach), min(width, x + reach + 1)))  # fmt: skip
            good = finite[around]
            if good.any():
                mended[y, x] = plane[around][good].mean(dtype=np.float64)
                break
    return mended
