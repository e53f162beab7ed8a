"""Lengths of SVG files, and how a ``viewBox`` is fitted into a frame.

Source: SVG 2 (W3C), section 8.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import NamedTuple
from xml.etree.ElementTree import Element

from stackcomp.errors import FileError, cut
from stackcomp.files.svg_data import NUMBER

__all__ = ["Viewport", "box_of", "fitted", "is_align", "length"]

#: User units in a unit: CSS Values 3, section 5.2.
_UNITS = {
    "": 1.0,
    "px": 1.0,
    "in": 96.0,
    "cm": 96 / 2.54,
    "mm": 96 / 25.4,
    "q": 96 / 101.6,
    "pt": 96 / 72,
    "pc": 16.0,
}
#: Smallest and largest side of a ``viewBox``.
_SMALLEST, _LARGEST = 1e-6, 1e7


class Viewport(NamedTuple):
    """Width and height of which shares are shares, in user units; None where they are not known."""

    width: float | None
    height: float | None


def length(text: str, whole: float | None = None) -> float:
    """A length in user units.

    Args:
        text: number and unit.
        whole: what a share in per cent is a share of.

    Raises:
        ValueError: it is none, or hangs on a font or a size that is not known.
    """
    match = re.fullmatch(rf"\s*({NUMBER})([a-zA-Z]*|%)\s*", text)
    if match is None:
        raise ValueError(text)
    if match[2] == "%":
        if whole is None:
            raise ValueError(text)
        return float(match[1]) / 100 * whole
    try:
        return float(match[1]) * _UNITS[match[2].lower()]
    except KeyError:
        raise ValueError(text) from None


def is_align(text: str) -> bool:
    """Whether a text is a ``preserveAspectRatio``."""
    words = r"\s*(none|x(Min|Mid|Max)Y(Min|Mid|Max))(\s+(meet|slice))?\s*"
    return re.fullmatch(words, text) is not None


def box_of(path: Path, element: Element) -> tuple[float, float, float, float] | None:
    """Min-x, min-y, width and height of the ``viewBox``; None where there is none.

    Raises:
        FileError: it is not four numbers, or has no area.
    """
    text = element.get("viewBox")
    if text is None:
        return None
    try:
        x, y, width, height = (float(word) for word in re.split(r"[\s,]+", text.strip()))
    except ValueError:
        x = y = width = height = math.nan
    if not (max(abs(x), abs(y), width, height) <= _LARGEST and min(width, height) >= _SMALLEST):
        raise FileError(
            path,
            f'its viewBox is "{cut(text, 40)}"',
            f"write four numbers, width and height from {_SMALLEST:g} to {_LARGEST:.0f}",
        )
    return x, y, width, height


def fitted(
    box: tuple[float, float, float, float], align: str, width: float, height: float
) -> tuple[float, float, float, float]:
    """Scale along x and y, and offset, that fit a ``viewBox`` into a viewport: SVG 2, section 8.2."""
    x, y, across, down = box
    scale_x, scale_y = width / across, height / down
    words = align.split()
    if "none" not in words:
        scale_x = scale_y = (max if "slice" in words else min)(scale_x, scale_y)
    word = next((word for word in words if word.startswith("x")), "xMidYMid")
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    left, top = (width - across * scale_x) * share[word[1:4]], (height - down * scale_y) * share[word[5:8]]
    return scale_x, scale_y, left - x * scale_x, top - y * scale_y
