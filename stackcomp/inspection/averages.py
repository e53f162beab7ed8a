"""Planes averaged over squares of pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["averaged"]


def averaged(plane: npt.NDArray[Any], side: int) -> npt.NDArray[np.float32]:
    """A plane averaged over squares; what does not fill a square at the right and below is left out.

    Values that are not finite count as 0.

    Args:
        plane: float32 ``(height, width)``, not empty.
        side: pixels, 1 or more.

    Returns:
        float32 ``(height // side, width // side)``, at least one each way.
    """
    height, width = plane.shape
    down, across = min(side, height), min(side, width)
    rows, columns = height // down, width // across
    whole = plane[: rows * down, : columns * across]
    with np.errstate(over="ignore", invalid="ignore"):
        if not np.isfinite(whole.sum(dtype=np.float64)):
            whole = np.where(np.isfinite(whole), whole, np.float32(0))
        # Rows first: whole rows are added along memory.
        tall = whole.reshape(rows, down, columns * across).sum(axis=1)
        small = tall.reshape(rows, columns, across).sum(axis=2)
    small /= np.float32(down * across)
    return np.ascontiguousarray(small, np.float32)
