"""A matte of closed curves: flattened, put in order, and painted.

What is done before pixels are known (`prepare`) depends on the shapes alone, so that tiles of a picture are
equal to the whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import accumulate

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.curve_chains import Chains, chains_of
from stackcomp.kernels.curve_coverage import MODES, TABLE, paint
from stackcomp.kernels.curve_feather import SEGMENT, segments_of
from stackcomp.kernels.curve_flatten import flatten
from stackcomp.kernels.strips import over_strips

__all__ = ["CurvePicture", "DrawnShape", "prepare"]

#: Largest distance between a curve and its chords, in pixels: so no pixel is wrong by 1/255.
_TOLERANCE = 0.004
#: The same for the distance to a feathered curve, as a share of the feather's width, and its limits in pixels.
_SOFT_SHARE, _SOFT_LEAST, _SOFT_MOST = 0.0125, 0.05, 0.75
#: Shapes that are prepared at a time.
_GROUP = 8


@dataclass(frozen=True, eq=False)
class DrawnShape:
    """A shape at one time.

    Attributes:
        points: ``(n, 8)`` float64, see `stackcomp.data.keyed_points`.
        starts: where each of its curves begins in ``points``, and the number of points.
        mode: ``"add"``, ``"subtract"`` or ``"intersect"``.
        even_odd: the rule for the inside; non-zero when False.
        opacity: 0 to 1.
    """

    points: Array
    starts: tuple[int, ...]
    mode: str = "add"
    even_odd: bool = False
    opacity: float = 1.0


@dataclass(frozen=True, eq=False)
class CurvePicture:
    """Shapes that are ready to be painted, at one or several times.

    Attributes:
        window: the pixels that may be covered.
    """

    window: Window
    _steps: Array
    _table: Array
    _opacity: Array
    _chains: Chains
    _segments: Array
    _shared: bool

    def painted(self, wanted: Window) -> Array:
        """Return the coverage of pixels, 0 to 1, float32 of ``wanted.shape``: the mean over all times."""
        # Coordinates and chunks begin at the window of the shapes, wherever pixels are wanted: so tiles equal the
        # whole.
        part = wanted & self.window
        across = Window(self.window.x0, part.y0, self.window.x1, part.y1)
        held = wanted | across if not part.empty else wanted
        result = np.zeros(held.shape, np.float32)
        if part.empty:
            return result
        first, row, left = part.y0 - self.window.y0, part.y0 - held.y0, self.window.x0 - held.x0
        chains = self._chains

        def strip(a: int, b: int) -> None:
            paint(
                result, first - row, left, self.window.width, first + a, first + b, self._steps, self._table,
                self._opacity, self._shared, chains.xy, chains.first, chains.last, chains.sign, self._segments,
            )  # fmt: skip

        over_strips(strip, part.height, least=64)
        return np.ascontiguousarray(result[wanted.slices_in(held)]) if held != wanted else result


def prepare(
    times: Sequence[tuple[Sequence[DrawnShape], Array]], within: Window, *, shared: bool = False
) -> CurvePicture:
    """Return shapes ready to be painted.

    Args:
        times: the shapes at each time, as many at all of them, and the homography from their pixels to the
            picture's.
        within: no pixel outside of it is wanted.
        shared: whether edges of shapes are the same edge, see join_mattes.
    """
    count = len(times[0][0])
    leaders, offsets = _shifts(times)
    box = np.array([within.x0, within.y0, within.x1, within.y1], np.float64)
    jobs = []
    for leader in sorted(set(leaders)):
        shapes, matrix = times[leader]
        # What is in the picture at any of the times that are made of this one.
        moves = offsets[[other == leader for other in leaders]]
        reached = box + np.concatenate([-moves.max(axis=0), -moves.min(axis=0)])
        jobs += [(leader, shapes[k : k + _GROUP], matrix, reached) for k in range(0, count, _GROUP)]
    parts: list[_Part | None] = [None] * len(jobs)

    def work(first: int, last: int) -> None:
        for k in range(first, last):
            _, shapes, matrix, reached = jobs[k]
            parts[k] = _part(shapes, np.asarray(matrix, np.float64), reached)

    over_strips(work, len(jobs), least=1)
    done = [
        part.shifted(offset)
        for leader, offset in zip(leaders, offsets, strict=True)
        for (own, *_), part in zip(jobs, parts, strict=True)
        if own == leader and part is not None
    ]
    whole = [shape for shapes, _ in times for shape in shapes]
    bounds = np.concatenate([part.chains.bounds for part in done]) if done else np.empty((0, 4))
    windows = _windows(bounds, within)
    window = Window(0, 0, 0, 0)
    for k in range(len(times)):
        window = window | _covered(whole[k * count : (k + 1) * count], windows[k * count : (k + 1) * count])
    return _joined(done, whole, windows, window, np.arange(len(times) + 1) * count, shared)


def _shifts(times: Sequence[tuple[Sequence[DrawnShape], Array]]) -> tuple[list[int], Array]:
    """The earlier time that each one repeats, moved as a whole, or itself; and how far it is moved, ``(n, 2)``."""
    leaders: list[int] = []
    offsets = np.zeros((len(times), 2))
    latest: dict[tuple[float, ...], int] = {}
    for k, (shapes, matrix) in enumerate(times):
        leaders.append(k)
        # Only an affine map moves all points alike.
        linear = tuple(np.asarray(matrix)[:, :2].ravel().tolist())
        if linear[4:] != (0, 0) or matrix[2][2] != 1:
            continue
        leader = latest.setdefault(linear, k)
        if leader != k and all(map(_same_place, shapes, times[leader][0])):
            leaders[k], offsets[k] = leader, np.asarray(matrix)[:2, 2] - times[leader][1][:2, 2]
        else:
            latest[linear] = k
    return leaders, offsets


def _same_place(one: DrawnShape, other: DrawnShape) -> bool:
    if one.starts != other.starts or one.even_odd != other.even_odd:
        return False
    return one.points is other.points or np.array_equal(one.points, other.points)


@dataclass(frozen=True, eq=False)
class _Part:
    chains: Chains
    segments: Array
    near: Array

    def shifted(self, offset: Array) -> _Part:
        """The same shapes elsewhere, x and y in pixels."""
        if not offset.any():
            return self
        segments = self.segments.copy()
        segments[:, :2] += offset
        chains = self.chains._replace(xy=self.chains.xy + offset, bounds=self.chains.bounds + np.tile(offset, 2))
        return _Part(chains, segments, self.near)


def _part(shapes: Sequence[DrawnShape], matrix: Array, box: Array) -> _Part:
    """Some shapes at one time, where they are in a box.

    Args:
        shapes: the shapes.
        matrix: the homography to the picture.
        box: x0, y0, x1, y1.
    """
    points = np.concatenate([shape.points for shape in shapes])
    before = list(accumulate((len(shape.points) for shape in shapes), initial=0))
    starts = [at + first for at, shape in zip(before, shapes, strict=False) for first in shape.starts[:-1]]
    owners = np.array(list(accumulate((len(shape.starts) - 1 for shape in shapes), initial=0)))
    wide = float(points[:, 6:].max(initial=0.0))
    make = partial(flatten, points, np.array([*starts, len(points)]), True, matrix)
    vertices, firsts = make(box, _TOLERANCE, balanced=True)
    chains = chains_of(vertices, firsts, owners)
    if wide == 0:
        return _Part(chains, np.empty((0, SEGMENT)), np.zeros(len(shapes) + 1, np.int64))
    widths = vertices[:, 2] + vertices[:, 3]
    least = float(widths.min(initial=np.inf, where=widths > 1e-3))
    largest = float(vertices[:, 2:4].max(initial=0.0))
    around = box + np.array([-1, -1, 1, 1]) * (largest + 1)
    soft = float(np.clip(_SOFT_SHARE * least, _SOFT_LEAST, _SOFT_MOST))
    line, line_firsts = make(around, soft, even=True)
    arcs = bool((np.diff(line_firsts) % 2 == 0).all()) and matrix[2, 0] == 0 and matrix[2, 1] == 0
    rules = np.array([shape.even_odd for shape in shapes], np.bool_)
    segments, near = segments_of(line, line_firsts, owners, rules, box, arcs=arcs)
    return _Part(chains, segments, near)


def _windows(bounds: Array, within: Window) -> Array:
    """The pixels that each shape may cover, as x0, y0, x1, y1; all 0 where it covers none that matter."""
    box = np.array([within.x0, within.y0, within.x1, within.y1], np.float64)
    low, high = np.maximum(bounds[:, :2], box[:2]), np.minimum(bounds[:, 2:], box[2:])
    there = (low <= high).all(axis=1, keepdims=True)
    pixels = np.hstack([np.where(there, np.floor(low), 0), np.where(there, np.ceil(high), 0)]).astype(np.int64)
    return _kept(pixels)


def _kept(windows: Array) -> Array:
    """Windows, with all those that are empty at 0."""
    windows[(windows[:, :2] >= windows[:, 2:]).any(axis=1)] = 0
    return windows


def _covered(shapes: Sequence[DrawnShape], windows: Array) -> Window:
    """The pixels that shapes may cover together."""
    if all(shape.mode != "intersect" for shape in shapes):
        added = windows[[shape.mode == "add" for shape in shapes]]
        added = added[added[:, 2] > added[:, 0]]
        if not len(added):
            return Window(0, 0, 0, 0)
        return Window(*added[:, :2].min(axis=0).tolist(), *added[:, 2:].max(axis=0).tolist())
    window = Window(0, 0, 0, 0)
    for shape, own in zip(shapes, windows.tolist(), strict=True):
        if shape.mode == "add":
            window = window | Window(*own)
        elif shape.mode == "intersect":
            window = window & Window(*own)
    return window


def _joined(
    parts: Sequence[_Part], shapes: Sequence[DrawnShape], windows: Array, window: Window, steps: Array,
    shared: bool,
) -> CurvePicture:  # fmt: skip
    """All parts in arrays of one kind; coordinates begin at the corner of the window."""
    table = np.zeros((len(shapes), TABLE), np.int64)
    k = chains = vertices = segments = 0
    all_chains: list[Chains] = []
    all_segments: list[Array] = []
    for part in parts:
        own = part.chains
        here = slice(k, k + len(own.starts) - 1)
        table[here, 0], table[here, 1] = own.starts[:-1] + chains, own.starts[1:] + chains
        table[here, 2], table[here, 3] = part.near[:-1] + segments, part.near[1:] + segments
        all_chains.append(own._replace(first=own.first + vertices, last=own.last + vertices))
        all_segments.append(part.segments)
        k, chains, vertices = here.stop, chains + len(own.first), vertices + len(own.xy)
        segments += len(part.segments)
    corners = np.array([window.x0, window.y0, window.x1, window.y1])
    table[:, 4:6] = np.maximum(windows[:, :2], corners[:2]) - corners[:2]
    table[:, 6:8] = np.minimum(windows[:, 2:], corners[2:]) - corners[:2]
    table[:, 4:8] = _kept(table[:, 4:8])
    table[:, 8] = [MODES.index(shape.mode) for shape in shapes]
    table[:, 9] = [shape.even_odd for shape in shapes]
    opacity = np.array([shape.opacity for shape in shapes], np.float32)
    corner = np.array([window.x0, window.y0], np.float64)
    if not all_chains:
        none = np.empty(0, np.int64)
        together = Chains(np.empty((0, 2)), none, none, none, none, np.empty((0, 4)))
        return CurvePicture(window, steps, table, opacity, together, np.empty((0, SEGMENT)), shared)
    together = Chains(*(np.concatenate(some) for some in zip(*all_chains, strict=True)))
    near = np.concatenate(all_segments)
    near[:, :2] -= corner
    together.xy[:] -= corner
    return CurvePicture(window, steps, table, opacity, together, near, shared)
