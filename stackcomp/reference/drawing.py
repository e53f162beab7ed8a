"""What the drawn scene is made of: noise, shapes and light, as arrays.

Coordinates are pixels of the frame, x right and y down; arrays are float64. All of it is deterministic.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

__all__ = ["FINE", "HEIGHT", "WIDTH", "Field", "band", "grid", "mixed", "noise", "shrunk", "smooth", "stroke"]

Field = npt.NDArray[np.float64]

WIDTH, HEIGHT = 320, 180
#: Samples a pixel in each direction.
FINE = 3


def grid() -> tuple[Field, Field]:
    """Return x and y of every sample, each ``(HEIGHT * FINE, WIDTH * FINE)``."""
    y, x = np.mgrid[0 : HEIGHT * FINE, 0 : WIDTH * FINE]
    return (x + 0.5) / FINE, (y + 0.5) / FINE


def shrunk(field: Field) -> npt.NDArray[np.float32]:
    """Return the mean of the samples of each pixel; further axes stay."""
    blocks = field.reshape(HEIGHT, FINE, WIDTH, FINE, *field.shape[2:])
    mean: npt.NDArray[np.float32] = blocks.mean(axis=(1, 3)).astype(np.float32)
    return mean


def smooth(low: float, high: float, value: Field) -> Field:
    """Return 0 below ``low``, 1 above ``high``, and a cubic passage between."""
    t = np.clip((value - low) / (high - low), 0, 1)
    passage: Field = t * t * (3 - 2 * t)
    return passage


def band(low: float, high: float, value: Field) -> Field:
    """Return 1 between two limits and 0 elsewhere."""
    return ((value >= low) & (value < high)).astype(np.float64)


def mixed(below: Field, above: Field | tuple[float, ...], cover: Field) -> Field:
    """Return one colour laid over another ``(…, 3)`` with a coverage ``(…)``."""
    share = cover[..., None]
    return below * (1 - share) + np.asarray(above) * share


def noise(u: Field, v: Field, seed: int) -> Field:
    """Return smooth noise, 0 to 1: random numbers at whole ``u`` and ``v``, and cubic passages between."""
    size = 64
    lattice = np.random.default_rng(seed).random((size, size))
    i, j = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    s, t = smooth(0, 1, u - i), smooth(0, 1, v - j)
    i, j = i % size, j % size
    after_i, after_j = (i + 1) % size, (j + 1) % size
    upper = lattice[j, i] * (1 - s) + lattice[j, after_i] * s
    lower = lattice[after_j, i] * (1 - s) + lattice[after_j, after_i] * s
    value: Field = upper * (1 - t) + lower * t
    return value


def stroke(x: Field, y: Field, points: npt.ArrayLike, width: float) -> tuple[Field, Field]:
    """Return what a rounded stroke along a line of points does to each sample.

    Returns:
        The position across the stroke, -1 to 1 (beyond outside of it), and the length along it in pixels.
    """
    line = np.asarray(points, np.float64)
    best = np.full(x.shape, np.inf)
    across, along = np.full(x.shape, np.inf), np.zeros(x.shape)
    start = 0.0
    for (x0, y0), (x1, y1) in pairwise(line):
        length = float(np.hypot(x1 - x0, y1 - y0))
        dx, dy = (x1 - x0) / length, (y1 - y0) / length
        at = np.clip((x - x0) * dx + (y - y0) * dy, 0, length)
        distance = np.hypot(x - x0 - at * dx, y - y0 - at * dy)
        side = np.sign((y - y0) * dx - (x - x0) * dy)
        nearer = distance < best
        best = np.where(nearer, distance, best)
        across = np.where(nearer, side * distance / (width / 2), across)
        along = np.where(nearer, start + at, along)
        start += length
    return across, along
