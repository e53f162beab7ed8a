"""The sums of least squares over many rows and few columns, at a steady speed."""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array

__all__ = ["weighted_sums"]

_ROWS = 2048


def weighted_sums(a: Array, weights: Array | None, b: Array) -> Array:
    """Return ``a.T @ (weights · b)``.

    It is summed in parts that are too small for numpy's library to start threads of its own: on busy processors
    these wait for each other, and from 81×81 pixels on a match took six times as long.

    Args:
        a: ``(rows, columns)``.
        weights: ``(rows,)``; all 1 when None.
        b: ``(rows, …)``.
    """
    total: Array = np.zeros((a.shape[1], *b.shape[1:]))
    for begin in range(0, len(a), _ROWS):
        part = slice(begin, begin + _ROWS)
        weighted = b[part] if weights is None else (weights[part] * b[part].T).T
        total += a[part].T @ weighted
    return total
