"""Small pictures of the frames of a sequence: what checks that compare frames keep of each.

A small picture shows the display window, averaged over squares of pixels. It is made once a picture, whoever asks.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour, Encoding
from stackcomp.inspection.averages import averaged
from stackcomp.inspection.seen import Seen

__all__ = ["Array", "Small", "decoded", "luminance", "small_of", "tiles"]

Array = npt.NDArray[np.float32]

#: Pixels of the longer side of a small picture, about.
_LONGEST = 240
#: Every so many rows are hashed. Rows between them differ too where anything but a speck moved, and the averages
#: of all rows are compared besides.
_ROWS = 4
#: Scene-linear space that log pictures are decoded to.
_LINEAR = "Linear Rec.709 (sRGB)"
#: Rec. ITU-R BT.709, item 3.2.
_LUMA = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True, eq=False)
class Small:
    """A small picture.

    Attributes:
        light: luminance ``(rows, columns)``, linear; of the first channel where the picture is not colour, and
            None where that holds ids.
        hash: equal where all pixels, windows and channels are equal, and else hardly ever.
        colour: whether it is colour.
    """

    light: Array | None
    hash: int
    colour: bool


_made: WeakKeyDictionary[Seen, Small] = WeakKeyDictionary()


def small_of(picture: Seen) -> Small:
    """The small picture of a picture, made at the first call."""
    small = _made.get(picture)
    if small is None:
        small = _made[picture] = _small(picture)
    return small


def _small(picture: Seen) -> Small:
    image = picture.image
    is_colour = isinstance(image.type, Colour)
    square = max(1, max(image.display.width, image.display.height) // _LONGEST)
    names = ("R", "G", "B") if is_colour else image.channels[:1]
    light: Array | None = None
    planes = [image.planes[name] for name in names]
    if not image.display.empty and all(plane.dtype == np.float32 for plane in planes):
        averages = [_over_frame(image, plane, square) for plane in planes]
        encoding = image.type.encoding if isinstance(image.type, Colour) else None
        light = luminance(decoded(averages, encoding)) if is_colour else averages[0]
    return Small(light, _hash(image, light), is_colour)


def _over_frame(image: Image, plane: npt.NDArray[Any], square: int) -> Array:
    """A plane over the display window, averaged over squares; nothing outside the data window."""
    frame = image.display
    if image.window == frame:
        return averaged(plane, square)
    part = image.window & frame
    whole = np.zeros(frame.shape, np.float32)
    if not part.empty:
        whole[part.slices_in(frame)] = plane[part.slices_in(image.window)]
    return averaged(whole, square)


def decoded(planes: list[Array], encoding: Encoding | None) -> list[Array]:
    """R, G and B as linear light.

    Scene-linear light stays as it is, logarithmic encodings are decoded by the colour config, and encodings for a
    display by the curve of IEC 61966-2-1 (sRGB), white as 1.
    """
    if encoding is None or encoding.linear or encoding.family == "data":
        return planes
    if encoding.family == "log":
        from stackcomp.files import colour

        try:
            return list(colour.convert(planes, encoding, _LINEAR))
        except colour.UnknownEncoding:
            return planes
    return [srgb_light(plane) for plane in planes]


def srgb_light(code: Array) -> Array:
    """Light of sRGB values by IEC 61966-2-1, 0 to 1; values outside are clipped."""
    clipped = np.clip(code, 0, 1)
    bright = ((clipped + np.float32(0.055)) / np.float32(1.055)) ** np.float32(2.4)
    return np.where(clipped <= np.float32(0.04045), clipped / np.float32(12.92), bright).astype(np.float32)


def luminance(planes: list[Array]) -> Array:
    """Luminance of linear R, G and B, by the weights of Rec. ITU-R BT.709."""
    red, green, blue = planes
    return np.asarray(red * _LUMA[0] + green * _LUMA[1] + blue * _LUMA[2], np.float32)


def tiles(plane: Array, rows: int = 8, columns: int = 12) -> npt.NDArray[np.float64]:
    """Averages of a plane over a grid of tiles, as one row of numbers; fewer where the plane is smaller."""
    down = np.linspace(0, plane.shape[0], min(rows, plane.shape[0]) + 1).astype(int)
    across = np.linspace(0, plane.shape[1], min(columns, plane.shape[1]) + 1).astype(int)
    sums = np.add.reduceat(np.add.reduceat(plane, down[:-1], axis=0, dtype=np.float64), across[:-1], axis=1)
    return np.asarray((sums / np.outer(np.diff(down), np.diff(across))).ravel(), np.float64)


def _hash(image: Image, light: Array | None) -> int:
    found = zlib.crc32(repr((image.window, image.display, image.channels)).encode())
    for plane in image.planes.values():
        rows = plane if light is None else plane[::_ROWS]
        found = zlib.crc32(np.ascontiguousarray(rows).view(np.uint8).data, found) if rows.size else found
    return found if light is None else zlib.crc32(light.view(np.uint8).data, found)
