"""Samples pictures at any places with a cubic filter that is as wide as a target pixel is in the source.

**Filter.** Where a target pixel covers no more than a source pixel, it is weighed from the 4×4 pixels around its
place by the cubic convolution kernel (a = -1/2), which reproduces pixels at whole positions and linear ramps.
Where it covers more, the kernel is stretched. A disc of one target pixel is an ellipse in the source (Heckbert);
along each axis of that ellipse the kernel is stretched by its length, where that is more than 1. So a picture
that shrinks in one direction alone is softened in that direction alone, whatever the direction is, and nothing
changes in steps. Ellipses aslant are made by a stretch of the rows, and then a slant of them: each row has one
weight, and within it the kernel is that of its pixels. The weights are divided by their sum.

The result is held between the smallest and the largest value that it was weighed from. Outside of the source
there is nothing (0), which counts as a value.

Most kernels are small and lie inside of the picture. For them, the limits of the 4×4 pixels in the middle are
looked at first: a mean that lies within these needs no others.

Sources: Keys, Cubic Convolution Interpolation for Digital Image Processing, 1981; Heckbert, Fundamentals of
Texture Mapping and Image Warping, 1989 (elliptical footprints); Golub and Van Loan, Matrix Computations, 4.2
(Cholesky's factors, here of the ellipse).
"""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.cubic_code import BORDER, PLANES, WIDEST, weigh_all

__all__ = ["BORDER", "PLANES", "WIDEST", "filtered"]

# Up to this stretch the kernel stays as it is: rounding is not a smaller picture.
_UNSTRETCHED = 1 + 1e-5
# Up to this slant of the kernel, as a share of a pixel from row to row, it stands upright.
_SLIGHT = 0.06


def filtered(stack: Array, places: Array, steps: Array) -> Array:
    """Return what is seen at some places of a stack.

    Args:
        stack: float32, four planes side by side with a border of nothing; see `stackcomp.kernels.stack`.
        places: float64 ``(2, height, width)``: x and y in pixels of the part that is stacked, with pixel centres
            at half pixels; NaN where nothing is to be seen.
        steps: float32 ``(4, height, width)``: how x and y change from a pixel to the one on its right, then how
            they change to the one below.

    Returns:
        float32 ``(height, width, 4)``.
    """
    target = np.zeros((*places.shape[1:], PLANES), np.float32)
    height, width = stack.shape[0] - 2 * BORDER, stack.shape[1] - 2 * BORDER
    shapes = np.empty((5, target.size // PLANES), np.float32)
    _shape(steps.reshape(4, -1), shapes)
    weigh_all(stack.reshape(-1), height, width, places.reshape(2, -1), shapes, target.reshape(-1))
    return target


@compiled
def _shape(steps: Array, shapes: Array) -> None:
    """The kernel of each pixel: `a`, `b`, `c` of `weigh`, and its reach across and down.

    The ellipse that a disc of one target pixel is in the source is stretched to axes of 1 at least. Its matrix is
    M Mᵀ with M of upper right form; ``a``, ``b`` and ``c`` are the inverse of M.
    """
    half, one, two, zero = np.float32(0.5), np.float32(1), np.float32(2), np.float32(0)
    widest, tiny, slight = np.float32(WIDEST), np.float32(1e-30), np.float32(_SLIGHT)
    for k in range(steps.shape[1]):
        xx, yx, xy, yy = steps[0, k], steps[1, k], steps[2, k], steps[3, k]
        # The matrix of the ellipse, and the squares of its axes.
        p, q, r = xx * xx + xy * xy, xx * yx + xy * yy, yx * yx + yy * yy
        middle, lean = half * (p + r), half * (p - r)
        apart = np.sqrt(lean * lean + q * q)
        most, least = np.sqrt(middle + apart), np.sqrt(max(zero, middle - apart))
        # Rounding is not a smaller picture.
        most = min(widest, most) if most > np.float32(_UNSTRETCHED) else one
        least = min(widest, least) if least > np.float32(_UNSTRETCHED) else one
        share = half / max(apart, tiny)
        # As much of the longer axis lies along x, and across.
        along = (lean + apart) * share if apart > tiny else half
        more = most * most - least * least
        below, beside = least * least + more * (one - along), more * q * share
        c = one / np.sqrt(below)
        a = one / (most * least * c)
        b = -beside * a * c * c
        # A slight slant makes no difference to see, and an upright kernel is faster; between them is no step.
        steep = max(zero, two * (abs(b) - slight))
        b = np.copysign(min(abs(b), steep), b)
        shapes[0, k], shapes[1, k], shapes[2, k] = a, b, c
        shapes[3, k], shapes[4, k] = two * (one + abs(b) / c) / a, two / c
