"""A picture as tracking sees it: one plane, its noise, and where it is known."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from stackcomp.kernels.compiled import Array
from stackcomp.kernels.spline import Bend, Spline, spline_of

__all__ = ["SOFTENING", "Sight"]

#: Standard deviation of the softening before all tracking, in pixels. It keeps detail as fine as a pixel, which
#: interpolation cannot move, from pulling points to pixel centres; more would blur away what tells the place.
SOFTENING = 0.7
_TILE = 32
#: Share of tiles with less than the noise that is taken: tiles with little detail show the noise alone.
_QUIETEST = 20


def _left_by_softening() -> float:
    """The share of white noise that the softening leaves."""
    reach = np.arange(-4, 5)
    weights = np.exp(-(reach**2) / (2 * SOFTENING**2))
    return float(np.sum((weights / weights.sum()) ** 2))


_LEFT = _left_by_softening()


@dataclass(frozen=True, eq=False)
class Sight:
    """A picture as tracking sees it.

    Attributes:
        plane: ``(height, width)``, float32 and finite, of the frame; softened.
        known: left, top, right, bottom of the pixels that the picture has; the rest repeats its edge.
        grain: standard deviation of the noise before the softening.
        not_finite: how many pixels were not finite.
        bend: how light bends over its values; None where they are light.
    """

    plane: npt.NDArray[np.float32]
    known: tuple[int, int, int, int]
    grain: float
    not_finite: int = 0
    bend: Bend | None = None

    @property
    def noise(self) -> float:
        """Standard deviation of the noise that is left after the softening."""
        return self.grain * _LEFT

    @classmethod
    def of(cls, values: Array, known: tuple[int, int, int, int] | None = None, bend: Bend | None = None) -> Sight:
        """Prepare a plane.

        Args:
            values: ``(height, width)``, not softened; those that are not finite count as the nearest finite one.
            known: left, top, right, bottom of the pixels that are known; all when None.
            bend: how light bends over the values; None where they are light.
        """
        from scipy import ndimage

        height, width = values.shape
        x0, y0, x1, y1 = known or (0, 0, width, height)
        part, not_finite = _filled(values[y0:y1, x0:x1].astype(np.float32))
        soft = ndimage.gaussian_filter(part, SOFTENING, mode="nearest", truncate=5)
        around = ((y0, height - y1), (x0, width - x1))
        return cls(np.pad(soft, around, mode="edge"), (x0, y0, x1, y1), _noise(part), not_finite, bend)

    def spline(self, centre: tuple[float, float], reach: float) -> Spline | None:
        """The picture around a point, ready to be interpolated; None where the picture is not."""
        x0, y0, x1, y1 = self.known
        part = spline_of(self.plane[y0:y1, x0:x1], (centre[0] - x0, centre[1] - y0), reach)
        return None if part is None else Spline(part.coefficients, part.x0 + x0, part.y0 + y0, self.bend)

    def holds(self, centre: tuple[float, float]) -> bool:
        """Whether a point lies on the picture."""
        x0, y0, x1, y1 = self.known
        return x0 <= centre[0] <= x1 and y0 <= centre[1] <= y1

    @cached_property
    def range(self) -> tuple[float, float]:
        """Values between which nearly all pixels lie."""
        low, high = np.percentile(self.plane[::4, ::4], [0.5, 99.5])
        return float(low), float(max(high, low + 1e-6))

    def eight_bit(self, limits: tuple[float, float]) -> npt.NDArray[np.uint8]:
        """The plane as bytes, 0 and 255 at the limits."""
        low, high = limits
        scaled = (self.plane - np.float32(low)) * np.float32(255 / (high - low))
        bytes_: npt.NDArray[np.uint8] = np.clip(np.rint(scaled), 0, 255).astype(np.uint8)
        return bytes_


def _filled(plane: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.float32], int]:
    """A plane whose pixels are all finite, and how many were not; 0 where none was."""
    from scipy import ndimage

    wrong = ~np.isfinite(plane)
    count = int(np.count_nonzero(wrong))
    if count == plane.size:
        return np.zeros_like(plane), count
    if count:
        # As 0 they would be dark marks that stand still, and points would cling to them.
        nearest = ndimage.distance_transform_edt(wrong, return_distances=False, return_indices=True)
        plane = plane[tuple(nearest)]
    return plane, count


def _noise(plane: Array) -> float:
    """Standard deviation of the noise of a picture, from its quieter tiles.

    Source: Immerkær, Fast Noise Variance Estimation, 1996: a difference that is blind to slopes, of length 6.
    """
    if min(plane.shape) < 8:
        return 0.0
    p = plane
    rows = p[:-2] - 2 * p[1:-1] + p[2:]
    seen = np.abs(rows[:, :-2] - 2 * rows[:, 1:-1] + rows[:, 2:])
    height, width = (max(1, side // _TILE) for side in seen.shape)
    tile_height, tile_width = seen.shape[0] // height, seen.shape[1] // width
    tiles = seen[: height * tile_height, : width * tile_width].reshape(height, tile_height, width, tile_width)
    # The mean magnitude of a normal distribution is √(2/π) of its deviation.
    return float(np.percentile(tiles.mean(axis=(1, 3)), _QUIETEST)) / 6 * float(np.sqrt(np.pi / 2))
