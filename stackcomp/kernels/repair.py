"""Repair pixels that are not finite from the nearest finite ones."""

from __future__ import annotations

import numpy as np

from stackcomp.data.image import Plane

__all__ = ["repair"]

#: Largest distance in pixels to a finite neighbour; without one, the pixel becomes 0.
FARTHEST = 64


def repair(plane: Plane) -> Plane:
    """Return a copy in which each pixel that is not finite is the mean of the nearest finite pixels.

    These are the finite pixels of the smallest square around it that has any, up to `FARTHEST` pixels away.
    Repaired pixels are not used for others, so the result does not depend on the order.

    Args:
        plane: float32 ``(height, width)``.

    Returns:
        float32 ``(height, width)``.
    """
    finite = np.isfinite(plane)
    repaired = plane.copy()
    height, width = plane.shape
    for y, x in zip(*np.nonzero(~finite), strict=True):
        repaired[y, x] = 0
        for reach in range(1, FARTHEST + 1):
            around = (slice(max(0, y - reach), min(height, y + reach + 1)),
                      slice(max(0, x - reach), min(width, x + reach + 1)))  # fmt: skip
            good = finite[around]
            if good.any():
                repaired[y, x] = plane[around][good].mean(dtype=np.float64)
                break
    return repaired
