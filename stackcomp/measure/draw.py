"""A picture of measured areas: each has an outline and a label, and the rest of the frame is dimmed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.data.image import Image
from stackcomp.data.window import Window
from stackcomp.files.atomic import whole_file
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.mark import Mark, in_png
from stackcomp.files.viewable import viewable
from stackcomp.measure.area import Area

__all__ = ["Region", "beside", "draw_areas", "write_png"]

Picture = npt.NDArray[np.uint8]

_WIDTH = 960  # narrower pictures are enlarged by a whole factor, so that the lines do not hide them
_DIM = 0.55
_LINE = (255, 214, 120)
_SHADE = (20, 16, 8)
_GAP = 12


@dataclass(frozen=True, eq=False)
class Region:
    """Pixels of any shape.

    Attributes:
        mask: which pixels, ``(height, width)`` of ``window``.
        window: where the mask lies, in pixels of the frame.
    """

    mask: npt.NDArray[np.bool_]
    window: Window

    def over(self, frame: Window) -> npt.NDArray[np.bool_]:
        """The mask over another window; False outside of its own."""
        mask = np.zeros(frame.shape, bool)
        both = self.window & frame
        if not both.empty:
            mask[both.slices_in(frame)] = self.mask[both.slices_in(self.window)]
        return mask


def draw_areas(
    image: Image, areas: Sequence[tuple[Area | Region, str]], *, colour_config: str = DEFAULT_CONFIG
) -> Picture:
    """The frame through a display view, with areas drawn on it.

    Args:
        image: a picture of any type.
        areas: areas or regions in its pixels, and a label for each, which may be empty. A region is outlined
            along its pixels, holes included.
        colour_config: name or path of the OCIO config for the view.

    Returns:
        ``(height, width, 3)``, 8-bit display values; enlarged by a whole factor where the picture is small.
    """
    from PIL import Image as Canvas
    from PIL import ImageDraw, ImageFont

    shown = viewable(image, config=colour_config)
    frame = image.display
    regions = [_inside(area, frame) for area, _ in areas]
    inside = np.logical_or.reduce([np.zeros(frame.shape, bool), *regions])
    dimmed = np.where(inside[..., None], shown, (shown * np.float32(_DIM)).astype(np.uint8))
    factor = max(1, _WIDTH // max(1, frame.width))
    large = dimmed.repeat(factor, axis=0).repeat(factor, axis=1)
    for (area, _), region in zip(areas, regions, strict=True):
        if isinstance(area, Region):
            _outline(large, region.repeat(factor, axis=0).repeat(factor, axis=1))
    canvas = Canvas.fromarray(large)
    pen = ImageDraw.Draw(canvas)
    font = ImageFont.load_default(max(12, canvas.width // 60))
    for (area, words), region in zip(areas, regions, strict=True):
        points = _box(region, frame) if isinstance(area, Region) else area.corners
        corners = [((x - frame.x0) * factor, (y - frame.y0) * factor) for x, y in points]
        if not isinstance(area, Region):
            loop = [*corners, corners[0]]
            pen.line(loop, fill=_SHADE, width=4, joint="curve")
            pen.line(loop, fill=_LINE, width=2, joint="curve")
        _label(pen, font, words, corners, canvas.size)
    return np.asarray(canvas, np.uint8)


def _inside(area: Area | Region, frame: Window) -> npt.NDArray[np.bool_]:
    if isinstance(area, Region):
        return area.over(frame)
    bounds = area.bounds & frame
    found = np.zeros(frame.shape, bool)
    if not bounds.empty:
        found[bounds.slices_in(frame)] = area.mask(bounds)
    return found


def _box(region: npt.NDArray[np.bool_], frame: Window) -> tuple[tuple[float, float], ...]:
    """Top-left and bottom-right corner of the pixels that are set, or of the frame where none is."""
    rows, columns = np.flatnonzero(region.any(axis=1)), np.flatnonzero(region.any(axis=0))
    if not rows.size:
        return ((frame.x0, frame.y0), (frame.x1, frame.y1))
    left, top = frame.x0 + int(columns[0]), frame.y0 + int(rows[0])
    return ((left, top), (frame.x0 + int(columns[-1]) + 1, frame.y0 + int(rows[-1]) + 1))


def _outline(picture: Picture, region: npt.NDArray[np.bool_]) -> None:
    """Draw a line of two pixels around a region, and a shade of one pixel around the line, outside the region."""
    from scipy import ndimage

    square = np.ones((3, 3), bool)
    line = ndimage.binary_dilation(region, square, iterations=2)
    picture[ndimage.binary_dilation(line, square) & ~region] = _SHADE
    picture[line & ~region] = _LINE


def _label(
    pen: object, font: object, words: str, corners: list[tuple[float, float]], size: tuple[int, int]
) -> None:
    """Draw a label above the area, or below where there is no room; never outside of the picture."""
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont

    assert isinstance(pen, ImageDraw)
    assert isinstance(font, FreeTypeFont | ImageFont)
    if not words:
        return
    left, top, right, bottom = pen.textbbox((0, 0), words, font=font)
    width, height = right - left + 8, bottom - top + 6
    low, high = min(y for _, y in corners), max(y for _, y in corners)
    x = min(max(0.0, min(x for x, _ in corners)), max(0.0, size[0] - width))
    y = low - height - 4 if low >= height + 4 else min(high + 4, size[1] - height)
    pen.rectangle((x, y, x + width, y + height), fill=_SHADE)
    pen.text((x + 4 - left, y + 3 - top), words, font=font, fill=_LINE)


def beside(pictures: Sequence[Picture]) -> Picture:
    """Pictures in a row, aligned at the top."""
    height = max(picture.shape[0] for picture in pictures)
    width = sum(picture.shape[1] for picture in pictures) + _GAP * (len(pictures) - 1)
    row = np.full((height, width, 3), 24, np.uint8)
    x = 0
    for picture in pictures:
        row[: picture.shape[0], x : x + picture.shape[1]] = picture
        x += picture.shape[1] + _GAP
    return row


def write_png(path: str | Path, picture: Picture) -> None:
    """Write 8-bit RGB as a PNG, whole or not at all.

    Raises:
        FileError: the file cannot be written.
    """
    from io import BytesIO

    from PIL import Image as Canvas

    encoded = BytesIO()
    Canvas.fromarray(picture).save(encoded, format="PNG")
    with whole_file(Path(path)) as unfinished:
        unfinished.write_bytes(in_png(encoded.getvalue(), Mark("measurement")))
