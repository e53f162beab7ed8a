"""What an area of a depth channel holds, in metres: its median is a distance to focus on.

A depth of 0, and one that is not finite, is nothing: no surface was seen there. Nothing can be behind the camera
either, so values below 0 are counted and left out too.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.port_types import METRES
from stackcomp.errors import Problem, RequestError, did_you_mean
from stackcomp.measure.area import Area
from stackcomp.measure.picture import HALF_MAX

__all__ = ["DepthStatistics", "depth_statistics"]


@dataclass(frozen=True)
class DepthStatistics:
    """Figures of an area of depth.

    Attributes:
        pixels: in the area.
        covered: those with a depth above 0; the figures are theirs.
        nothing: those with a depth of 0.
        non_finite: NaN or infinite; nothing, likewise.
        below_zero: left out.
        beyond: covered ones at 65504 or more in the file's unit, where half floats end: often the mark of a
            renderer for nothing. They are in the figures.
        mean: in metres, as ``median``, ``min`` and ``max``; None where no pixel is covered.
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
        said = []
        if not self.covered:
            said.append("no pixel of the area has a depth above 0")
        if self.below_zero:
            said.append(
                f"{self.below_zero} of {self.pixels} depths are below 0 and were left out; "
                "some renderers count distance with a minus: turn its sign where the file is made"
            )
        if self.beyond:
            said.append(
                f"{self.beyond} of {self.covered} covered pixels lie at 65504 or beyond in the file's unit, as "
                "renderers mark nothing: they are in the figures, so name an area without them"
            )
        return tuple(said)

    def as_dict(self) -> dict[str, Any]:
        """As JSON data."""
        return {**asdict(self), "doubts": list(self.doubts)}


def depth_statistics(depth: Image, area: Area, *, unit: str = "m") -> DepthStatistics:
    """Measure an area of depth.

    Args:
        depth: a picture with a plane Z, in ``unit``; along the axis or along the ray, as it was rendered.
        area: where.
        unit: mm, cm, m or ft.

    Raises:
        AreaError: the area leaves the picture, or holds no pixel.
        RequestError: another unit.
    """
    if unit not in METRES:
        way_out = did_you_mean(unit, list(METRES))
        raise RequestError(Problem("unit", f'there is no unit "{unit}"', way_out, field="unit"))
    values = area.pixels(depth)[:, depth.channels.index("Z")]
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
