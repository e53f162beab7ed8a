"""The gradient of light across a chart, where the light should be even.

A plane is fitted to the logarithm of the ratio of luminances that the matrix leaves between two charts. The matrix
is then fitted again without that plane. Both are repeated in turn, since a gradient spoils the matrix, and a wrong
matrix looks like a gradient.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.measure.chart_data import COLUMNS, ROWS
from stackcomp.measure.chart_fit import solve_matrix

__all__ = ["Gradient", "light_gradient"]

Array = npt.NDArray[np.float64]

_TURNS = 30
_DARKEST = 0.05  # share of the brightest patch; below, a veil of light has more effect than any gradient
_WORTH_SAYING = 0.05  # common practice, no source
_SURE = 3.0  # standard errors


@dataclass(frozen=True)
class Gradient:
    """How much brighter the source is, relative to the target, from one edge of the block of patches to the other.

    Attributes:
        right: share by which the right edge is brighter than the left one; 0.1 is 10 %.
        down: the same for the bottom edge over the top one.
        right_error: standard error of ``right``.
        down_error: standard error of ``down``.
    """

    right: float
    down: float
    right_error: float
    down_error: float

    @property
    def notable(self) -> bool:
        """Whether one of the two is above 5 % and significant (3 standard errors)."""
        pairs = ((self.right, self.right_error), (self.down, self.down_error))
        return any(abs(share) > max(_WORTH_SAYING, _SURE * error) for share, error in pairs)

    @property
    def field(self) -> Array:
        """Light on each patch, relative to the middle of the chart, ``(24,)``."""
        slopes = np.log1p([self.right, self.down])
        return np.asarray(np.exp(_places() @ slopes))

    def as_dict(self) -> dict[str, float | bool]:
        """For ``--json`` and files of findings."""
        return {
            "right": self.right,
            "down": self.down,
            "right_standard_error": self.right_error,
            "down_standard_error": self.down_error,
            "notable": self.notable,
        }


def _places() -> Array:
    """Middles of the patches, right and down, in widths and heights of the block: -0.5 to 0.5, ``(24, 2)``."""
    row, column = np.divmod(np.arange(ROWS * COLUMNS), COLUMNS)
    return np.stack([(column + 0.5) / COLUMNS - 0.5, (row + 0.5) / ROWS - 0.5], axis=-1)


def light_gradient(source: Array, target: Array, used: npt.NDArray[np.bool_], weights: Array) -> Gradient:
    """Find the gradient between two charts.

    Args:
        source: scene-linear R G B of 24 patches, ``(24, 3)``.
        target: the same.
        used: a mask of the patches that count.
        weights: the shares of R, G and B in luminance.

    Raises:
        RequestError: see `solve_matrix`.
    """
    plane = np.column_stack([np.ones(ROWS * COLUMNS), _places()])
    bright = target @ weights
    fitted = used & (bright > _DARKEST * bright[used].max())
    slopes = np.zeros(3)
    for _ in range(_TURNS):
        matrix, _ = solve_matrix(source / np.exp(plane[:, 1:] @ slopes[1:])[:, None], target, used)
        mapped = source @ matrix.T @ weights
        fitted = fitted & (mapped > 0)
        if np.count_nonzero(fitted) < 4:
            return Gradient(0.0, 0.0, 1.0, 1.0)  # too few patches for a plane
        logs = np.log(mapped[fitted] / bright[fitted])
        before = slopes
        slopes = np.linalg.lstsq(plane[fitted], logs, rcond=None)[0]
        if np.abs(slopes - before)[1:].max() < 1e-6:
            break
    left = logs - plane[fitted] @ slopes
    covariance = np.linalg.inv(plane[fitted].T @ plane[fitted])
    errors = np.sqrt((left @ left) / max(1, len(left) - 3) * np.diag(covariance))
    right, down = (float(np.expm1(slopes[k])) for k in (1, 2))
    return Gradient(right, down, float(errors[1] * (1 + right)), float(errors[2] * (1 + down)))
