"""How far two planes lie apart, pixel by pixel, in one pass."""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["add_differences"]


@compiled
def add_differences(first: Array, second: Array, worst: Array) -> tuple[float, float, int, int, float]:
    """Compare two planes, and keep the largest difference of each pixel.

    Differences are plain between −1 and 1, and beyond that relative to the larger of the two values:
    ``|a − b| / max(1, |a|, |b|)``. Pixels that are NaN in both, or the same infinity, do not differ.

    Args:
        first: float32 ``(height, width)``.
        second: likewise.
        worst: float64 of the same shape; each value becomes the larger of itself and the difference there.

    Returns:
        The sum of the plain differences of finite pixels, the sum of their squares, how many pixels are not finite
        in one of the two or in another way, the number of the first of these, counted row by row (-1: none), and
        the largest magnitude of a finite value of a pixel that is finite in both.
    """
    total, squares, odd, first_odd, peak = 0.0, 0.0, 0, -1, 0.0
    height, width = first.shape
    for y in range(height):
        for x in range(width):
            a, b = np.float64(first[y, x]), np.float64(second[y, x])
            plain = abs(a - b)
            if plain < np.inf:
                total += plain
                squares += plain * plain
                larger = max(abs(a), abs(b))
                peak = max(peak, larger)
                relative = plain / max(1.0, larger)
                worst[y, x] = max(worst[y, x], relative)
            elif not (a == b or (np.isnan(a) and np.isnan(b))):
                odd += 1
                if first_odd < 0:
                    first_odd = y * width + x
    return total, squares, odd, first_odd, peak
