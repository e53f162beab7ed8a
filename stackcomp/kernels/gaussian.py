"""Gaussian softening.

The weights are samples of the normal density at whole pixels, divided by their sum, up to five standard deviations
(the rest has a weight of 6e-7). From about 0.7 pixels up, a sampled Gaussian has the requested width; below that
it is narrower (sigma 0.5 has the effect of 0.46, 0.3 of 0.09) and approaches the unchanged picture continuously:
under 0.1 the weight of the neighbours is less than 1e-21, and the plane is returned unchanged.
"""

from __future__ import annotations

import math

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["gaussian", "gaussian_weights", "margin"]

_REACH = 5.0
_LEAST = 0.1


def margin(sigma: float) -> int:
    """Return the number of pixels that `gaussian` reads beyond its result on each side.

    Args:
        sigma: standard deviation in pixels, 0 or more.

    Raises:
        ValueError: negative or not finite.
    """
    if not (math.isfinite(sigma) and sigma >= 0):
        raise ValueError(f"the standard deviation of a Gaussian is 0 or more, not {sigma}")
    return 0 if sigma < _LEAST else math.ceil(_REACH * sigma)


def gaussian_weights(sigma: float) -> Array:
    """Return the weights at distances 0, 1, 2 … `margin(sigma)` pixels, float64; both sides together sum to 1."""
    reach = margin(sigma)
    if reach == 0:
        return np.ones(1)
    weights = np.exp(-0.5 * np.square(np.arange(reach + 1) / sigma))
    result: Array = weights / (weights[0] + 2 * weights[1:].sum())
    return result


def gaussian(plane: Array, sigma_x: float, sigma_y: float) -> Array:
    """Soften a plane with a Gaussian.

    Args:
        plane: float32 ``(height + 2 margin(sigma_y), width + 2 margin(sigma_x))``.
        sigma_x: standard deviation across, in pixels, 0 or more.
        sigma_y: standard deviation down, in pixels, 0 or more.

    Returns:
        float32 ``(height, width)``; with both 0, the plane itself.

    Raises:
        ValueError: a standard deviation below 0, or a plane smaller than its margins.
    """
    plane = plane_of(plane)
    across, down = margin(sigma_x), margin(sigma_y)
    height, width = plane.shape[0] - 2 * down, plane.shape[1] - 2 * across
    if height < 0 or width < 0:
        raise ValueError(f"a plane of {plane.shape} has no room for margins of {down} and {across} pixels")
    if across:
        weights = gaussian_weights(sigma_x).astype(np.float32)
        target = np.empty((plane.shape[0], width), np.float32)
        over_strips(lambda first, last: _across(plane, weights, target, first, last), target.shape[0])
    else:
        target = plane
    if not down:
        return target
    middle, weights_down = target, gaussian_weights(sigma_y).astype(np.float32)
    result = np.empty((height, width), np.float32)
    over_strips(lambda first, last: _down(middle, weights_down, result, first, last), height)
    return result


@compiled
def _across(source: Array, weights: Array, target: Array, first: int, last: int) -> None:
    reach, width = weights.size - 1, target.shape[1]
    for y in range(first, last):
        out = target[y]
        centre = source[y, reach : reach + width]
        for x in range(width):
            out[x] = weights[0] * centre[x]
        for k in range(1, reach + 1):
            left = source[y, reach - k : reach - k + width]
            right = source[y, reach + k : reach + k + width]
            weight = weights[k]
            for x in range(width):
                out[x] += weight * (left[x] + right[x])


@compiled
def _down(source: Array, weights: Array, target: Array, first: int, last: int) -> None:
    reach, width = weights.size - 1, target.shape[1]
    for y in range(first, last):
        out = target[y]
        centre = source[y + reach]
        for x in range(width):
            out[x] = weights[0] * centre[x]
        for k in range(1, reach + 1):
            above, below = source[y + reach - k], source[y + reach + k]
            weight = weights[k]
            for x in range(width):
                out[x] += weight * (above[x] + below[x])
