"""Distance to the nearest marked pixel, exact.

First down each column, then along each row, where the least of ``(x − x')² + d(x')²`` is the lower envelope of
parabolas.
Source: Felzenszwalb and Huttenlocher, Distance Transforms of Sampled Functions, 2012.
"""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.column_distance import NONE, column_distances
from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.strips import over_strips

__all__ = ["nearest_distance"]


def nearest_distance(marked: Array) -> Array:
    """Return the distance of each pixel's centre to that of the nearest marked one.

    Args:
        marked: bool ``(height, width)``.

    Returns:
        float32 of the same shape, in pixels; infinite if no pixel is marked.
    """
    result: Array = np.empty(marked.shape, np.float32)
    if marked.size == 0:
        return result
    if not marked.any():
        result.fill(np.inf)
        return result
    columns: Array = column_distances(marked)
    over_strips(lambda first, last: _along(columns, result, first, last), result.shape[0])
    return result


@compiled
def _along(columns: Array, result: Array, first: int, last: int) -> None:
    width = columns.shape[1]
    # Parabolas of the envelope: where each has its lowest point, and where each begins to be the lowest of all.
    lowest, begins = np.empty(width, np.int64), np.empty(width + 1, np.float64)
    for y in range(first, last):
        row, out = columns[y], result[y]
        count = 0
        for x in range(width):
            if row[x] >= NONE:
                continue
            height = float(row[x]) * row[x] + float(x) * x
            start = -np.inf
            while count > 0:
                other = lowest[count - 1]
                start = (height - (float(row[other]) * row[other] + float(other) * other)) / (2.0 * (x - other))
                if start > begins[count - 1]:
                    break
                count -= 1
                start = -np.inf
            lowest[count], begins[count] = x, start
            count += 1
        begins[count] = np.inf
        k = 0
        for x in range(width):
            while begins[k + 1] < x:
                k += 1
            away, down = float(x - lowest[k]), float(row[lowest[k]])
            out[x] = np.sqrt(away * away + down * down)
