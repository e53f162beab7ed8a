"""Burn-in: a strip in the picture that says what it is: shot, version, date, timecode, frame.

All fields stand in one line over the full width, so that a glance at one place tells everything, and only that
strip of the picture is touched. What names the picture stands on the left, what counts on the right:

    ┌──────────────────────────────────────────────────────────────────────────┐
    │ wide   v003                             2025-03-04   01:00:00:02   1003  │
    └──────────────────────────────────────────────────────────────────────────┘

Where the picture is too narrow for that, there are two lines: names, then numbers. A long name is shortened.
Letters have a 40th of the picture's height, 12 pixels at least. Where two lines of that size have no room, or
would hide more than a third of the picture, letters get smaller, as in thumbnails.

The strip is a dark grey that lets a quarter of the picture through. Letters on it have a contrast of 4.5:1 at
least, whatever the picture is, by the formula of the W3C's Web Content Accessibility Guidelines 2.2 (success
criterion 1.4.3; definitions of contrast ratio and of relative luminance).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from stackcomp.deliver.lettering import CAPITAL, Weight, cleaned, draw, shortened, text_width
from stackcomp.document.deliveries import BurnedIn
from stackcomp.errors import ArgumentError, cut, did_you_mean

__all__ = ["FIELDS", "Labels", "burned_in", "strip_height"]

Picture = npt.NDArray[np.float32]

#: All fields, in the order in which they stand.
FIELDS: tuple[BurnedIn, ...] = ("shot", "version", "date", "timecode", "frame")

_NAMES = ("shot", "version")
_SMALLEST = 12
# The strip: its code value, and how much of it covers the picture.
_BACKING, _OPACITY = np.float32(0.05), np.float32(0.76)
# Code values of letters: what is looked for first is brightest.
_BRIGHT, _USUAL = 0.97, 0.87
# Lengths in sizes of the letters: margin on both sides, gap between fields, least width of a shortened shot name,
# distance between lines, height of the strip beside its lines.
_MARGIN, _GAP, _LEAST, _LINE, _REST = 0.8, 1.1, 4.0, 1.45, 0.45
# Largest width of all other fields, in sizes of the letters.
_MOST = 14.0


@dataclass(frozen=True)
class Labels:
    """What a burn-in says. What is empty is left out.

    Attributes:
        shot: name of the shot.
        frame: number of the frame.
        timecode: as text.
        date: as text; no clock is read.
        version: of the work.
    """

    shot: str = ""
    frame: int | None = None
    timecode: str = ""
    date: str = ""
    version: str = ""

    def text(self, field: BurnedIn) -> str:
        """Return the text of a field; a frame number has four digits at least."""
        if field == "frame":
            return "" if self.frame is None else f"{self.frame:04d}"
        return str(getattr(self, field))


@dataclass(frozen=True)
class _Field:
    name: BurnedIn
    text: str

    @property
    def weight(self) -> Weight:
        # Thin letters suffer from the compression of movies.
        return "semibold" if self.name in ("shot", "frame") else "medium"

    @property
    def grey(self) -> float:
        return _BRIGHT if self.name in ("shot", "frame") else _USUAL

    def width(self, size: float) -> float:
        return text_width(self.text, size, self.weight)


@dataclass(frozen=True)
class _Lines:
    """Fields in lines, and the size of the letters."""

    size: float
    lines: tuple[tuple[_Field, ...], ...]

    @property
    def height(self) -> int:
        return math.ceil(self.size * (_LINE * len(self.lines) + _REST)) if self.lines else 0


def burned_in(
    picture: npt.ArrayLike,
    labels: Labels,
    fields: Sequence[BurnedIn] = FIELDS,
    *,
    place: Literal["bottom", "top"] = "bottom",
) -> Picture:
    """Return a picture with a burn-in.

    Args:
        picture: float ``(height, width, 3)``, display-encoded, 0 to 1; it is not written to.
        labels: what can be said.
        fields: what is said, in any order; each stands in its own place.
        place: where the strip is.

    Returns:
        A new float32 picture. Outside the strip it has the same bits; inside, values are clipped to 0 and 1, and
        NaN is black.

    Raises:
        ArgumentError: not such a picture, or an unknown field or place.
        RequestError: the font is not installed.
    """
    result = np.array(picture, np.float32)
    if result.ndim != 3 or result.shape[2] != 3 or 0 in result.shape:
        raise ArgumentError("picture", f"an array {result.shape} is not a picture", "give (height, width, 3)")
    if place not in ("bottom", "top"):
        raise ArgumentError("place", f"{cut(repr(place), 40)} is not known", 'choose from "bottom", "top"')
    height, width = result.shape[:2]
    lines = _arranged(labels, fields, height, width)
    rows = min(lines.height, height)
    if not rows:
        return result
    strip = result[height - rows :] if place == "bottom" else result[:rows]
    np.clip(np.nan_to_num(strip, copy=False, nan=0.0), 0, 1, out=strip)
    strip *= 1 - _OPACITY
    strip += _OPACITY * _BACKING
    for k, line in enumerate(lines.lines):
        # Capitals and figures are centred in their line.
        middle = lines.size * (_REST / 2 + _LINE * (k + 0.5))
        _set(strip, line, lines.size, round(middle + lines.size * CAPITAL / 2))
    return result


def strip_height(labels: Labels, fields: Sequence[BurnedIn], height: int, width: int) -> int:
    """Return the height of the strip in a picture of this size, in pixels.

    Args:
        labels: what can be said.
        fields: what is said.
        height: of the picture.
        width: of the picture.

    Raises:
        ArgumentError: an unknown field.
        RequestError: the font is not installed.
    """
    return min(height, _arranged(labels, fields, height, width).height)


def _arranged(labels: Labels, fields: Sequence[BurnedIn], height: int, width: int) -> _Lines:
    """Fields in one line or two, in the largest letters for which there is room."""
    if isinstance(fields, str):
        raise ArgumentError("fields", f"{cut(repr(fields), 40)} is not a list", 'give one, such as ["frame"]')
    for name in fields:
        if name not in FIELDS:
            raise ArgumentError("fields", f"{cut(repr(name), 40)} is not known", did_you_mean(str(name), FIELDS))
    said = [field for name in FIELDS if name in fields and (field := _field(name, labels)).text]
    size = float(max(_SMALLEST, round(height / 40)))
    if not said:
        return _Lines(size, ())
    names = tuple(field for field in said if field.name in _NAMES)
    numbers = tuple(field for field in said if field.name not in _NAMES)
    two = tuple(line for line in (names, numbers) if line)
    while size > 1:
        # A third of the picture is the most that a burn-in may hide.
        for lines in ((tuple(said),), two):
            if all(_fits(line, size, width) for line in lines):
                arranged = _Lines(size, lines)
                if arranged.height <= max(height / 3, 1):
                    return arranged
        size -= max(1.0, size // 16)
    return _Lines(1.0, ())


def _field(name: BurnedIn, labels: Labels) -> _Field:
    field = _Field(name, cleaned(labels.text(name)).strip())
    if name == "shot":
        return field
    return _Field(name, shortened(field.text, 100 * _MOST, 100, field.weight))


def _fits(line: Sequence[_Field], size: float, width: int) -> bool:
    """Whether a line has room, when its shot name is as short as it may get."""
    widths = [
        min(field.width(size), _LEAST * size) if field.name == "shot" else field.width(size) for field in line
    ]
    return sum(widths) + size * (2 * _MARGIN + _GAP * (len(line) - 1)) <= width


def _set(strip: Picture, line: Sequence[_Field], size: float, baseline: int) -> None:
    """Draw a line: names from the left, numbers from the right; the shot name gets what is left."""
    left, right = _MARGIN * size, strip.shape[1] - _MARGIN * size
    for field in reversed([field for field in line if field.name not in _NAMES]):
        draw(strip, field.text, right, baseline, size, grey=field.grey, weight=field.weight, align="right")
        right -= field.width(size) + _GAP * size
    others = [field for field in line if field.name in _NAMES and field.name != "shot"]
    room = right - left - sum(field.width(size) + _GAP * size for field in others)
    for field in line:
        if field.name in _NAMES:
            text = shortened(field.text, room, size, field.weight) if field.name == "shot" else field.text
            draw(strip, text, left, baseline, size, grey=field.grey, weight=field.weight)
            left += text_width(text, size, field.weight) + _GAP * size
