"""What kinds share that carry every pixel elsewhere: which pictures they take, and how each sort is sampled."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from stackcomp.data.image import Image, Plane
from stackcomp.data.port_types import Colour, Depth, Ids, Matte, PortType, Ratio

__all__ = ["WARPED", "is_picked", "warped"]

#: Types that can be warped. Motion is counted in pixels, which change their size: it is none of them.
WARPED: tuple[type[PortType], ...] = (Colour, Matte, Ratio, Depth, Ids)

#: Planes over a window → the same over another one.
Warp = Callable[[list[Plane]], list[Plane]]


def is_picked(type: PortType) -> bool:
    """Whether the values of a type must not be averaged."""
    return isinstance(type, Depth | Ids)


def warped(image: Image, warp: Warp) -> Mapping[str, Plane]:
    """The planes of a picture, warped by a function that gives 0 where there is nothing.

    What a type reads outside of its pixels (1, for a ratio) counts as nothing.
    """
    outside = np.float32(image.type.outside)
    planes = list(image.planes.values())
    if outside:
        planes = [plane - outside for plane in planes]
    made = warp(planes)
    if outside:
        for plane in made:
            plane += outside
    return dict(zip(image.planes, made, strict=True))
