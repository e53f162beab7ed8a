"""Gaussian softening, at a cost that does not grow with the width.

**Narrow**, up to a standard deviation of 6 pixels: weights are samples of the normal density at whole pixels,
divided by their sum, up to five standard deviations (the rest has a weight of 6e-7). From about 0.7 pixels up, a
sampled Gaussian has the requested width; below that it is narrower (sigma 0.5 has the effect of 0.46, 0.3 of 0.09)
and approaches the unchanged picture continuously: under 0.1 the weight of the neighbours is less than 1e-21, and
the plane is returned unchanged.

**Wide**: the plane is brought to a coarser grid on which the standard deviation is 3 to 6 samples, softened
there, and brought back (`pyramid`). The filter between is that whose spectrum is the Gaussian's over those of both
ways, so that all together is the Gaussian. `exact_gaussian` is the slow way for all widths. Edges, lines and noise
differ from it by less than 5e-5 of the range of the values, a single pixel by less than 7e-4 of its peak.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, plane_of
from stackcomp.kernels.pyramid import double, filtered, finer, halve, rougher

__all__ = ["exact_gaussian", "gaussian", "gaussian_weights", "level_of", "level_weights", "margin"]

_REACH = 5.0
_LEAST = 0.1
#: Smallest standard deviation on a coarse grid, in its samples.
_COARSE = 3.0
# Frequencies at which the spectrum of a coarse filter is summed.
_FREQUENCIES = 512


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
    return _of_sum_one(weights)


def _of_sum_one(weights: Array) -> Array:
    result: Array = weights / (weights[0] + 2 * weights[1:].sum())
    return result


def level_of(sigma: float, least: float = _COARSE) -> int:
    """Return the coarsest level on which a standard deviation has at least so many samples; 0 is the pixels."""
    return max(0, math.floor(math.log2(sigma / least))) if sigma > least else 0


@functools.lru_cache(maxsize=256)
def level_weights(sigma: float, level: int, reach: int) -> Array:
    """Return the weights of a filter on a coarse grid that, with both ways between grids, softens by a Gaussian.

    Args:
        sigma: standard deviation in pixels.
        level: of the grid, whose samples are 2^level pixels apart; 0 for the pixels themselves.
        reach: pixels beyond which nothing is read.

    Returns:
        float64, at distances 0, 1 … samples; both sides together sum to 1.
    """
    step = 1 << level
    if level == 0:
        return _of_sum_one(np.exp(-0.5 * np.square(np.arange(reach + 1) / sigma)))
    # What both ways read at most besides, in samples.
    far = (reach + 3) // step - 4
    frequency = (np.arange(_FREQUENCIES) + 0.5) / (2 * _FREQUENCIES)
    one_way = (np.sin(np.pi * frequency) / (step * np.sin(np.pi * frequency / step))) ** 4
    spectrum = np.exp(-2 * np.square(np.pi * sigma / step * frequency)) / one_way**2
    weights = np.cos(2 * np.pi * frequency * np.arange(far + 1)[:, None]) @ spectrum
    return _of_sum_one(np.maximum(weights, 0))


def exact_gaussian(plane: Array, sigma_x: float, sigma_y: float) -> Array:
    """As `gaussian`, with the sampled weights for every width: slow where they are many."""
    return _softened(plane, sigma_x, sigma_y, (0, 0), coarse=False)


def gaussian(plane: Array, sigma_x: float, sigma_y: float, origin: tuple[int, int] = (0, 0)) -> Array:
    """Soften a plane with a Gaussian.

    Args:
        plane: float32 ``(height + 2 margin(sigma_y), width + 2 margin(sigma_x))``, all finite.
        sigma_x: standard deviation across, in pixels, 0 or more.
        sigma_y: standard deviation down, in pixels, 0 or more.
        origin: x and y of the plane's first pixel in the frame. Coarse grids lie where the frame begins, so tiles
            that tell it are parts of the whole to the bit.

    Returns:
        float32 ``(height, width)``; with both 0, the plane itself.

    Raises:
        ValueError: a standard deviation below 0, or a plane smaller than its margins.
    """
    return _softened(plane, sigma_x, sigma_y, origin, coarse=True)


def _softened(plane: Array, sigma_x: float, sigma_y: float, origin: tuple[int, int], *, coarse: bool) -> Array:
    plane = plane_of(plane)
    across, down = margin(sigma_x), margin(sigma_y)
    height, width = plane.shape[0] - 2 * down, plane.shape[1] - 2 * across
    if height < 0 or width < 0:
        raise ValueError(f"a plane of {plane.shape} has no room for margins of {down} and {across} pixels")
    if across == down == 0:
        return plane
    x, y = origin
    whole = Window(x, y, x + plane.shape[1], y + plane.shape[0])
    target = Window(x + across, y + down, x + across + width, y + down + height)
    if target.empty:
        return np.zeros(target.shape, np.float32)
    levels = [level_of(sigma) if coarse and reach else 0 for sigma, reach in ((sigma_x, across), (sigma_y, down))]
    weights = [
        level_weights(sigma, level, reach).astype(np.float32) if reach else np.ones(1, np.float32)
        for sigma, level, reach in zip((sigma_x, sigma_y), levels, (across, down), strict=True)
    ]
    return _through(plane, whole, target, levels, weights)


def _through(plane: Array, window: Window, target: Window, levels: list[int], weights: list[Array]) -> Array:
    """To the levels across and down, the filter, and back."""
    steps = [(levels[0] > k, levels[1] > k) for k in range(max(levels))]
    targets = [target]
    for step in steps:
        targets.append(rougher(targets[-1], *step))
    needed = [targets[-1].grow(len(weights[0]) - 1, len(weights[1]) - 1)]
    for step in reversed(steps[1:]):
        needed.insert(0, finer(needed[0], *step))
    for step, wanted in zip(steps, needed, strict=False):
        plane, window = halve(plane, window, wanted, *step), wanted
    plane, window = filtered(plane, window, targets[-1], weights[0], weights[1]), targets[-1]
    for step, wanted in zip(reversed(steps), reversed(targets[:-1]), strict=True):
        plane, window = double(plane, window, wanted, *step), wanted
    return plane
