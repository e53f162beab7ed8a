"""Integer rectangles of pixels.

A `Window` is half-open: pixels with ``x0 <= x < x1`` and ``y0 <= y < y1``; x runs right and y runs down.
OpenEXR stores inclusive corners; the two conversions are the only places that know it.
"""

from __future__ import annotations

import math
import operator
from dataclasses import dataclass
from numbers import Real
from typing import Any

from stackcomp.errors import ArgumentError, cut

__all__ = ["Window"]


@dataclass(frozen=True, order=True)
class Window:
    """A half-open rectangle of pixels. Any window without pixels counts as empty."""

    x0: int
    y0: int
    x1: int
    y1: int

    def __post_init__(self) -> None:
        for name in ("x0", "y0", "x1", "y1"):
            if type(value := getattr(self, name)) is not int:
                object.__setattr__(self, name, _whole(name, value))

    @classmethod
    def of_size(cls, width: int, height: int) -> Window:
        """A window of that size with its corner at the origin."""
        return cls(0, 0, _whole("width", width), _whole("height", height))

    @classmethod
    def from_exr(cls, low: tuple[int, int], high: tuple[int, int]) -> Window:
        """From the inclusive corners of an OpenEXR box."""
        try:
            return cls(int(low[0]), int(low[1]), int(high[0]) + 1, int(high[1]) + 1)
        except (TypeError, ValueError, LookupError, OverflowError):
            corners = cut(f"{low!r}, {high!r}", 60)
            raise ArgumentError("corners", f"{corners} are not two corners", "give (x, y) and (x, y)") from None

    def to_exr(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """Inclusive corners of an OpenEXR box."""
        return (self.x0, self.y0), (self.x1 - 1, self.y1 - 1)

    @property
    def width(self) -> int:
        """Pixels across, never negative."""
        return max(0, self.x1 - self.x0)

    @property
    def height(self) -> int:
        """Pixels down, never negative."""
        return max(0, self.y1 - self.y0)

    @property
    def shape(self) -> tuple[int, int]:
        """``(height, width)``, the shape of a plane over this window."""
        return self.height, self.width

    @property
    def empty(self) -> bool:
        """Whether it contains no pixel."""
        return self.x1 <= self.x0 or self.y1 <= self.y0

    def __and__(self, other: Window) -> Window:
        if not isinstance(other, Window):
            return NotImplemented
        both = Window(
            max(self.x0, other.x0), max(self.y0, other.y0), min(self.x1, other.x1), min(self.y1, other.y1)
        )
        return Window(both.x0, both.y0, both.x0, both.y0) if both.empty else both

    def __or__(self, other: Window) -> Window:
        if not isinstance(other, Window):
            return NotImplemented
        if other.empty:
            return self
        if self.empty:
            return other
        return Window(
            min(self.x0, other.x0), min(self.y0, other.y0), max(self.x1, other.x1), max(self.y1, other.y1)
        )

    def __contains__(self, other: Window) -> bool:
        if not isinstance(other, Window):
            raise ArgumentError("window", f"{cut(repr(other), 60)} is not a Window", "give one")
        return other.empty or (self | other) == self

    def grow(self, x: int, y: int | None = None) -> Window:
        """Larger by ``x`` pixels left and right and ``y`` (default ``x``) above and below."""
        x = _whole("x", x)
        y = x if y is None else _whole("y", y)
        if self.empty:
            return self
        return Window(self.x0 - x, self.y0 - y, self.x1 + x, self.y1 + y)

    def shift(self, x: int, y: int) -> Window:
        """Moved by whole pixels."""
        x, y = _whole("x", x), _whole("y", y)
        return Window(self.x0 + x, self.y0 + y, self.x1 + x, self.y1 + y)

    def scaled(self, scale: float) -> Window:
        """The smallest window that covers this one on a grid ``scale`` times as fine; empty only if this is."""
        try:
            factor = float(scale) if isinstance(scale, Real) else math.nan
        except OverflowError:
            factor = math.nan
        if not 0 < factor < math.inf:
            raise ArgumentError("scale", f"{cut(repr(scale), 60)} is not a number above 0", "0.5 is half")
        scale = factor
        if scale == 1 or self.empty:
            return self
        (x0, x1), (y0, y1) = _scaled(self.x0, self.x1, scale), _scaled(self.y0, self.y1, scale)
        return Window(x0, y0, x1, y1)

    def slices_in(self, outer: Window) -> tuple[slice, slice]:
        """Row and column slices that pick this window from a plane over ``outer``, which contains it."""
        if not isinstance(outer, Window):
            raise ArgumentError("outer", f"{cut(repr(outer), 60)} is not a Window", "give one")
        return (
            slice(self.y0 - outer.y0, self.y1 - outer.y0),
            slice(self.x0 - outer.x0, self.x1 - outer.x0),
        )

    def __str__(self) -> str:
        return f"{self.width}×{self.height} at ({self.x0}, {self.y0})"


def _whole(what: str, value: Any) -> int:
    """A whole number. Raises ArgumentError for anything else."""
    try:
        if isinstance(value, bool):
            raise TypeError
        return operator.index(value)
    except TypeError:
        raise ArgumentError(
            what, f"{cut(repr(value), 60)} is not a whole number of pixels", "give one, such as 1920"
        ) from None


def _scaled(low: int, high: int, scale: float) -> tuple[int, int]:
    """Whole pixels that cover a stretch of at least one on another grid."""
    # A hair of slack keeps exact products such as 0.1 * 30 from growing by a pixel.
    slack = 1e-9 * max(1.0, abs(low * scale), abs(high * scale))
    first = math.floor(low * scale + slack)
    return first, max(first + 1, math.ceil(high * scale - slack))
