"""Convolution with large kernels, and the radial falloffs that light spills with.

Planes and kernels are multiplied as spectra in float64. The transform's rounding noise is about 1e-15 of the
brightest value; where neither the plane nor the kernel is negative anywhere, results under 0 are such noise
and become 0, because light is never negative.

**Radius.** The radius of a falloff is its half-light radius: half of the light that a point spills lands
within that distance, half beyond. (The measure is common in astronomy, under that name.) Both falloffs are
cut where about a ten-thousandth of the light is left, lowered by what they have there so that they end
without a step, averaged over each pixel's area near the centre, and divided by their sum.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from stackcomp.kernels.compiled import Array, plane_of

__all__ = ["convolve", "exponential_falloff", "falloff_margin", "gaussian_falloff"]

# Half-light radius over scale length: (1 + x) exp(-x) = 1/2 for exp(-r / length), and
# exp(-x² / 2) = 1/2 for exp(-r² / 2 sigma²).
_EXPONENTIAL_HALF = 1.6783469900166605
_GAUSSIAN_HALF = math.sqrt(2 * math.log(2))
_REACH = {"exponential": 7.0, "gaussian": 3.8}
# Pixels this near to the centre are averaged over so many samples each way.
_NEAR, _SAMPLES = 12, 16


def falloff_margin(radius: float, falloff: str) -> int:
    """Pixels that a falloff reaches on each side: 7 radii when exponential, 3.8 when Gaussian.

    Args:
        radius: half-light radius in pixels, 0 or more.
        falloff: ``"exponential"`` or ``"gaussian"``.

    Raises:
        ValueError: a radius below 0 or not finite.
    """
    if not (math.isfinite(radius) and radius >= 0):
        raise ValueError(f"the radius of a falloff is 0 or more, not {radius}")
    return math.ceil(_REACH[falloff] * radius)


def exponential_falloff(radius: float) -> Array:
    """``exp(-r / length)``: a peaked centre with a long skirt, the look of light scattered in a lens.

    Args:
        radius: half-light radius in pixels, 0 or more; ``length`` is ``radius / 1.678``.

    Returns:
        float64, square, ``2 falloff_margin + 1`` wide, sum 1.
    """
    length = radius / _EXPONENTIAL_HALF
    return _radial(radius, "exponential", lambda r: np.exp(-r / length))


def gaussian_falloff(radius: float) -> Array:
    """``exp(-r² / 2 sigma²)``: a round, soft glow that ends soon.

    Args:
        radius: half-light radius in pixels, 0 or more; ``sigma`` is ``radius / 1.177``.

    Returns:
        float64, square, ``2 falloff_margin + 1`` wide, sum 1.
    """
    sigma = radius / _GAUSSIAN_HALF
    return _radial(radius, "gaussian", lambda r: np.exp(-0.5 * np.square(r / sigma)))


def _radial(radius: float, falloff: str, profile: Callable[[Array], Array]) -> Array:
    reach = falloff_margin(radius, falloff)
    if radius < 1e-3:
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
        kernel[reach, reach] = 1
        return kernel
    end = float(profile(np.asarray(reach + 0.5)))
    axis = np.arange(-reach, reach + 1, dtype=np.float64)
    kernel = profile(np.hypot(axis[:, None], axis))
    near = min(_NEAR, reach)
    inside = (np.arange(_SAMPLES) + 0.5) / _SAMPLES - 0.5
    fine = (np.arange(-near, near + 1)[:, None] + inside).ravel()
    block = profile(np.hypot(fine[:, None], fine))
    pixels = 2 * near + 1
    centre = slice(reach - near, reach + near + 1)
    kernel[centre, centre] = block.reshape(pixels, _SAMPLES, pixels, _SAMPLES).mean(axis=(1, 3))
    kernel = np.maximum(kernel - end, 0)
    result: Array = kernel / kernel.sum()
    return result


def convolve(plane: Array, kernel: Array) -> Array:
    """Convolve a plane with a kernel of odd size.

    Args:
        plane: float32 ``(height + rows - 1, width + columns - 1)``.
        kernel: float64 ``(rows, columns)``, both odd; its centre is the pixel itself.

    Returns:
        float32 ``(height, width)``. A tile equals the whole to within 1e-6 of the brightest value.

    Raises:
        ValueError: an even kernel, or a plane smaller than its kernel.
    """
    plane = plane_of(plane)
    rows, columns = kernel.shape
    if rows % 2 == 0 or columns % 2 == 0:
        raise ValueError(f"a kernel has an odd number of rows and columns, not {rows} × {columns}")
    height, width = plane.shape[0] - rows + 1, plane.shape[1] - columns + 1
    if height < 0 or width < 0:
        raise ValueError(f"a plane of {plane.shape} has no room for a kernel of {kernel.shape}")
    if kernel.size == 1:
        return plane * np.float32(kernel[0, 0])
    if height == 0 or width == 0:
        return np.empty((height, width), np.float32)
    # What wraps around lands in the first rows - 1 rows and columns - 1 columns, which are not asked for.
    size = (_good_size(plane.shape[0]), _good_size(plane.shape[1]))
    spectrum = np.fft.rfft2(plane.astype(np.float64), size)
    spectrum *= np.fft.rfft2(kernel, size)
    whole = np.fft.irfft2(spectrum, size)
    result = whole[rows - 1 : rows - 1 + height, columns - 1 : columns - 1 + width]
    if kernel.min() >= 0 and plane.min() >= 0:
        result = np.maximum(result, 0)
    return np.ascontiguousarray(result, dtype=np.float32)


def _good_size(least: int) -> int:
    """The smallest number from ``least`` up whose only factors are 2, 3 and 5, for a fast transform."""
    best = 1 << (least - 1).bit_length()
    five = 1
    while five < best:
        three = five
        while three < best:
            # The smallest power of two that lifts this product to the least size.
            product = three << max(0, (-(-least // three) - 1).bit_length())
            best = min(best, product)
            three *= 3
        five *= 5
    return best
