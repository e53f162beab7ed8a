"""Statistics of an area of depth, in metres. The median is a focus distance.

A depth of 0, or one that is not finite, means that there is no surface. No surface is behind the camera either, so
values below 0 are counted and left out too.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from stackcomp.data.arguments import text
from stackcomp.data.image import Image
from stackcomp.data.port_types import METRES
from stackcomp.errors import ArgumentError, Problem, did_you_mean
from stackcomp.measure.channel import MeasuredChannel
from stackcomp.measure.given import AreaLike, area_in, plane_of
from stackcomp.measure.picture import HALF_MAX

__all__ = ["DepthStatistics", "depth_statistics"]


@dataclass(frozen=True)
class DepthStatistics:
    """Figures of an area of depth.

    Attributes:
        pixels: in the area.
        covered: pixels with a depth above 0; mean, median, min and max are over these.
        nothing: pixels with a depth of 0.
        non_finite: pixels that are NaN or infinite.
        below_zero: pixels below 0, which are left out.
        beyond: covered pixels at 65504 or more in the file's unit, the largest half float. Some renderers mark
            empty pixels with it. They are in the figures.
        mean: metres.
        median: metres; a focus distance.
        min: metres.
        max: metres. All four are None where no pixel is covered.
    """

    pixels: int
    covered: int
    nothing: int
    non_finite: int
    below_zero: int
    beyond: int
    mean: float | None
    median: float | None
    min: float | None
    max: float | None

    @property
    def doubts(self) -> tuple[str, ...]:
        """Sentences about what may be wrong."""
        doubts = []
        if not self.covered:
            doubts.append("no pixel of the area has a depth above 0")
        if self.below_zero:
            doubts.append(
                f"{self.below_zero} of {self.pixels} depths are below 0 and were left out; "
                "some renderers write distances as negative numbers: change the sign there"
            )
        if self.beyond:
            doubts.append(
                f"{self.beyond} of {self.covered} covered pixels are 65504 or more in the file's unit, with which "
                "some renderers mark empty pixels: they are in the figures, so name an area without them"
            )
        return tuple(doubts)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "doubts": list(self.doubts)}


def depth_statistics(
    depth: Image | MeasuredChannel, area: AreaLike | None = None, *, unit: str = "m"
) -> DepthStatistics:
    """Measure an area of depth.

    Args:
        depth: depth in ``unit``, from `open_channel` or as a picture with a plane Z; along the optical axis or
            along the ray, as it was rendered.
        area: where, in pixels; the whole picture when None.
        unit: mm, cm, m or ft.

    Returns:
        Statistics in metres, and counts of pixels.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
        ArgumentError: another unit, or a picture without a plane Z.
    """
    if text(unit, "unit") not in METRES:
        way_out = did_you_mean(unit, list(METRES))
        raise ArgumentError(Problem("unit", f'there is no unit "{unit}"', way_out, field="unit"))
    picture = plane_of(depth, "Z", "depth")
    values = area_in(area, picture).pixels(picture)[:, picture.channels.index("Z")]
    finite = np.isfinite(values)
    covered = values[finite & (values > 0)].astype(np.float64)
    metres = covered * METRES[unit]
    some = bool(metres.size)
    return DepthStatistics(
        pixels=len(values),
        covered=len(covered),
        nothing=int(np.count_nonzero(values == 0)),
        non_finite=int(np.count_nonzero(~finite)),
        below_zero=int(np.count_nonzero(finite & (values < 0))),
        beyond=int(np.count_nonzero(covered >= HALF_MAX)),
        mean=float(metres.mean()) if some else None,
        median=float(np.median(metres)) if some else None,
        min=float(metres.min()) if some else None,
        max=float(metres.max()) if some else None,
    )
