"""What a screen shows of a picture: luminance in cd/m² and chromaticity, on a coarse grid of cells.

The picture is looked at as viewers see it: scene-linear and log colour through the default view of the colour
config, display-encoded colour unchanged, over black. The screen has the curve of IEC 61966-2-1 (sRGB) and a peak
of its own.

Every so many pixels one is taken, so that highlights weigh as they do on the screen, and these are averaged to
cells of 1/240 of the longer side. From a distance of 3 picture heights that is about 0.14 degrees; patterns finer
than a cell cancel out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.port_types import Colour
from stackcomp.files import colour
from stackcomp.inspection.averages import averaged
from stackcomp.inspection.seen import Seen
from stackcomp.inspection.small import luminance, srgb_light

__all__ = ["CELLS", "Screen", "screen_of"]

Plane = npt.NDArray[np.float32]

#: Cells of the longer side, about.
CELLS = 240
#: Pixels that are looked at for a cell, each way.
_SAMPLES = 2
#: Light that a screen reflects, as a share of its peak. It gives black a chromaticity, that of white.
_REFLECTED = 1e-4
#: From linear Rec.709 to XYZ, white D65 (IEC 61966-2-1).
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]], np.float32)
#: A red is saturated from this share of R + G + B on (WCAG 2.2, general flash and red flash thresholds).
_SATURATED = 0.8
#: Below this share of the peak luminance no colour is seen. Common practice, no source.
_SEEN = 5e-3


@dataclass(frozen=True, eq=False)
class Screen:
    """What a screen shows.

    Attributes:
        luminance: ``(rows, columns)``, as a share of the peak, 0 to 1.
        chromaticity: ``(rows, columns, 2)``, u' and v' (CIE 1976 UCS).
        red: whether a cell is a saturated red.
        cell: side of a cell in pixels.
    """

    luminance: Plane
    chromaticity: Plane
    red: npt.NDArray[np.bool_]
    cell: int


def screen_of(picture: Seen) -> Screen | None:
    """What a screen shows of a picture; None where it is not colour, or empty."""
    image = picture.image
    if not isinstance(image.type, Colour) or image.display.empty:
        return None
    longest = max(image.display.width, image.display.height)
    step = max(1, longest // (CELLS * _SAMPLES))
    side = max(1, longest // (step * CELLS))
    light = [averaged(plane, side) for plane in _shown(image, step)]
    bright = luminance(light)
    total = light[0] + light[1] + light[2]
    red = (light[0] >= _SATURATED * total) & (bright >= _SEEN)
    return Screen(bright, _chromaticity(light), red, step * side)


def _shown(image: Image, step: int) -> list[Plane]:
    """Linear Rec.709 light of every so many pixels of the frame, 0 to 1."""
    kind = image.type
    assert isinstance(kind, Colour)
    planes = {name: _sampled(image, name, step) for name in kind.planes}
    alpha = planes.pop("A", None)
    codes = [planes[name] for name in ("R", "G", "B")]
    if kind.alpha == "straight" and alpha is not None:
        codes = [np.nan_to_num(plane * alpha) for plane in codes]
    if kind.encoding.family in ("scene-linear", "log"):
        try:
            codes = list(colour.display_view(codes, kind.encoding))
        except colour.UnknownEncoding:
            codes = list(colour.display_view(codes, "Linear Rec.709 (sRGB)"))
    return [srgb_light(np.nan_to_num(plane)) for plane in codes]


def _sampled(image: Image, name: str, step: int) -> Plane:
    frame, half = image.display, step // 2
    sampled = np.zeros((len(range(half, frame.height, step)), len(range(half, frame.width, step))), np.float32)
    part = image.window & frame
    if part.empty:
        return sampled
    # Rows and columns of the grid that lie within the data window.
    rows, columns = (
        slice(-(-(low - origin - half) // step), -(-(high - origin - half) // step))
        for low, high, origin in ((part.y0, part.y1, frame.y0), (part.x0, part.x1, frame.x0))
    )
    first_row = frame.y0 + half + rows.start * step - image.window.y0
    first_column = frame.x0 + half + columns.start * step - image.window.x0
    there = image.planes[name][first_row::step, first_column::step]
    inside = there[: rows.stop - rows.start, : columns.stop - columns.start]
    sampled[rows, columns] = np.clip(np.nan_to_num(inside, nan=0.0), -1e6, 1e6)
    return sampled


def _chromaticity(light: list[Plane]) -> Plane:
    rgb = np.stack(light, axis=-1) + np.float32(_REFLECTED)
    x, y, z = np.moveaxis(rgb @ _TO_XYZ.T, -1, 0)
    divisor = x + 15 * y + 3 * z
    return np.stack([4 * x / divisor, 9 * y / divisor], axis=-1).astype(np.float32)
