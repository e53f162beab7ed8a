"""Discs of defocus, written for clarity: their slopes, and the sum over source pixels of disc times light."""

from __future__ import annotations

import numpy as np


def slope(line):
    """Slope at the middle of five radii in a line; None where there is no surface."""

    def alike(one, two):
        return one is not None and two is not None and abs(one - two) <= 0.5 * abs(one) + 0.05 and abs(one) < 1.5

    first, second, third, fourth = (
        None if None in (line[k], line[k + 1]) else np.float32(line[k + 1]) - np.float32(line[k]) for k in range(4)
    )
    low, high = alike(second, first), alike(third, fourth)
    if low and high:
        return (second + third) / 2 if alike(second, third) else min(second, third, key=abs)
    return second if low else third if high else 0.0


def tilts(held, surface):
    """By how much the disc of each pixel becomes brighter a pixel down and across, as a share.

    Args:
        held: signed radii.
        surface: where there are any.
    """
    result = np.zeros((2, *held.shape))

    def at(y, x):
        inside = 0 <= y < held.shape[0] and 0 <= x < held.shape[1]
        return held[y, x] if inside and surface[y, x] else None

    for y, x in np.argwhere(surface & (np.abs(held) > 1)):
        both = np.array([slope([at(y + k, x) for k in range(-2, 3)]), slope([at(y, x + k) for k in range(-2, 3)])])
        length, radius = np.hypot(*both), abs(held[y, x])
        if length > 1 / 32:
            # In whole parts of 1 / 64; so steep at most that the disc's dark side is 0.
            both *= min(1, radius / (radius + 0.5) / length)
            result[:, y, x] = np.trunc(both * 64) / 64 / held[y, x]
    return result


def scattered(planes, spread, largest):
    """Return the sum of discs, and the sum of the weights of all views at each pixel, float64.

    Args:
        planes: R, G, B and alpha, premultiplied, ``(height, width)``.
        spread: radius of each pixel's disc in pixels; ignored for empty pixels.
        largest: upper limit of radii in pixels.
    """
    light = np.stack(planes, axis=-1).astype(np.float64)
    held = np.clip(spread, -largest, largest)
    radius = np.round(np.maximum(np.abs(held), 0.5) * 32) / 32
    down, across = tilts(held, light[..., 3] > 0)
    rows, columns = np.mgrid[: spread.shape[0], : spread.shape[1]]
    result, weights = np.zeros(light.shape), np.zeros(spread.shape)
    for y, x in np.argwhere(light.any(axis=-1)):
        lattice = np.arange(-int(radius[y, x]) - 2, int(radius[y, x]) + 3)
        whole = np.clip(radius[y, x] + 0.5 - np.hypot(lattice[:, None], lattice), 0, 1).sum()
        disc = np.clip(radius[y, x] + 0.5 - np.hypot(rows - y, columns - x), 0, 1) / whole
        disc *= np.maximum(0, 1 + (rows - y) * down[y, x] + (columns - x) * across[y, x])
        result += disc[..., None] * light[y, x]
        weights += disc
    return result, weights
