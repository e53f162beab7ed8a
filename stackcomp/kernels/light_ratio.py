"""By how much two pictures of the same surface differ in light, with their grain kept out of it.

Light that changes multiplies what a surface sends back, so the difference is a ratio. It is never taken between
two pixels: noise in the divisor would make it too large, the more so in the dark. Sums over many pixels are
divided.

Sources: Huber and Ronchetti, Robust Statistics, 2nd edition 2009 (weighted median, reweighting); Mosteller and
Tukey, Data Analysis and Regression, 1977 (biweight).
"""

from __future__ import annotations

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels import gaussian
from stackcomp.kernels.compiled import Array

__all__ = ["MOST", "one_ratio", "ratios_along"]

#: Largest ratio, and one over the smallest: four stops.
MOST = 16.0
# Pixels of a block on each side, whose sums are compared.
_BLOCK = 8
# Tukey's constant: 95 % efficiency where nothing is wrong.
_TUKEY = 4.685
_STEPS = 8


def one_ratio(plate: Array, patch: Array, window: Window) -> float:
    """Return how many times as bright the plate is as the patch; what differs for other reasons does not count.

    Both are summed over blocks of 8×8 pixels. The ratio begins as the median of the blocks' ratios, in which dark
    blocks count less. Then blocks whose ratio is far from it lose their weight, and the sums of all blocks are
    divided: so a thing that passes across a part of the pixels, or a shadow, changes next to nothing.

    Args:
        plate: light times weight, float32.
        patch: likewise, with the same weights.
        window: of both; blocks lie at multiples of 8 pixels, whatever the window is.

    Returns:
        the ratio, within `MOST`; 1 where there is no light to compare.
    """
    above, below = _blocks(plate, window), _blocks(patch, window)
    light = (above > 0) & (below > 0)
    if not light.any():
        return 1.0
    above, below = above[light], below[light]
    logs = np.log(above / below)
    order = np.argsort(logs)
    # Dark blocks are less sure, but a bright part must not decide alone.
    summed = np.cumsum(np.minimum(below, np.median(below))[order])
    middle = float(logs[order[np.searchsorted(summed, 0.5 * summed[-1])]])
    for _ in range(_STEPS):
        away = np.abs(logs - middle)
        spread = float(np.median(away)) / 0.6745
        if spread < 1e-6:
            break
        weights = np.clip(1 - np.square(away / (_TUKEY * spread)), 0, None) ** 2
        middle = float(np.log((weights * above).sum() / (weights * below).sum()))
    return float(np.clip(np.exp(middle), 1 / MOST, MOST))


def _blocks(plane: Array, window: Window) -> Array:
    """Sums over blocks, float64."""
    before = window.y0 % _BLOCK, window.x0 % _BLOCK
    behind = (-(before[0] + plane.shape[0]) % _BLOCK, -(before[1] + plane.shape[1]) % _BLOCK)
    whole = np.pad(plane.astype(np.float64), tuple(zip(before, behind, strict=True)))
    rows, columns = whole.shape[0] // _BLOCK, whole.shape[1] // _BLOCK
    sums: Array = whole.reshape(rows, _BLOCK, columns, _BLOCK).sum(axis=(1, 3))
    return sums


def ratios_along(
    plate: Array, patch: Array, sigma: float, origin: tuple[int, int] = (0, 0)
) -> tuple[Array, Array]:
    """Return the ratio around each pixel: both are softened, then divided.

    Args:
        plate: light times weight, float32.
        patch: likewise, with the same weights.
        sigma: standard deviation of the softening, in pixels.
        origin: x and y of the first pixel in the frame.

    Returns:
        logarithms of the ratios, float32, within that of `MOST`; and where there is light to compare, bool.
    """
    reach = gaussian.margin(sigma)
    begin = origin[0] - reach, origin[1] - reach
    soft = [gaussian.gaussian(np.pad(plane, reach), sigma, sigma, begin) for plane in (plate, patch)]
    light = (soft[0] > 0) & (soft[1] > 0)
    ratio = np.divide(soft[0], soft[1], out=np.ones_like(soft[0]), where=light)
    limit = np.float32(np.log(MOST))
    return np.clip(np.log(np.maximum(ratio, np.float32(1e-30))), -limit, limit), light
