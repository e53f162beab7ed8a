"""A picture of where was measured: what lies outside of the areas is dimmed, each has an outline and a word."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackcomp.files.atomic import whole_file
from stackcomp.files.colour import DEFAULT_CONFIG
from stackcomp.files.mark import Mark, in_png
from stackcomp.files.viewable import viewable
from stackcomp.image import Image
from stackcomp.measure.area import Area

__all__ = ["beside", "draw_areas", "write_png"]

Picture = npt.NDArray[np.uint8]

_WIDTH = 960  # narrower pictures are enlarged by a whole factor, so that the lines do not hide them
_DIM = 0.55
_LINE = (255, 214, 120)
_SHADE = (20, 16, 8)
_GAP = 12


def draw_areas(image: Image, areas: Sequence[tuple[Area, str]], *, config: str = DEFAULT_CONFIG) -> Picture:
    """The frame as a person can look at it, with areas drawn on it.

    Args:
        image: a picture of any type.
        areas: areas in its pixels, and a few words for each; may be empty words.
        config: colour config for the view.

    Returns:
        ``(height, width, 3)``, 8-bit display values; enlarged by a whole factor where the picture is small.
    """
    from PIL import Image as Canvas
    from PIL import ImageDraw, ImageFont

    shown = viewable(image, config=config)
    frame = image.display
    inside = np.zeros(frame.shape, bool)
    for area, _ in areas:
        bounds = area.bounds & frame
        if not bounds.empty:
            inside[bounds.slices_in(frame)] |= area.mask(bounds)
    dimmed = np.where(inside[..., None], shown, (shown * np.float32(_DIM)).astype(np.uint8))
    factor = max(1, _WIDTH // max(1, frame.width))
    canvas = Canvas.fromarray(dimmed.repeat(factor, axis=0).repeat(factor, axis=1))
    pen = ImageDraw.Draw(canvas)
    font = ImageFont.load_default(max(12, canvas.width // 60))
    for area, words in areas:
        corners = [((x - frame.x0) * factor, (y - frame.y0) * factor) for x, y in area.corners]
        loop = [*corners, corners[0]]
        pen.line(loop, fill=_SHADE, width=4, joint="curve")
        pen.line(loop, fill=_LINE, width=2, joint="curve")
        _label(pen, font, words, corners, canvas.size)
    return np.asarray(canvas, np.uint8)


def _label(
    pen: object, font: object, words: str, corners: list[tuple[float, float]], size: tuple[int, int]
) -> None:
    """Words above the area, or below where there is no room; never outside of the picture."""
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
    """Pictures in a row, their tops in line."""
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
        FileError: the disk does not want.
    """
    from io import BytesIO

    from PIL import Image as Canvas

    encoded = BytesIO()
    Canvas.fromarray(picture).save(encoded, format="PNG")
    with whole_file(Path(path)) as unfinished:
        unfinished.write_bytes(in_png(encoded.getvalue(), Mark("measurement")))
