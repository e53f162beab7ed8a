"""Pictures between their pixels, by cubic B-splines.

Source: Unser, Splines: A Perfect Fit for Signal and Image Processing, 1999.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["Bend", "Spline", "spline_of"]

#: How light bends over the values of a picture: values, rising, and at each its second derivative by its first.
Bend = tuple[Array, Array]


@dataclass(frozen=True, eq=False)
class Spline:
    """A part of a picture, ready to be interpolated.

    Attributes:
        coefficients: ``(height, width)``, float64, of cubic B-splines.
        x0: left edge of the part, in pixels of the picture.
        y0: top edge.
        bend: how light bends over its values; None where they are light.
    """

    coefficients: Array
    x0: int
    y0: int
    bend: Bend | None = None

    def at(self, x: Array, y: Array) -> Array:
        """Values at positions, pixel centres at half pixels; NaN outside of the pixels' centres."""
        values = np.empty(x.shape, dtype=np.float64)
        _interpolate(self.coefficients, x.ravel() - (self.x0 + 0.5), y.ravel() - (self.y0 + 0.5), values.ravel())
        return values


def spline_of(picture: Array, centre: tuple[float, float], reach: float) -> Spline | None:
    """Return the part of a picture around a point, ready to be interpolated.

    Args:
        picture: ``(height, width)``, finite.
        centre: the point, in pixels.
        reach: pixels to each side.

    Returns:
        None where fewer than 4×4 pixels of the picture are there.
    """
    from scipy import ndimage

    # The filter reaches beyond the part; 12 pixels on, what is there counts less than 1e-6.
    reach = reach + 12
    height, width = picture.shape
    x0, x1 = (int(np.clip(centre[0] + side * reach, 0, width)) for side in (-1, 1))
    y0, y1 = (int(np.clip(centre[1] + side * reach, 0, height)) for side in (-1, 1))
    if x1 - x0 < 4 or y1 - y0 < 4:
        return None
    part = picture[y0:y1, x0:x1].astype(np.float64)
    return Spline(ndimage.spline_filter(part, order=3, mode="mirror"), x0, y0)


@compiled
def _interpolate(coefficients: Array, x: Array, y: Array, values: Array) -> None:
    """Values of cubic B-splines at positions counted from the first pixel's centre; NaN outside."""
    height, width = coefficients.shape
    wx, wy = np.empty(4), np.empty(4)
    for k in range(len(x)):
        values[k] = np.nan
        # Written so that a position that is not a number is outside too.
        if not (0 <= x[k] <= width - 1 and 0 <= y[k] <= height - 1):
            continue
        left, top = min(int(x[k]), width - 2), min(int(y[k]), height - 2)
        for weights, t in ((wx, x[k] - left), (wy, y[k] - top)):
            weights[0] = (1 - t) ** 3 / 6
            weights[1] = 2 / 3 - t * t + t**3 / 2
            weights[3] = t**3 / 6
            weights[2] = 1 - weights[0] - weights[1] - weights[3]
        total = 0.0
        for j in range(4):
            # Coefficients are mirrored about the outermost pixels' centres, as the filter has them.
            row = abs(top - 1 + j)
            row = min(row, 2 * (height - 1) - row)
            line = 0.0
            for i in range(4):
                column = abs(left - 1 + i)
                line += wx[i] * coefficients[row, min(column, 2 * (width - 1) - column)]
            total += wy[j] * line
        values[k] = total
