"""The distance in focus, taken from a point of a depth picture."""

from __future__ import annotations

import math

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.port_types import Depth
from stackcomp.data.window import Window
from stackcomp.errors import BadValueError

__all__ = ["around_point", "distance_at"]


def around_point(point: tuple[float, float]) -> Window:
    """The pixel that a point lies in, with its eight neighbours."""
    x, y = math.floor(point[0]), math.floor(point[1])
    return Window(x - 1, y - 1, x + 2, y + 2)


def distance_at(depth: Image, point: tuple[float, float], name: str, focal_mm: float, gate_mm: float) -> float:
    """Return the distance along the optical axis of what lies at a point, in metres.

    It is the middle one of the distances of nine pixels, those without any left out, so it is the distance of a
    surface and not a mean of two. Of two in the middle it is the nearer one.

    Args:
        depth: a depth picture that covers `around_point`.
        point: right and down, in pixels at the scale of the picture.
        name: of the picture, for the message.
        focal_mm: focal length, for distances along rays.
        gate_mm: width of the gate, for the same.

    Raises:
        BadValueError: there is no distance.
    """
    from stackcomp.kernels.lens import axial_depth

    here = around_point(point)
    plane = depth.over(here)["Z"]
    assert isinstance(depth.type, Depth)
    if depth.type.along == "ray":
        plane = axial_depth(plane, here, depth.display, focal_mm, gate_mm)
    known = np.sort(plane[np.isfinite(plane) & (plane > 0)])
    if not known.size:
        raise BadValueError(
            f'"focus_at" is [{point[0]:g}, {point[1]:g}], but the depth picture "{name}" has no distance there',
            "choose a point on a surface, or give focus_distance",
        )
    return float(known[(known.size - 1) // 2])
