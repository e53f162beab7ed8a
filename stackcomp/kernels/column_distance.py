"""Distance to the nearest marked pixel in each column: the first half of an exact distance transform.

The second half, the minimum along a row of the squared distance across plus the squared distance down, is cheap
for single pixels, so callers that need only some pixels compute it themselves. Source: Felzenszwalb and
Huttenlocher, Distance Transforms of Sampled Functions, 2012, which splits the transform in the same way.
"""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["NONE", "column_distances"]

#: Distance in columns without a marked pixel, and upper limit of all distances.
NONE = 30_000


def column_distances(marked: Array) -> Array:
    """Return the number of rows between each pixel and the nearest marked one above or below it.

    Args:
        marked: bool ``(height, width)``.

    Returns:
        int16 of the same shape; 0 in marked pixels, `NONE` in columns without one.
    """
    result = np.where(marked, np.int16(0), np.int16(NONE))
    _sweep(result)
    _sweep(result[::-1])
    return result


@compiled
def _sweep(result: Array) -> None:
    for y in range(1, result.shape[0]):
        above, here = result[y - 1], result[y]
        for x in range(here.size):
            here[x] = min(here[x], np.int16(min(above[x] + 1, NONE)))
