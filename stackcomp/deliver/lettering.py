"""Text in pictures, with an open font that comes as a Python package: no font of the system is ever used.

Letters are composited on display-encoded values: coverage mixes the code values of picture and letter. Nothing is
converted to light, so that a letter has the stated code value wherever it covers a pixel whole, and its edges look
equally heavy on dark and on bright ground.

The font is Noto Sans (SIL Open Font License 1.1), which has Latin, Greek and Cyrillic letters; its figures have
one width, so that numbers that count do not move. What it lacks is shown as its empty box, one for each character.
Letters are placed one after the other by the font's own widths; no library of the system takes part, and the same
versions of the packages give the same pixels everywhere. Letters are drawn larger and averaged, without hinting.
"""

from __future__ import annotations

import importlib.resources
import math
import unicodedata
from functools import lru_cache
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from stackcomp.errors import RequestError

__all__ = ["CAPITAL", "DESCENT", "Picture", "Weight", "cleaned", "draw", "shortened", "text_width"]

Picture = npt.NDArray[np.float32]
Weight = Literal["regular", "medium", "semibold"]

#: Height of capitals and depth of descenders, in sizes of the font.
CAPITAL, DESCENT = 0.714, 0.24

_PACKAGE, _FILE = "fontpkg_noto_sans", ("files", "NotoSans[wdth,wght].ttf")
# Positions on the axes of the font: weight, width.
_AXES: dict[str, list[float]] = {"regular": [400, 100], "medium": [500, 100], "semibold": [600, 100]}
_ELLIPSIS = "…"
# Letters are drawn this much larger at most, up to a size in pixels.
_LARGER, _LARGEST = 4, 512
_LONGEST = 400
_REPLACEMENT = "\N{REPLACEMENT CHARACTER}"


def cleaned(text: str) -> str:
    """Return a text as one line of characters that can be drawn.

    Letters with accents become single characters where Unicode has them (NFC); line breaks, tabs and other control
    characters become spaces; characters without a shape of their own (marks for direction, joiners) go. Half of a
    surrogate pair becomes a replacement character. Beyond 400 characters it is cut.
    """
    characters = []
    for character in unicodedata.normalize("NFC", text[: 4 * _LONGEST]):
        category = unicodedata.category(character)
        if category == "Cs":
            characters.append(_REPLACEMENT)
        elif category in ("Cc", "Zl", "Zp", "Zs"):
            characters.append(" ")
        elif category != "Cf" and not "\ufe00" <= character <= "\ufe0f":  # no variation selectors
            characters.append(character)
    line = " ".join("".join(characters).split(" "))
    return line if len(line) <= _LONGEST else line[: _LONGEST - 1] + _ELLIPSIS


def text_width(text: str, size: float, weight: Weight = "regular") -> float:
    """Return the width of a line of text in pixels.

    Args:
        text: see `cleaned`.
        size: of the font in pixels.
        weight: of the letters.

    Raises:
        RequestError: the font is not installed.
    """
    larger = _larger(size)
    return float(_font(round(size * larger), weight).getlength(cleaned(text))) / larger


def shortened(text: str, width: float, size: float, weight: Weight = "regular") -> str:
    """Return a text that is at most so wide: as it is, or its beginning with an ellipsis; empty if that is wider.

    Args:
        text: see `cleaned`.
        width: in pixels.
        size: of the font in pixels.
        weight: of the letters.

    Raises:
        RequestError: the font is not installed.
    """
    line = cleaned(text)
    if text_width(line, size, weight) <= width:
        return line
    # Widths grow with the text, so that the longest beginning is found by halving.
    fits, fails = -1, len(line)
    while fails - fits > 1:
        middle = (fits + fails) // 2
        if text_width(line[:middle].rstrip() + _ELLIPSIS, size, weight) <= width:
            fits = middle
        else:
            fails = middle
    return "" if fits < 0 else line[:fits].rstrip() + _ELLIPSIS


def draw(
    picture: Picture,
    text: str,
    x: float,
    baseline: int,
    size: float,
    *,
    grey: float = 0.9,
    weight: Weight = "regular",
    align: Literal["left", "centre", "right"] = "left",
) -> None:
    """Draw a line of text into a picture, in place. What lies outside of it is cut off.

    Args:
        picture: float32 ``(height, width, 3)``, display-encoded.
        text: see `cleaned`.
        x: where the text begins, has its middle or ends, by ``align``, in pixels from the left edge.
        baseline: row on whose upper edge the letters stand.
        size: of the font in pixels.
        grey: code value of the letters, 0 to 1.
        weight: of the letters.
        align: see ``x``.

    Raises:
        RequestError: the font is not installed.
    """
    line = cleaned(text)
    if not line.strip():
        return
    left = x - text_width(line, size, weight) * {"left": 0.0, "centre": 0.5, "right": 1.0}[align]
    column = math.floor(left)
    # Its place between two pixels, in quarters, so that equal texts give equal letters.
    cover, before, above = _coverage(line, size, weight, int((left - column) * 4) / 4)
    _mix(picture, cover, column - before, baseline - above, grey)


def _mix(picture: Picture, cover: npt.NDArray[np.float32], x: int, y: int, grey: float) -> None:
    """Mix one grey into a picture by coverage whose first pixel lies at (x, y)."""
    height, width = picture.shape[:2]
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + cover.shape[1], width), min(y + cover.shape[0], height)
    if x0 >= x1 or y0 >= y1:
        return
    part = cover[y0 - y : y1 - y, x0 - x : x1 - x, None]
    ground = picture[y0:y1, x0:x1]
    # In this form full coverage gives the grey itself, and none leaves the picture as it is.
    ground[...] = np.float32(grey) * part + ground * (1 - part)


@lru_cache(maxsize=256)
def _coverage(line: str, size: float, weight: Weight, offset: float) -> tuple[npt.NDArray[np.float32], int, int]:
    """Return coverage of a text, and how many columns and rows of it lie before its origin."""
    from PIL import Image, ImageDraw

    larger = _larger(size)
    font = _font(round(size * larger), weight)
    left, top, right, bottom = font.getbbox(line, anchor="ls")
    before, above = math.ceil(max(0, -left) / larger) + 1, math.ceil(max(0, -top) / larger) + 1
    columns = before + math.ceil(max(right, 1) / larger) + 2
    rows = above + math.ceil(max(bottom, 0) / larger) + 1
    drawn = Image.new("L", (columns * larger, rows * larger))
    origin = ((before + offset) * larger, above * larger)
    ImageDraw.Draw(drawn).text(origin, line, fill=255, font=font, anchor="ls")
    pixels = np.asarray(drawn, np.float32).reshape(rows, larger, columns, larger)
    cover = (pixels.sum(axis=(1, 3)) / np.float32(255 * larger * larger)).astype(np.float32)
    cover.flags.writeable = False
    return cover, before, above


def _larger(size: float) -> int:
    return max(1, min(_LARGER, int(_LARGEST // max(size, 1))))


@lru_cache(maxsize=64)
def _font(pixels: int, weight: Weight) -> Any:
    from PIL import ImageFont

    try:
        place = importlib.resources.files(_PACKAGE).joinpath(*_FILE)
        with importlib.resources.as_file(place) as path:
            font = ImageFont.truetype(str(path), max(1, pixels), layout_engine=ImageFont.Layout.BASIC)
            font.set_variation_by_axes(_AXES[weight])
    except (ModuleNotFoundError, OSError) as error:
        message = f"the font for letters in pictures is missing ({_PACKAGE.replace('_', '-')})"
        raise RequestError("lettering", message, "install stackcomp again, with its dependencies") from error
    return font
