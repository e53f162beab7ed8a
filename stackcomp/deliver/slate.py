"""A slate: the frame before a movie that says what it is, with patches for judging a monitor.

Above, the sequence and the shot; below them what else is known, each with a small label; at the foot patches of
known code values over the full width:

    colour bars   white, yellow, cyan, green, magenta, red and blue with R'G'B' of 0 and 0.75: the 75 % bars that
                  Recommendation ITU-R BT.471 calls 75/0/75/0
    grey steps    R' = G' = B' from 0 to 1 in steps of 0.1, written below them in per cent

Patches are display-encoded code values, put into the picture as they are: no view is applied to them. 0.75 is 191
of 255 in a still. In a movie tagged ITU-R BT.709 with limited range it is Y' 180 (8 bits), by BT.709-6, item 4.6.

Everything is neutral grey but the colour bars, so that nothing around the patches influences the eye.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from stackcomp.data.window import Window
from stackcomp.deliver.lettering import CAPITAL, cleaned, draw, shortened, text_width
from stackcomp.errors import ArgumentError, cut

__all__ = ["LARGEST", "Patch", "Slate", "slate_patches", "slate_picture"]

Picture = npt.NDArray[np.float32]

#: Largest width and height in pixels.
LARGEST = 32768

_BARS = (
    ("white", (1, 1, 1)), ("yellow", (1, 1, 0)), ("cyan", (0, 1, 1)), ("green", (0, 1, 0)),
    ("magenta", (1, 0, 1)), ("red", (1, 0, 0)), ("blue", (0, 0, 1)),
)  # fmt: skip
_BAR = 0.75
_STEPS = 11
# Code values of ground, thin line, and letters in three degrees.
_GROUND, _LINE, _DIM, _USUAL, _BRIGHT = 0.13, 0.32, 0.58, 0.86, 0.96
# Lengths in units, of which a frame of 16:9 is 36 high and 64 wide.
_MARGIN = 2.6
_TITLE, _SHOT, _LABEL, _VALUE, _SMALL = 1.5, 4.2, 1.08, 1.5, 1.0
_PATCH, _CELL, _COLUMN_GAP = 3.0, 3.85, 1.2
# Least size of a long shot name, as a part of the usual one, before it is shortened.
_LEAST = 0.5


@dataclass(frozen=True)
class Slate:
    """What a slate says, all of it text; what is empty is left out.

    Attributes:
        title: the show or sequence.
        shot: name of the shot, or what stands for it; the largest letters.
        frames: range of frames.
        count: number of frames.
        frame_rate: frames a second.
        timecode: of the first frame.
        version: of the work.
        date: no clock is read.
        size: of the picture.
        colour: display and view that the picture was made for.
        note: anything else.
    """

    title: str = ""
    shot: str = ""
    frames: str = ""
    count: str = ""
    frame_rate: str = ""
    timecode: str = ""
    version: str = ""
    date: str = ""
    size: str = ""
    colour: str = ""
    note: str = ""


@dataclass(frozen=True)
class Patch:
    """A patch of one colour.

    Attributes:
        name: of its colour, or per cent of a grey step.
        values: R', G' and B', display-encoded, 0 to 1.
        window: its pixels.
    """

    name: str
    values: tuple[float, float, float]
    window: Window


# Labels of the fields in their order, and whether a field takes two columns.
_FIELDS = (
    ("frames", "Frames", False), ("count", "Number of frames", False), ("frame_rate", "Frames a second", False),
    ("timecode", "Timecode of the first", False), ("version", "Version", False), ("date", "Date", False),
    ("size", "Size", False), ("colour", "Display and view", True), ("note", "Note", True),
)  # fmt: skip


def slate_picture(width: int, height: int, slate: Slate) -> Picture:
    """Return a slate.

    Args:
        width: in pixels.
        height: in pixels.
        slate: what it says. Texts that are too long for their place are shortened.

    Returns:
        float32 ``(height, width, 3)``, display-encoded.

    Raises:
        ArgumentError: not a size from 1 to `LARGEST`.
        RequestError: the font is not installed.
    """
    _check_size(width, height)
    picture = np.full((height, width, 3), _GROUND, np.float32)
    layout = _Layout(width, height)
    for patch in layout.patches():
        picture[patch.window.slices_in(layout.window)] = patch.values
    layout.caption(picture)
    layout.texts(picture, slate)
    return picture


def slate_patches(width: int, height: int) -> tuple[Patch, ...]:
    """Return the patches of a slate of this size: seven colour bars and eleven grey steps.

    Args:
        width: in pixels.
        height: in pixels.

    Raises:
        ArgumentError: not a size from 1 to `LARGEST`.
    """
    _check_size(width, height)
    return tuple(_Layout(width, height).patches())


def _check_size(width: int, height: int) -> None:
    for name, number in (("width", width), ("height", height)):
        if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= LARGEST:
            raise ArgumentError(
                name, f"{cut(repr(number), 40)} is not a number of pixels from 1 to {LARGEST}", "such as 1920"
            )


class _Layout:
    """Where things are, in pixels."""

    def __init__(self, width: int, height: int) -> None:
        self.window = Window.of_size(width, height)
        # A tall frame has two columns of fields, and so more rows.
        self.columns = 4 if width >= 1.2 * height else 2
        self.unit = min(width / (64 if self.columns == 4 else 34), height / (36 if self.columns == 4 else 48))
        self.left, self.right = _MARGIN * self.unit, width - _MARGIN * self.unit
        self.foot = height - _MARGIN * self.unit

    def patches(self) -> Iterator[Patch]:
        unit = self.unit
        bottom = round(self.foot - 1.75 * _SMALL * unit)
        middle, top = round(bottom - _PATCH * unit), round(bottom - 2 * _PATCH * unit)
        yield from self._row([(name, (_BAR * r, _BAR * g, _BAR * b)) for name, (r, g, b) in _BARS], top, middle)
        greys = [k / (_STEPS - 1) for k in range(_STEPS)]
        yield from self._row([(f"{round(100 * grey)}", (grey,) * 3) for grey in greys], middle, bottom)

    def _row(
        self, colours: list[tuple[str, tuple[float, float, float]]], top: int, bottom: int
    ) -> Iterator[Patch]:
        edges = [round(self.left + (self.right - self.left) * k / len(colours)) for k in range(len(colours) + 1)]
        for (name, values), (x0, x1) in zip(colours, pairwise(edges), strict=True):
            yield Patch(name, values, Window(x0, top, x1, bottom) & self.window)

    def caption(self, picture: Picture) -> None:
        """Say what the patches are."""
        size, windows = self._size(_SMALL), [patch.window for patch in self.patches()]
        text = "Code values R′G′B′: colour bars 75 %, grey steps in %"
        self._line(picture, text, self.left, self.right, round(windows[0].y0 - 0.75 * self.unit), size, _DIM)
        below = round(windows[-1].y1 + 0.65 * self.unit + CAPITAL * size)
        for k, window in enumerate(windows[len(_BARS) :]):
            draw(picture, f"{10 * k}", (window.x0 + window.x1) / 2, below, size, grey=_DIM, align="centre")

    def texts(self, picture: Picture, slate: Slate) -> None:
        unit, y = self.unit, _MARGIN * self.unit
        title, shot = cleaned(slate.title).strip(), cleaned(slate.shot).strip()
        if title:
            y += CAPITAL * self._size(_TITLE)
            self._line(picture, title, self.left, self.right, round(y), self._size(_TITLE), _USUAL)
            y += 1.6 * unit
        if shot:
            room, size = self.right - self.left, self._size(_SHOT)
            size = max(1.0, size * min(1, max(_LEAST, room / text_width(shot, size, "semibold"))))
            y += CAPITAL * size
            text = shortened(shot, room, size, "semibold")
            draw(picture, text, self.left, round(y), size, grey=_BRIGHT, weight="semibold")
            y += 1.75 * unit
        if title or shot:
            thick = max(1, round(unit / 12))
            picture[round(y) : round(y) + thick, round(self.left) : round(self.right)] = _LINE
            y += 1.5 * unit
        self._fields(picture, slate, y)

    def _fields(self, picture: Picture, slate: Slate, y: float) -> None:
        """Labels over values, from left to right and in rows."""
        gap, column = _COLUMN_GAP * self.unit, 0
        step = (self.right - self.left + gap) / self.columns
        for name, label, wide_field in _FIELDS:
            value = cleaned(getattr(slate, name)).strip()
            span = 2 if wide_field else 1
            if not value:
                continue
            if column + span > self.columns:
                column, y = 0, y + _CELL * self.unit
            x = self.left + column * step
            upper = y + CAPITAL * self._size(_LABEL)
            lower = upper + 0.75 * self.unit + CAPITAL * self._size(_VALUE)
            last = x + span * step - gap
            self._line(picture, label, x, last, round(upper), self._size(_LABEL), _DIM)
            self._line(picture, value, x, last, round(lower), self._size(_VALUE), _USUAL)
            column += span

    def _size(self, units: float) -> float:
        return max(1.0, units * self.unit)

    def _line(
        self, picture: Picture, text: str, x: float, last: float, baseline: int, size: float, grey: float
    ) -> None:
        draw(picture, shortened(text, last - x, size), x, baseline, size, grey=grey)
