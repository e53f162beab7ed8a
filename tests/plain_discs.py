"""Defocus of a single object, written for clarity: the sum over source pixels of disc times light."""

from __future__ import annotations

import numpy as np


def scattered(planes, spread, largest):
    """Return the sum of discs, and the sum of the weights of all views at each pixel, float64.

    Args:
        planes: R, G, B and alpha, premultiplied, ``(height, width)``.
        spread: radius of each pixel's disc in pixels; ignored for empty pixels.
        largest: upper limit of radii in pixels.
    """
    light = np.stack(planes, axis=-1).astype(np.float64)
    radius = np.round(np.maximum(np.abs(np.clip(spread, -largest, largest)), 0.5) * 32) / 32
    rows, columns = np.mgrid[: spread.shape[0], : spread.shape[1]]
    result, weights = np.zeros(light.shape), np.zeros(spread.shape)
    for y, x in np.argwhere(light.any(axis=-1)):
        lattice = np.arange(-int(radius[y, x]) - 2, int(radius[y, x]) + 3)
        whole = np.clip(radius[y, x] + 0.5 - np.hypot(lattice[:, None], lattice), 0, 1).sum()
        disc = np.clip(radius[y, x] + 0.5 - np.hypot(rows - y, columns - x), 0, 1) / whole
        result += disc[..., None] * light[y, x]
        weights += disc
    return result, weights
