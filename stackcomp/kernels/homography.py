"""Homographies as nine numbers and as 3×3 matrices.

A homography maps a point of one picture to a point of another: ``(x', y', w') = H (x, y, 1)``, the point is
``(x' / w', y' / w')``, in pixels, x to the right and y down, with pixel centres at half pixels.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from stackcomp.errors import BadValueError
from stackcomp.kernels.compiled import Array

__all__ = ["affine", "at_scale", "inverse", "matrix"]


def matrix(numbers: Sequence[float]) -> Array:
    """Return nine numbers, row by row, as a 3×3 matrix, float64."""
    return np.array(numbers, dtype=np.float64).reshape(3, 3)


def affine(
    move: tuple[float, float], degrees: float, scale: tuple[float, float], pivot: tuple[float, float]
) -> Array:
    """Return the homography that scales about a pivot, then rotates about it clockwise, then translates.

    Args:
        move: translation right and down, in pixels.
        degrees: rotation, clockwise on a screen (y runs down).
        scale: factors along x and y.
        pivot: the point that scaling and rotation do not move, in pixels.

    Returns:
        3×3, float64.
    """
    angle = np.radians(degrees)
    # Rounded so that quarter turns are exact and move whole pixels.
    c, s = (round(float(part), 15) for part in (np.cos(angle), np.sin(angle)))
    linear = np.array([[c, -s], [s, c]]) @ np.diag(scale)
    result = np.eye(3)
    result[:2, :2] = linear
    result[:2, 2] = np.array(pivot) + np.array(move) - linear @ np.array(pivot)
    return result


def at_scale(numbers: Sequence[float], scale: float) -> tuple[float, ...]:
    """Return the same homography between two pictures that are both ``scale`` times as large, as nine numbers."""
    size = np.diag([scale, scale, 1.0])
    return tuple(float(n) for n in (size @ matrix(numbers) @ np.linalg.inv(size)).ravel())


def inverse(homography: npt.ArrayLike) -> Array:
    """Return the homography from the target back to the source.

    Args:
        homography: ``(3, 3)``, source pixels → target pixels.

    Returns:
        3×3, float64.

    Raises:
        BadValueError: not finite, or singular: it maps everything onto a line or a point.
        ValueError: not 3×3.
    """
    numbers = np.asarray(homography, dtype=np.float64)
    if numbers.shape != (3, 3):
        raise ValueError(f"a homography is 3×3, not {' × '.join(map(str, numbers.shape))}")
    if not np.isfinite(numbers).all():
        raise BadValueError("a homography has an entry that is not finite")
    # Judged over a thousand pixels instead of one, so that a long move is not taken for a degenerate one, and
    # against what the determinant could be at most (Hadamard's inequality).
    size = np.diag([1000.0, 1000.0, 1.0])
    scaled = np.linalg.inv(size) @ numbers @ size
    largest = float(np.prod(np.linalg.norm(scaled, axis=1)))
    if not abs(float(np.linalg.det(scaled))) > 1e-12 * largest:
        shown = ", ".join(f"{number:g}" for number in numbers.ravel())
        raise BadValueError(
            f"the homography [{shown}] cannot be inverted: it maps everything onto a line or a point",
            "give nine numbers, row by row, that map four corners to four corners",
        )
    result: Array = np.linalg.inv(numbers)
    return result
