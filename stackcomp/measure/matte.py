"""What an area of a matte holds: how much is covered, and whether its values are coverage at all."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from stackcomp.data.image import Image
from stackcomp.measure.area import Area

__all__ = ["MatteStatistics", "matte_statistics"]


@dataclass(frozen=True)
class MatteStatistics:
    """Figures of an area of a matte, over its finite values as they are.

    Attributes:
        pixels: in the area.
        covered_area: the sum of all values, in pixels.
        zero: pixels at 0; ``one`` at 1, ``between`` above 0 and below 1, ``out_of_range`` below 0 or above 1.
        non_finite: NaN or infinite; left out of all figures.
        mean: share of the area that is covered, 0 to 1; None where no value is finite, as ``min`` and ``max``.
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
        said = []
        if self.out_of_range:
            said.append(
                f"{self.out_of_range} of {self.pixels} values are below 0 or above 1 ({self.min:.5g} to "
                f"{self.max:.5g}), which no coverage is; they are in the figures"
            )
        if self.non_finite:
            said.append(f"{self.non_finite} of {self.pixels} values are not finite and were left out")
        return tuple(said)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "doubts": list(self.doubts)}


def matte_statistics(matte: Image, area: Area) -> MatteStatistics:
    """Measure an area of a matte.

    Args:
        matte: a picture with a plane A of coverage, 0 to 1.
        area: where.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
    """
    values = area.pixels(matte)[:, matte.channels.index("A")]
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
