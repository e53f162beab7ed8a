"""Statistics of an area of a matte: how much is covered, and whether the values are coverage."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from stackcomp.data.image import Image
from stackcomp.measure.channel import MeasuredChannel
from stackcomp.measure.given import AreaLike, area_in, plane_of

__all__ = ["MatteStatistics", "matte_statistics"]


@dataclass(frozen=True)
class MatteStatistics:
    """Figures of an area of a matte, over its finite values as stored.

    Attributes:
        pixels: in the area.
        covered_area: the sum of all values, in pixels.
        zero: pixels at 0.
        one: pixels at 1.
        between: pixels above 0 and below 1.
        out_of_range: pixels below 0 or above 1.
        non_finite: pixels that are NaN or infinite; left out of all figures.
        mean: share of the area that is covered, 0 to 1.
        min: the smallest value.
        max: the largest value. All three are None where no value is finite.
    """

    pixels: int
    covered_area: float
    zero: int
    one: int
    between: int
    out_of_range: int
    non_finite: int
    mean: float | None
    min: float | None
    max: float | None

    @property
    def doubts(self) -> tuple[str, ...]:
        """Sentences about what may be wrong."""
        doubts = []
        if self.out_of_range:
            doubts.append(
                f"{self.out_of_range} of {self.pixels} values are below 0 or above 1 ({self.min:.5g} to "
                f"{self.max:.5g}), out of range for coverage; they are in the figures"
            )
        if self.non_finite:
            doubts.append(f"{self.non_finite} of {self.pixels} values are not finite and were left out")
        return tuple(doubts)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "doubts": list(self.doubts)}


def matte_statistics(matte: Image | MeasuredChannel, area: AreaLike | None = None) -> MatteStatistics:
    """Measure an area of a matte.

    Args:
        matte: coverage, 0 to 1, from `open_channel` or as a picture with a plane A.
        area: where, in pixels; the whole picture when None.

    Returns:
        Statistics, and counts of pixels.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
        ArgumentError: a picture without a plane A.
    """
    picture = plane_of(matte, "A", "matte")
    values = area_in(area, picture).pixels(picture)[:, picture.channels.index("A")]
    good = values[np.isfinite(values)].astype(np.float64)
    some = bool(good.size)
    return MatteStatistics(
        pixels=len(values),
        covered_area=float(good.sum()),
        zero=int(np.count_nonzero(good == 0)),
        one=int(np.count_nonzero(good == 1)),
        between=int(np.count_nonzero((good > 0) & (good < 1))),
        out_of_range=int(np.count_nonzero((good < 0) | (good > 1))),
        non_finite=len(values) - len(good),
        mean=float(good.mean()) if some else None,
        min=float(good.min()) if some else None,
        max=float(good.max()) if some else None,
    )
