"""The map of a lens over a picture: where in the source each target pixel looks.

The formula is computed at every 16th pixel corner, counted from the origin of all pixels, and interpolated by
cubic polynomials between the four nearest in each direction. Where the fourth differences say that this could be
off by more than `TOLERANCE`, as it is in very small pictures and beside a fold, each pixel is computed by itself.
Whether it is depends on the place alone, so that tiles equal the whole.

Source: the error of cubic interpolation, h⁴ f⁗ · 3/128 in the middle; Press et al., Numerical Recipes, 3.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, inlined
from stackcomp.kernels.distortion import Distortion, Mapped
from stackcomp.kernels.warp_windows import reach_of

__all__ = ["TOLERANCE", "Grid", "LensMap"]

#: How far from the formula a place may be, in pixels of the source.
TOLERANCE = 5e-4
_STEP = 16
#: Nodes of the grid beyond those of a cell's corners: one for its polynomials, and two more for differences of
#: those.
_MARGIN = 3
#: Points along each side of a window, when its outline is mapped, and in each direction inside of it.
_ALONG, _INSIDE = 257, 33
#: Pixels of a window up to which each is computed by itself to see what it needs.
_FEW = 1 << 17


@dataclass(frozen=True)
class LensMap:
    """Target pixels → places in the source, for a lens in a picture.

    Attributes:
        distortion: the lens.
        focal: horizontal and vertical focal length in pixels.
        centre: of the lens, in pixels with centres at half pixels.
        distorts: whether the result is the distorted picture, and the source the straight one.
        magnification: about the centre, of this channel in the distorted picture.
    """

    distortion: Distortion
    focal: tuple[float, float]
    centre: tuple[float, float]
    distorts: bool
    magnification: float = 1.0

    @classmethod
    def in_frame(
        cls,
        distortion: Distortion,
        size: tuple[int, int],
        focal: tuple[float, float],
        centre: tuple[float, float],
        frame: Window,
        scale: float = 1.0,
        *,
        distorts: bool,
        magnification: float = 1.0,
    ) -> LensMap:
        """The map of a lens that was calibrated for a picture of one size, in a frame of another.

        Args:
            distortion: the lens.
            size: width and height of the calibrated picture.
            focal: in pixels of it.
            centre: likewise.
            frame: at full size; of the same shape.
            scale: of the render.
            distorts: as the attribute.
            magnification: likewise.
        """
        factor = frame.width / size[0] * scale
        at = frame.x0 * scale + centre[0] * factor, frame.y0 * scale + centre[1] * factor
        return cls(distortion, (focal[0] * factor, focal[1] * factor), at, distorts, magnification)

    @property
    def changes_nothing(self) -> bool:
        """Whether every pixel looks at its own place."""
        return self.distortion.changes_nothing and self.magnification == 1

    @property
    def back(self) -> LensMap:
        """Source → target."""
        return replace(self, distorts=not self.distorts)

    def at(self, u: Array, v: Array) -> Mapped:
        """Places in the source, by the formula.

        Args:
            u: float64, x of points of the target in pixels.
            v: their y.

        Returns:
            Places in pixels and their derivatives; NaN where there is none.
        """
        (fx, fy), (cx, cy), size = self.focal, self.centre, self.magnification
        if self.distorts:
            x, y = (u - cx) / (fx * size), (v - cy) / (fy * size)
            found = self.distortion.straighten(x, y)
            shrinks = 1 / size
            return Mapped(
                cx + fx * found.x,
                cy + fy * found.y,
                found.xx * shrinks,
                found.yx * (fy / fx * shrinks),
                found.xy * (fx / fy * shrinks),
                found.yy * shrinks,
            )
        found = self.distortion.distort((u - cx) / fx, (v - cy) / fy)
        return Mapped(
            cx + fx * size * found.x,
            cy + fy * size * found.y,
            found.xx * size,
            found.yx * (fy / fx * size),
            found.xy * (fx / fy * size),
            found.yy * size,
        )

    def reached(self, source: Window) -> Window:
        """The part of the target that a window of the source reaches with its filter; unlimited in size."""
        if source.empty:
            return Window(source.x0, source.y0, source.x0, source.y0)
        if self.changes_nothing:
            return source
        there = self.back.at(*_spread(source.grow(2)))
        known = np.isfinite(there.x)
        # Two pixels of the filter, which is that of the larger pixels; one for what lies between the points.
        reached = _around(there, 3.0 + _bow(source)) if known.any() else _nothing(source)
        return reached if known.all() else reached | self._disc

    @property
    def _disc(self) -> Window:
        """All of the target that can show anything, where the formula folds back."""
        end = self.distortion.limit
        if math.isfinite(end) and self.distorts:
            # Terms beside the radial one move points a little farther.
            end = 1.1 * self.magnification * float(self.distortion.radial(np.array(end))[0])
        # Where the formula divides by 0 there, any large number comes out, with either sign.
        if not 0 < end < 1e6:
            end = 1e6
        sides = [
            (middle - focal * end, middle + focal * end)
            for middle, focal in zip(self.centre, self.focal, strict=True)
        ]
        (x0, x1), (y0, y1) = (np.clip(side, -1e6, 1e6) for side in sides)
        return Window(math.floor(x0), math.floor(y0), math.ceil(x1), math.ceil(y1))

    def folds(self, target: Window) -> bool:
        """Whether some pixels of a window lie beyond the fold of the formula, and show nothing."""
        return bool(np.isnan(self.at(*_spread(target)).x).any())

    def overscan(self, frame: Window) -> tuple[int, int, int, int]:
        """How many pixels beyond a frame the source must have so that no pixel of the frame lacks any.

        Returns:
            left, top, right, bottom; with the two pixels of the filter where there are any.
        """
        seen = self.seen(frame)
        if seen.empty:
            return 0, 0, 0, 0
        beyond = (frame.x0 - seen.x0, frame.y0 - seen.y0, seen.x1 - frame.x1, seen.y1 - frame.y1)
        left, top, right, bottom = (side + 2 if side > 0 else 0 for side in beyond)
        return left, top, right, bottom

    def seen(self, target: Window) -> Window:
        """The part of the source at which the pixels of a window look, without the filter; unlimited in size."""
        if target.empty:
            return _nothing(target)
        there = self.at(*_spread(target))
        return _around(there, 0.0) if np.isfinite(there.x).any() else _nothing(target)

    def needed(self, target: Window, source: Window) -> Window:
        """The part of a window of the source that the pixels of a target window are weighed from."""
        if target.empty or source.empty:
            return _nothing(source)
        if self.changes_nothing:
            return source & target
        if target.width * target.height <= _FEW:
            x, y = np.meshgrid(np.arange(target.x0, target.x1) + 0.5, np.arange(target.y0, target.y1) + 0.5)
            there, more = self.at(x, y), 0.0
        else:
            grid = Grid.of(self, target)
            if grid.exact.any():
                return source
            there, more = grid.nodes, grid.bow
        if not np.isfinite(there.x).any():
            return _nothing(source)
        by_x, by_y = (
            float(np.nanmax(np.maximum(abs(one), abs(other)), initial=0.0))
            for one, other in ((there.xx, there.xy), (there.yx, there.yy))
        )
        return source & _around(there, 1 + more, reach_of(by_x, by_x), reach_of(by_y, by_y))


@dataclass(frozen=True, eq=False)
class Grid:
    """A map over a window, at corners of cells of 16×16 pixels.

    Attributes:
        map: of the lens.
        corner: numbers of the first cell that has pixels, across and down.
        nodes: the map at the corners of cells, from `_MARGIN` cells before the first on; ``(rows, columns)`` each.
        exact: for each cell whether its pixels are computed by themselves.
    """

    map: LensMap
    corner: tuple[int, int]
    nodes: Mapped
    exact: Array

    @staticmethod
    @lru_cache(maxsize=12)
    def of(map: LensMap, window: Window) -> Grid:
        """The grid for the pixels of a window; kept, since most lenses are the same at every frame."""
        left, top = window.x0 // _STEP, window.y0 // _STEP
        right, bottom = -(-window.x1 // _STEP), -(-window.y1 // _STEP)
        columns = np.arange(left - _MARGIN, right + _MARGIN + 1) * float(_STEP)
        rows = np.arange(top - _MARGIN, bottom + _MARGIN + 1) * float(_STEP)
        nodes = map.at(*np.meshgrid(columns, rows))
        return Grid(map, (left, top), nodes, _uneven(nodes.x) | _uneven(nodes.y))

    @property
    def bow(self) -> float:
        """How far between two nodes the map may lie beyond both, in pixels."""
        bends = [abs(np.diff(part, 2, axis=axis)) for part in (self.nodes.x, self.nodes.y) for axis in (0, 1)]
        return max(float(np.nanmax(bend, initial=0.0)) for bend in bends)

    def places(self, tile: Window) -> tuple[Array, Array]:
        """Places of a tile's pixels in the source, and how they change.

        Returns:
            As `stackcomp.kernels.cubic_filter.filtered` takes them, in pixels of the source.
        """
        places, steps = np.empty((2, *tile.shape)), np.empty((4, *tile.shape), np.float32)
        first = (tile.x0, tile.y0, self.corner[0] - _MARGIN, self.corner[1] - _MARGIN)
        _interpolate(self.nodes.x, self.nodes.y, first, places, steps)
        left, top = tile.x0 // _STEP - self.corner[0], tile.y0 // _STEP - self.corner[1]
        cells = self.exact[
            top : (tile.y1 - 1) // _STEP - self.corner[1] + 1, left : (tile.x1 - 1) // _STEP - self.corner[0] + 1
        ]
        if cells.any():
            of_pixels = np.repeat(np.repeat(cells, _STEP, axis=0), _STEP, axis=1)
            y, x = tile.y0 % _STEP, tile.x0 % _STEP
            rows, columns = np.nonzero(of_pixels[y : y + tile.height, x : x + tile.width])
            there = self.map.at(columns + (tile.x0 + 0.5), rows + (tile.y0 + 0.5))
            places[:, rows, columns] = there.x, there.y
            steps[:, rows, columns] = there.xx, there.yx, there.xy, there.yy
        return places, steps


def _uneven(nodes: Array) -> Array:
    """For each cell whether cubic interpolation may be off by too much, or has no numbers to go by."""
    inner = slice(2, -2)
    with np.errstate(invalid="ignore"):
        far = abs(np.diff(nodes[inner], 4, axis=1)) + abs(np.diff(nodes[:, inner], 4, axis=0))
    uneven = ~(far * (3 / 128) <= TOLERANCE / 4)
    # Those nodes count that a cell is interpolated from: four each way.
    wide = uneven[:-3] | uneven[1:-2] | uneven[2:-1] | uneven[3:]
    return np.ascontiguousarray(wide[:, :-3] | wide[:, 1:-2] | wide[:, 2:-1] | wide[:, 3:])


def _spread(window: Window) -> tuple[Array, Array]:
    """Points of a window: along its outline, where a map reaches farthest, and some inside."""
    x, y = np.linspace(window.x0, window.x1, _ALONG), np.linspace(window.y0, window.y1, _ALONG)
    inside = np.meshgrid(np.linspace(window.x0, window.x1, _INSIDE), np.linspace(window.y0, window.y1, _INSIDE))
    low, high = np.ones_like(x), np.ones_like(y)
    u = np.concatenate([x, x, low * window.x0, high * window.x1, inside[0].ravel()])
    v = np.concatenate([low * window.y0, high * window.y1, y, y, inside[1].ravel()])
    return u, v


def _bow(window: Window) -> float:
    """How far an outline can bend between two of its points, with room: a lens bends less than a circle does."""
    return max(window.width, window.height) / _ALONG**2 * 8


def _nothing(window: Window) -> Window:
    return Window(window.x0, window.y0, window.x0, window.y0)


def _around(there: Mapped, more: float, far_x: float = 0.0, far_y: float = 0.0) -> Window:
    """The pixels that hold places, and so many more around them; held to what a window can be."""
    limits = []
    for part, far in ((there.x, more + far_x), (there.y, more + far_y)):
        low, high = np.clip([np.nanmin(part) - far, np.nanmax(part) + far], -1e6, 1e6)
        limits.append((math.floor(low), math.ceil(high)))
    (x0, x1), (y0, y1) = limits
    return Window(x0, y0, x1, y1)


@compiled
def _interpolate(
    nodes_x: Array, nodes_y: Array, first: tuple[int, int, int, int], places: Array, steps: Array
) -> None:
    """Fill places and steps; ``first`` are the first pixel across and down, then the first node."""
    x0, y0, left, top = first
    height, width = places.shape[1], places.shape[2]
    share = 1 / _STEP
    for row in range(height):
        j = (y0 + row) // _STEP
        t = (y0 + row - j * _STEP + 0.5) * share
        j -= top
        column = 0
        while column < width:
            i = (x0 + column) // _STEP
            skipped = x0 + column - i * _STEP
            count = min(_STEP - skipped, width - column)
            i -= left
            begin = (skipped + 0.5) * share
            for part in range(2):
                nodes = nodes_x if part == 0 else nodes_y
                a0, b0 = _between(
                    nodes[j - 1, i - 1], nodes[j, i - 1], nodes[j + 1, i - 1], nodes[j + 2, i - 1], t
                )
                a1, b1 = _between(nodes[j - 1, i], nodes[j, i], nodes[j + 1, i], nodes[j + 2, i], t)
                a2, b2 = _between(
                    nodes[j - 1, i + 1], nodes[j, i + 1], nodes[j + 1, i + 1], nodes[j + 2, i + 1], t
                )
                a3, b3 = _between(
                    nodes[j - 1, i + 2], nodes[j, i + 2], nodes[j + 1, i + 2], nodes[j + 2, i + 2], t
                )
                c1, c2, c3 = _powers(a0, a1, a2, a3)
                # Loops that write one array each: nothing else could be the same memory.
                to = places[part, row, column : column + count]
                for k in range(count):
                    s = begin + k * share
                    to[k] = a1 + s * (c1 + s * (c2 + s * c3))
                to_right = steps[part, row, column : column + count]
                for k in range(count):
                    s = begin + k * share
                    to_right[k] = (c1 + s * (2 * c2 + s * (3 * c3))) * share
                c1, c2, c3 = _powers(b0, b1, b2, b3)
                below = steps[2 + part, row, column : column + count]
                for k in range(count):
                    s = begin + k * share
                    below[k] = (b1 + s * (c1 + s * (c2 + s * c3))) * share
            column += count


@inlined
def _between(a: float, b: float, c: float, d: float, t: float) -> tuple[float, float]:
    """What a cubic through four nodes is at a share of the way between the two in the middle, and its slope."""
    one, two, three = _powers(a, b, c, d)
    return b + t * (one + t * (two + t * three)), one + t * (2 * two + t * (3 * three))


@inlined
def _powers(a: float, b: float, c: float, d: float) -> tuple[float, float, float]:
    """Factors of t, t² and t³ of the cubic through a at -1, b at 0, c at 1 and d at 2."""
    cube = (d - a) / 6 + 0.5 * (b - c)
    square = 0.5 * (a + c) - b
    return c - b - square - cube, square, cube
