"""Whether the light changes across a chart, where it should be even.

After the matrix, what is left between two charts is compared by place: a plane is fitted to the logarithm of the
ratio of their luminances. The matrix is fitted again without that plane, and so on in turn, since a gradient
spoils the matrix and a wrong matrix looks like a gradient.
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
_DARKEST = 0.05  # of the brightest patch; below, a veil of light weighs more than any gradient
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
        """Whether one of the two is above 5 %, and no accident."""
        pairs = ((self.right, self.right_error), (self.down, self.down_error))
        return any(abs(share) > max(_WORTH_SAYING, _SURE * error) for share, error in pairs)

    @property
    def field(self) -> Array:
        """Light on each patch relative to the chart's middle, ``(24,)``."""
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
    """Of the patches' middles, right and down, in widths and heights of the block: -0.5 to 0.5."""
    row, column = np.divmod(np.arange(ROWS * COLUMNS), COLUMNS)
    return np.stack([(column + 0.5) / COLUMNS - 0.5, (row + 0.5) / ROWS - 0.5], axis=-1)


def light_gradient(source: Array, target: Array, used: npt.NDArray[np.bool_], weights: Array) -> Gradient:
    """Find the gradient between two charts.

    Args:
        source: scene-linear R G B of 24 patches, ``(24, 3)``.
        target: the same.
        used: which patches count.
        weights: the shares of R, G and B in luminance.

    Raises:
        RequestError: see `solve_matrix`.
    """
    plane = np.column_stack([np.ones(ROWS * COLUMNS), _places()])
    bright = target @ weights
    seen = used & (bright > _DARKEST * bright[used].max())
    slopes = np.zeros(3)
    for _ in range(_TURNS):
        matrix, _ = solve_matrix(source / np.exp(plane[:, 1:] @ slopes[1:])[:, None], target, used)
        mapped = source @ matrix.T @ weights
        seen = seen & (mapped > 0)
        if np.count_nonzero(seen) < 4:
            return Gradient(0.0, 0.0, 1.0, 1.0)  # nothing to go by
        logs = np.log(mapped[seen] / bright[seen])
        before = slopes
        slopes = np.linalg.lstsq(plane[seen], logs, rcond=None)[0]
        if np.abs(slopes - before)[1:].max() < 1e-6:
            break
    left = logs - plane[seen] @ slopes
    covariance = np.linalg.inv(plane[seen].T @ plane[seen])
    errors = np.sqrt((left @ left) / max(1, len(left) - 3) * np.diag(covariance))
    right, down = (float(np.expm1(slopes[k])) for k in (1, 2))
    return Gradient(right, down, float(errors[1] * (1 + right)), float(errors[2] * (1 + down)))
