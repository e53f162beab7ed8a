"""Pictures on a coarser grid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Coordinates, Depth, Ids, Layers, Matte, Motion, PortType, Ratio

__all__ = ["scaled"]


def scaled(image: Image, type: PortType, scale: float) -> Image:
    """The picture on a grid ``scale`` times as fine: averaged over areas, so that what is constant stays so.

    Where the picture ends inside the frame, coverage and premultiplied colour are averaged with nothing and a
    ratio with 1, as its type says; what has no coverage to say how much of a pixel it fills is averaged over its
    own part of the pixel. Ids, depth and coordinates are picked, not averaged, and so are the channels of a file
    beside its R G B A, which may be such. Motion is counted in pixels of the new grid.
    """
    if scale == 1:
        return image
    from stackcomp.kernels import resample

    planes = {}
    window = image.window.scaled(scale)
    for name, plane in image.planes.items():
        if _picked(type, name) or plane.dtype != np.float32:
            planes[name], _ = resample.pick(plane, image.window, scale)
            continue
        frame = image.display if _fades(type, name) else image.window
        small, _ = resample.shrink(plane, image.window, scale, type.outside, frame)
        planes[name] = small * np.float32(scale) if isinstance(type, Motion) else small
    return replace(image, planes=planes, window=window, display=image.display.scaled(scale))


def _picked(type: PortType, plane: str) -> bool:
    return isinstance(type, Ids | Depth | Coordinates) or (isinstance(type, Layers) and plane not in "RGBAY")


def _fades(type: PortType, plane: str) -> bool:
    """Whether a plane goes over into what its type reads outside, where the picture ends inside the frame."""
    if isinstance(type, Colour | Layers):
        return type.alpha == "premultiplied" or plane == "A"
    return isinstance(type, Matte | Ratio)
