"""Curves of cubic Béziers as polylines, after a homography, clipped where that helps.

A curve is a run of points ``(n, 8)``: x, y, tangents in (dx, dy) and out (dx, dy) relative to the point, and two
values that are passed along it, such as widths of a feather. The second difference of a cubic's control points
bounds how far a chord can lie from it (de Boor, A Practical Guide to Splines, 1978): parts are as long as the
tolerance allows. Parts that lie to one side of the picture become one line, which changes no coverage in it, so
that coordinates without limit cost no time.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["COLUMNS", "flatten"]

#: Columns of a polyline: x, y, the two values, and the weight of the homography.
COLUMNS = 5
#: Most chords of one part; longer parts are halved first, so that those outside of the picture are dropped.
_MOST_CHORDS = 16
_DEEPEST = 40
#: Share of the largest weight below which a point counts as behind the horizon of a homography.
_HORIZON = 1e-4
#: How much farther a curve may rise above its chord where vertices are balanced. The chords at the ends of a part
#: begin on the curve and end 2/3 of the rise beside it: they are off by at most 0.694 of it.
_BALANCED = 1.44


def flatten(
    points: Array,
    starts: Array,
    closed: bool,
    homography: Array,
    box: Array,
    tolerance: float,
    even: bool = False,
    balanced: bool = False,
) -> tuple[Array, Array]:
    """Return the polylines of curves.

    Args:
        points: ``(n, 8)`` float64, all curves one behind the other.
        starts: ``(curves + 1,)`` int64, where each begins in ``points``.
        closed: whether each curve goes back to its first point.
        homography: ``(3, 3)``, pixels of the curves → pixels of the picture; the two values are lengths that grow
            as it does.
        box: x0, y0, x1, y1 of the part of the picture that matters, float64.
        tolerance: largest distance between a curve and its polyline, in pixels.
        even: whether every part of a curve has an even number of chords, so that each second vertex is the middle
            of an arc. This does not hold where something was cut off.
        balanced: whether vertices within a part move outward by two thirds of the distance between curve and
            chord, so that chords enclose what the curve does; fewer are needed for the same tolerance.

    Returns:
        Vertices ``(m, COLUMNS)`` float64, and where each polyline begins, ``(curves + 1,)``
        int64. The first vertex of a closed one is not repeated. What lies behind the horizon of the homography is
        cut off.
    """
    matrix = np.array(homography, dtype=np.float64)
    weights = points[:, 0] * matrix[2, 0] + points[:, 1] * matrix[2, 1] + matrix[2, 2]
    # What faces the same way in both pictures has a positive determinant where it is in front of the camera. A
    # negative one may be a mirror: most points are then taken to be in front.
    if np.linalg.det(matrix) < 0 and weights.sum() < 0:
        matrix, weights = -matrix, -weights
    least = _HORIZON * float(np.abs(weights).max(initial=0.0))
    flat = matrix[2, 0] == 0 and matrix[2, 1] == 0
    if flat:
        points = _moved(points, matrix / matrix[2, 2])
    rise = float(tolerance) * (_BALANCED if balanced else 1.0)
    points = np.ascontiguousarray(points)  # so that the loop compiles once
    vertices, firsts = _flatten(
        points, starts, closed, matrix, np.asarray(box, np.float64), rise, least, flat, even, balanced
    )
    if flat:
        return vertices, firsts
    return _cut_at_horizon(vertices, firsts, closed, least)


def _moved(points: Array, matrix: Array) -> Array:
    """Points after an affine map; so the kernel need not map what it makes of them."""
    if (matrix == np.eye(3)).all():
        return points
    linear = matrix[:2, :2].T
    size = np.sqrt(abs(np.linalg.det(linear)))
    at = points[:, :2] @ linear + matrix[:2, 2]
    return np.hstack([at, points[:, 2:4] @ linear, points[:, 4:6] @ linear, points[:, 6:] * size])


@compiled
def _flatten(
    points: Array,
    starts: Array,
    closed: bool,
    matrix: Array,
    box: Array,
    tolerance: float,
    least: float,
    flat: bool,
    even: bool,
    balanced: bool,
) -> tuple[Array, Array]:
    """Polylines as x, y, two values, weight; where the weight is below ``least``, x and y are still multiplied."""
    made = np.empty((min(80 * points.shape[0], 2 * points.shape[0] + 200_000) + _MOST_CHORDS + 2, COLUMNS))
    count = starts[0] * 0  # not a literal, for which functions would be compiled once more
    firsts = np.zeros(starts.shape[0], np.int64)
    # Parts that wait: control points x and y, then the parameter at both ends.
    stack = np.empty((_DEEPEST + 2, 10))
    mapped, part, powers = np.ones((4, 3)), np.empty(10), np.empty((2, 4))
    for curve in range(starts.shape[0] - 1):
        begin, end = starts[curve], starts[curve + 1]
        firsts[curve] = count
        parts = end - begin if closed else end - begin - 1
        for k in range(parts + (0 if closed else 1)):
            a = begin + k
            b = begin + (k + 1) % (end - begin)
            if count + _MOST_CHORDS + 2 > made.shape[0]:
                made = _grown(made, count)
            _put(made, count, points[a, 0], points[a, 1], points[a, 6], points[a, 7], matrix, flat, least)
            count += 1
            if k == parts:
                break
            stack[0, 0], stack[0, 1] = points[a, 0], points[a, 1]
            stack[0, 2], stack[0, 3] = points[a, 0] + points[a, 4], points[a, 1] + points[a, 5]
            stack[0, 4], stack[0, 5] = points[b, 0] + points[b, 2], points[b, 1] + points[b, 3]
            stack[0, 6], stack[0, 7] = points[b, 0], points[b, 1]
            stack[0, 8], stack[0, 9] = 0.0, 1.0
            depth = 1
            while depth > 0:
                depth -= 1
                for j in range(10):
                    part[j] = stack[depth, j]
                chords = _chords(part, matrix, flat, box, tolerance, least, mapped)
                if chords > _MOST_CHORDS and depth < _DEEPEST:
                    _halve(part, stack, depth)
                    depth += 2
                    continue
                chords = min(chords, _MOST_CHORDS)
                chords += chords % 2 if even else 0
                if count + chords + 2 > made.shape[0]:
                    made = _grown(made, count)
                if chords > 1:
                    _powers(part, powers)
                share = 1.0 / chords
                shift = share * share / 12 if balanced else 0.0
                for j in range(1, chords + 1):
                    t = j * share if j < chords else 1.0
                    along = part[8] + (part[9] - part[8]) * t
                    if along == 1.0:
                        break  # the next point of the curve, which is put there for itself
                    x, y = part[6], part[7]
                    if j < chords:
                        x, y = _point(powers, t, shift)
                    first = points[a, 6] + (points[b, 6] - points[a, 6]) * along
                    second = points[a, 7] + (points[b, 7] - points[a, 7]) * along
                    _put(made, count, x, y, first, second, matrix, flat, least)
                    count += 1
    firsts[starts.shape[0] - 1] = count
    return made[:count], firsts


@compiled
def _grown(made: Array, count: int) -> Array:
    """A table of twice the size."""
    larger = np.empty((2 * made.shape[0], COLUMNS))
    for k in range(count):
        for j in range(COLUMNS):
            larger[k, j] = made[k, j]
    return larger


@compiled
def _powers(part: Array, powers: Array) -> None:
    """The coefficients of a part in powers of its parameter."""
    for axis in range(2):
        p0, p1, p2, p3 = part[axis], part[2 + axis], part[4 + axis], part[6 + axis]
        powers[axis, 0], powers[axis, 1] = p0, 3 * (p1 - p0)
        powers[axis, 2], powers[axis, 3] = 3 * (p0 - 2 * p1 + p2), p3 - p0 + 3 * (p1 - p2)


@compiled
def _point(powers: Array, t: float, shift: float) -> tuple[float, float]:
    """A point of a part, moved outward by ``shift`` times what of the second derivative is across the curve."""
    b, c, d = powers[0, 1], powers[0, 2], powers[0, 3]
    f, g, h = powers[1, 1], powers[1, 2], powers[1, 3]
    x, y = powers[0, 0] + t * (b + t * (c + t * d)), powers[1, 0] + t * (f + t * (g + t * h))
    if shift > 0:
        dx, dy = b + t * (2 * c + t * (3 * d)), f + t * (2 * g + t * (3 * h))
        square = dx * dx + dy * dy
        if square > 0:
            across = shift * (dx * (2 * g + 6 * h * t) - dy * (2 * c + 6 * d * t)) / square
            x, y = x + across * dy, y - across * dx
    return x, y


@compiled
def _put(
    made: Array, k: int, x: float, y: float, first: float, second: float, matrix: Array, flat: bool, least: float
) -> None:
    """Store a vertex; lengths grow by the square root of the area that the homography makes of one there."""
    made[k, 0], made[k, 1], made[k, 2], made[k, 3], made[k, 4] = x, y, first, second, 1.0
    if flat:
        return
    u, v = matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2], matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]
    w = matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2]
    made[k, 0], made[k, 1], made[k, 4] = u, v, w
    if w >= least:
        u, v = u / w, v / w
        a, b = (matrix[0, 0] - u * matrix[2, 0]) / w, (matrix[0, 1] - u * matrix[2, 1]) / w
        c, d = (matrix[1, 0] - v * matrix[2, 0]) / w, (matrix[1, 1] - v * matrix[2, 1]) / w
        size = np.sqrt(abs(a * d - b * c))
        made[k, 0], made[k, 1], made[k, 2], made[k, 3] = u, v, first * size, second * size


@compiled
def _halve(part: Array, stack: Array, at: int) -> None:
    """De Casteljau's construction at the middle; the first half goes on top of the second."""
    for axis in range(2):
        p0, p1, p2, p3 = part[axis], part[2 + axis], part[4 + axis], part[6 + axis]
        p01, p12, p23 = 0.5 * (p0 + p1), 0.5 * (p1 + p2), 0.5 * (p2 + p3)
        p012, p123 = 0.5 * (p01 + p12), 0.5 * (p12 + p23)
        middle = 0.5 * (p012 + p123)
        stack[at + 1, axis], stack[at + 1, 2 + axis] = p0, p01
        stack[at + 1, 4 + axis], stack[at + 1, 6 + axis] = p012, middle
        stack[at, axis], stack[at, 2 + axis], stack[at, 4 + axis], stack[at, 6 + axis] = middle, p123, p23, p3
    middle = 0.5 * (part[8] + part[9])
    stack[at + 1, 8], stack[at + 1, 9], stack[at, 8], stack[at, 9] = part[8], middle, middle, part[9]


@compiled
def _chords(
    part: Array, matrix: Array, flat: bool, box: Array, tolerance: float, least: float, mapped: Array
) -> int:
    """How many chords a part needs: 1 beside the picture, more than allowed where it must be halved."""
    if part[0] == part[2] and part[1] == part[3] and part[4] == part[6] and part[5] == part[7]:
        return 1  # without tangents it is a line, and stays one
    low, high = np.inf, -np.inf
    for k in range(4):
        x, y = part[2 * k], part[2 * k + 1]
        mapped[k, 0], mapped[k, 1] = x, y
        if not flat:
            for row in range(3):
                mapped[k, row] = matrix[row, 0] * x + matrix[row, 1] * y + matrix[row, 2]
        low, high = min(low, mapped[k, 2]), max(high, mapped[k, 2])
    if not flat:
        if high < least or part[9] - part[8] < 1e-3:
            return 1
        # A homography makes other curves of cubics; nearly none of one whose weights are alike.
        if low < least or high > 1.25 * low:
            return _MOST_CHORDS + 1
    x0, x1, y0, y1 = np.inf, -np.inf, np.inf, -np.inf
    for k in range(4):
        x, y = mapped[k, 0], mapped[k, 1]
        if not flat:
            x, y = x / mapped[k, 2], y / mapped[k, 2]
            mapped[k, 0], mapped[k, 1] = x, y
        x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
    if x1 < box[0] or x0 > box[2] or y1 < box[1] or y0 > box[3]:
        return 1
    bend = 0.0
    for k in range(2):
        dx = mapped[k, 0] - 2 * mapped[k + 1, 0] + mapped[k + 2, 0]
        dy = mapped[k, 1] - 2 * mapped[k + 1, 1] + mapped[k + 2, 1]
        bend = max(bend, dx * dx + dy * dy)
    # |B''| ≤ 6 · bend, and a chord over a share h of it lies within |B''| h² / 8.
    wanted = np.ceil(np.sqrt(0.75 * np.sqrt(bend) / tolerance)) * (1.0 if flat else 1.5)
    return int(max(1.0, min(wanted, _MOST_CHORDS + 1.0)))


def _cut_at_horizon(vertices: Array, firsts: Array, closed: bool, least: float) -> tuple[Array, Array]:
    """Cut off what lies behind the horizon (Sutherland and Hodgman, Reentrant Polygon Clipping, 1974)."""
    if (vertices[:, 4] >= least).all():
        return vertices, firsts
    made: list[Array] = []
    begins = [0]
    for first, last in pairwise(firsts):
        part = vertices[first:last]
        inside = part[:, 4] >= least
        for k in range(len(part) if closed else len(part) - 1):
            a, b = part[k], part[(k + 1) % len(part)]
            if inside[k]:
                made.append(a)
            if inside[k] != inside[(k + 1) % len(part)]:
                made.append(_at_horizon(a, b, least))
        if not closed and len(part) and inside[-1]:
            made.append(part[-1])
        begins.append(len(made))
    return np.array(made).reshape(-1, COLUMNS), np.array(begins, np.int64)


def _at_horizon(a: Array, b: Array, least: float) -> Array:
    """The vertex between one before and one behind the horizon, where the weight is the least."""
    if a[4] < least:
        a, b = b, a
    t = (a[4] - least) / (a[4] - b[4])
    at: Array = ((1 - t) * a[:2] * a[4] + t * b[:2]) / least
    return np.concatenate([at, a[2:4], [least]])
