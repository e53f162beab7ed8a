"""Homographies as nine numbers and as matrices.

A homography maps a point of one picture to a point of another: ``(x', y', w') = H (x, y, 1)``, the point is
``(x' / w', y' / w')``, in pixels, x to the right and y down, with pixel centres at half pixels.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from stackcomp.kernels.compiled import Array

__all__ = ["affine", "at_scale", "matrix"]


def matrix(numbers: Sequence[float]) -> Array:
    """The 3×3 matrix of nine numbers, row by row."""
    return np.array(numbers, dtype=np.float64).reshape(3, 3)


def affine(
    move: tuple[float, float], degrees: float, scale: tuple[float, float], pivot: tuple[float, float]
) -> Array:
    """Scaled about the pivot along x and y, then turned about it clockwise, then moved.

    Args:
        move: right and down, in pixels.
        degrees: clockwise, as seen with y running down.
        scale: factors along x and y.
        pivot: the point that scaling and turning leave in place, in pixels.

    Returns:
        3×3, float64.
    """
    angle = np.radians(degrees)
    # Quarter turns are exact, so that they move whole pixels.
    c, s = (round(float(part), 15) for part in (np.cos(angle), np.sin(angle)))
    linear = np.array([[c, -s], [s, c]]) @ np.diag(scale)
    result = np.eye(3)
    result[:2, :2] = linear
    result[:2, 2] = np.array(pivot) + np.array(move) - linear @ np.array(pivot)
    return result


def at_scale(numbers: Sequence[float], scale: float) -> tuple[float, ...]:
    """The same homography between two pictures that are both ``scale`` times as large."""
    size = np.diag([scale, scale, 1.0])
    return tuple(float(n) for n in (size @ matrix(numbers) @ np.linalg.inv(size)).ravel())
