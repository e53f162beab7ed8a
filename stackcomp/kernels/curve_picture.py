"""A matte of closed curves: flattened, put in order, and painted.

What is done before pixels are known (`prepare`) depends on the shapes alone, so that tiles of a picture are
equal to the whole.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import accumulate

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array
from stackcomp.kernels.curve_chains import Chains, chains_of
from stackcomp.kernels.curve_coverage import MODES, TABLE, paint
from stackcomp.kernels.curve_feather import SEGMENT, TOP, segments_of
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
    _moves: Array
    _opacity: Array
    _chains: tuple[Array, Array, Array, Array]
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

        def strip(a: int, b: int) -> None:
            paint(
                result, first - row, left, self.window.width, first + a, first + b, self._steps, self._table,
                self._moves, self._opacity, self._shared, *self._chains, self._segments,
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
    whole = [shape for shapes, _ in times for shape in shapes]
    made_of: dict[int, list[_Part]] = {leader: [] for leader in leaders}
    for (leader, *_), part in zip(jobs, parts, strict=True):
        if part is not None:
            made_of[leader].append(part)
    made = {leader: _together(own) for leader, own in made_of.items()}
    bounds = [
        made[leader].chains.bounds + np.tile(offset, 2) for leader, offset in zip(leaders, offsets, strict=True)
    ]
    windows = _windows(np.concatenate(bounds), within)
    window = Window(0, 0, 0, 0)
    for k in range(len(times)):
        window = window | _covered(whole[k * count : (k + 1) * count], windows[k * count : (k + 1) * count])
    return _joined(made, leaders, offsets, whole, windows, window, shared)


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


def _together(parts: Sequence[_Part]) -> _Part:
    """Shapes of one time in arrays of one kind."""
    if not parts:
        none = np.empty(0, np.int64)
        chains = Chains(np.empty((0, 2)), none, none, none, np.zeros(1, np.int64), np.empty((0, 4)))
        return _Part(chains, np.empty((0, SEGMENT)), np.zeros(1, np.int64))
    before = np.cumsum([0, *(len(part.chains.xy) for part in parts)])
    chains = Chains(
        np.concatenate([part.chains.xy for part in parts]),
        np.concatenate([part.chains.first + at for part, at in zip(parts, before, strict=False)]),
        np.concatenate([part.chains.last + at for part, at in zip(parts, before, strict=False)]),
        np.concatenate([part.chains.sign for part in parts]),
        _counted([part.chains.starts for part in parts]),
        np.concatenate([part.chains.bounds for part in parts]),
    )
    return _Part(
        chains, np.concatenate([part.segments for part in parts]), _counted([part.near for part in parts])
    )


def _counted(starts: Sequence[Array]) -> Array:
    """Where each begins, of several such lists one behind the other."""
    before = np.cumsum([0, *(own[-1] for own in starts)])
    joined: Array = np.append(
        np.concatenate([own[:-1] + at for own, at in zip(starts, before, strict=False)]), before[-1]
    )
    return joined


def _joined(
    made: Mapping[int, _Part], leaders: Sequence[int], offsets: Array, shapes: Sequence[DrawnShape],
    windows: Array, window: Window, shared: bool,
) -> CurvePicture:  # fmt: skip
    """All times in arrays of one kind; coordinates begin at the corner of the window.

    Times that repeat another share its vertices and segments; chains are their own, since each time goes down
    along them by itself.
    """
    count = len(shapes) // len(leaders)
    order = list(made)
    vertices = dict(zip(order, np.cumsum([0, *(len(made[k].chains.xy) for k in order)]).tolist(), strict=False))
    segments = dict(zip(order, np.cumsum([0, *(len(made[k].segments) for k in order)]).tolist(), strict=False))
    table = np.zeros((len(shapes), TABLE), np.int64)
    chains: list[Chains] = []
    before = 0
    for k, leader in enumerate(leaders):
        part, here = made[leader], slice(k * count, (k + 1) * count)
        own, at = part.chains, vertices[leader]
        table[here, 0], table[here, 1] = own.starts[:-1] + before, own.starts[1:] + before
        table[here, 2], table[here, 3] = part.near[:-1] + segments[leader], part.near[1:] + segments[leader]
        chains.append(own._replace(first=own.first + at, last=own.last + at))
        before += len(own.first)
    corners = np.array([window.x0, window.y0, window.x1, window.y1])
    table[:, 4:6] = np.maximum(windows[:, :2], corners[:2]) - corners[:2]
    table[:, 6:8] = np.minimum(windows[:, 2:], corners[2:]) - corners[:2]
    table[:, 4:8] = _kept(table[:, 4:8])
    table[:, 8] = [MODES.index(shape.mode) for shape in shapes]
    table[:, 9] = [shape.even_odd for shape in shapes]
    opacity = np.array([shape.opacity for shape in shapes], np.float32)
    corner = np.array([window.x0, window.y0], np.float64)
    near = np.concatenate([made[k].segments for k in order])
    near[:, :2] -= corner
    near[:, TOP:] -= corner[1]
    lines = (
        np.concatenate([made[k].chains.xy for k in order]) - corner,
        np.concatenate([own.first for own in chains]),
        np.concatenate([own.last for own in chains]),
        np.concatenate([own.sign for own in chains]),
    )
    steps = np.arange(len(leaders) + 1) * count
    moves = np.repeat(offsets, count, axis=0)
    return CurvePicture(window, steps, table, moves, opacity, lines, near, shared)
