"""The borders of closed polylines that have a feather, as `curve_coverage` reads them.

Where a shape overlaps itself, some of its line lies inside of what it covers, and is no border. Segments are cut
where they cross each other, and the winding numbers beside their middles say whether a piece is a border, and on
which side the inside is.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["SEGMENT", "TOP", "segments_of"]

#: Columns of a segment: x and y of its start, its direction x and y, its length, how far it reaches to its left
#: and right, how far it reaches back and front beyond its ends, the outward width at start and end, the inward
#: width at start and end, how far it bulges to its right in its middle, and y of its reach at the top and at the
#: bottom. All in pixels; seen in its direction, on a screen.
SEGMENT = 16
_X, _Y, _TX, _TY, _LENGTH, _LEFT, _RIGHT, _BACK, _FRONT, _OUT, _OUT_END, _IN, _IN_END, _BULGE = range(SEGMENT - 2)
TOP, _BOTTOM = SEGMENT - 2, SEGMENT - 1
#: Narrower feathers are none; how far beside a line its sides are looked at. In pixels.
_LEAST, _BESIDE = 1e-3, 0.02
#: Not a literal, for which functions would be compiled once more.
_ZERO = cast(int, np.int64(0))


def segments_of(
    vertices: Array, firsts: Array, owners: Array, even_odd: Array, box: Array, *, arcs: bool
) -> tuple[Array, Array]:
    """Return the borders that have a feather and are near enough to the picture to be seen.

    Args:
        vertices: ``(m, 4 or more)`` float64: x, y, outward and inward width.
        firsts: ``(polylines + 1,)`` int64, where each begins.
        owners: ``(shapes + 1,)`` int64, where the polylines of each shape begin.
        even_odd: ``(shapes,)`` bool, the rule for the inside.
        box: x0, y0, x1, y1 of the picture.
        arcs: whether every second vertex is the middle of an arc, as `flatten` makes them with ``even``.

    Returns:
        ``(n, SEGMENT)`` float64, and where those of each shape begin, ``(shapes + 1,)`` int64.
    """
    pace = 2 if arcs else 1
    return _borders(vertices, firsts, owners, even_odd, np.asarray(box, np.float64), pace)


@compiled
def _borders(
    vertices: Array, firsts: Array, owners: Array, even_odd: Array, box: Array, pace: int
) -> tuple[Array, Array]:
    lines = np.empty((vertices.shape[0] + 1, SEGMENT))
    made = np.empty((vertices.shape[0] + 1, SEGMENT))
    starts = np.zeros(owners.shape[0], np.int64)
    count = _ZERO
    for shape in range(owners.shape[0] - 1):
        starts[shape] = count
        total, soft = _ZERO, False
        for polyline in range(owners[shape], owners[shape + 1]):
            begin, end = firsts[polyline], firsts[polyline + 1]
            for k in range(begin, end, pace):
                total += _line(vertices, begin, end, k, pace, lines, total)
            for k in range(begin, end):
                soft = soft or max(vertices[k, 2], vertices[k, 3]) >= _LEAST
        if not soft:
            continue
        pairs, cuts = _crossings(lines, total)
        plain = len(pairs) == 0 and owners[shape + 1] - owners[shape] == 1
        area, at = 0.0, 0
        for k in range(total):
            area += (lines[k, _X] * lines[k, _TY] - lines[k, _Y] * lines[k, _TX]) * lines[k, _LENGTH]
        for k in range(total):
            begin_at = 0.0
            while begin_at < 1:
                end_at = 1.0
                if at < len(pairs) and pairs[at] == k:
                    end_at = cuts[at]
                    at += 1
                if end_at <= begin_at:
                    continue
                if count == made.shape[0]:
                    made = _grown(made, count)
                _piece(lines, k, begin_at, end_at, made, count)
                side = 1 if area > 0 else -1
                if not plain:
                    side = _side(lines, total, k, begin_at, end_at, even_odd[shape])
                begin_at = end_at
                count += _reaches(made, count, side, box)
    starts[owners.shape[0] - 1] = count
    return made[:count], starts


@compiled
def _line(vertices: Array, begin: int, end: int, k: int, pace: int, lines: Array, n: int) -> int:
    """Store the segment that begins at a vertex; 0 where it has no length, else 1."""
    size = end - begin
    a, b = k, begin + (k - begin + pace) % size
    dx, dy = vertices[b, 0] - vertices[a, 0], vertices[b, 1] - vertices[a, 1]
    length = np.hypot(dx, dy)
    if length == 0:
        return 0
    tx, ty = dx / length, dy / length
    lines[n, _X], lines[n, _Y], lines[n, _TX], lines[n, _TY] = vertices[a, 0], vertices[a, 1], tx, ty
    lines[n, _LENGTH] = length
    lines[n, _OUT], lines[n, _OUT_END] = vertices[a, 2], vertices[b, 2]
    lines[n, _IN], lines[n, _IN_END] = vertices[a, 3], vertices[b, 3]
    middle = begin + (k - begin + 1) % size
    right = (vertices[middle, 1] - vertices[a, 1]) * tx - (vertices[middle, 0] - vertices[a, 0]) * ty
    lines[n, _BULGE] = right if pace == 2 else 0.0
    before, behind = begin + (k - begin - 1) % size, begin + (k - begin + pace + 1) % size
    last = begin + (k - begin + pace - 1) % size
    lines[n, _BACK] = _turn(vertices, before, a, middle)
    lines[n, _FRONT] = _turn(vertices, last, b, behind)
    return 1


@compiled
def _turn(vertices: Array, before: int, at: int, behind: int) -> Any:
    """Twice the tangent of half the angle of a turn: as much again for chords against their arcs."""
    ax, ay = vertices[at, 0] - vertices[before, 0], vertices[at, 1] - vertices[before, 1]
    bx, by = vertices[behind, 0] - vertices[at, 0], vertices[behind, 1] - vertices[at, 1]
    lengths = np.hypot(ax, ay) * np.hypot(bx, by)
    cosine = (ax * bx + ay * by) / lengths if lengths > 0 else 0.0
    return 2 * np.sqrt(max(0.0, 1 - cosine) / (1 + cosine)) if cosine > 0.5 else 2.0


@compiled
def _crossings(lines: Array, total: int) -> tuple[Array, Array]:
    """Where segments cross: numbers of segments, rising, and the share of each at which it is crossed, rising."""
    highest, lowest, left, right = np.empty(total), np.empty(total), np.empty(total), np.empty(total)
    for k in range(total):
        end = lines[k, _Y] + lines[k, _TY] * lines[k, _LENGTH]
        highest[k], lowest[k] = min(lines[k, _Y], end), max(lines[k, _Y], end)
        end = lines[k, _X] + lines[k, _TX] * lines[k, _LENGTH]
        left[k], right[k] = min(lines[k, _X], end), max(lines[k, _X], end)
    order, held = _sorted(highest), np.empty(total, np.int64)
    found = np.empty((64, 2))
    count, alive = _ZERO, 0
    for k in order:
        kept = 0
        for j in range(alive):
            other = held[j]
            if lowest[other] < highest[k]:
                continue
            held[kept] = other
            kept += 1
            if left[other] > right[k] or right[other] < left[k]:
                continue
            first, second = _crossing(lines, k, other)
            if first < 0:
                continue
            if count + 2 > found.shape[0]:
                found = _grown(found, count)
            found[count, 0], found[count, 1] = k, first
            found[count + 1, 0], found[count + 1, 1] = other, second
            count += 2
        held[kept] = k
        alive = kept + 1
    # Shares are below 1, so one number sorts by segment and share.
    sums = np.empty(count)
    for k in range(count):
        sums[k] = found[k, 0] + found[k, 1]
    places, numbers, shares = _sorted(sums), np.empty(count, np.int64), np.empty(count)
    for k in range(count):
        numbers[k], shares[k] = int(found[places[k], 0]), found[places[k], 1]
    return numbers, shares


@compiled
def _sorted(values: Array) -> Array:
    """The order of values, rising (Shell, A high-speed sorting procedure, 1959); it compiles fast."""
    size = values.shape[0]
    order, step = np.empty(size, np.int64), 1
    for k in range(size):
        order[k] = k
    while 3 * step + 1 < size:
        step = 3 * step + 1
    while step > 0:
        for k in range(step, size):
            one, place = order[k], k
            while place >= step and values[order[place - step]] > values[one]:
                order[place] = order[place - step]
                place -= step
            order[place] = one
        step //= 3
    return order


@compiled
def _grown(table: Array, count: int) -> Array:
    """A table of twice the size."""
    larger = np.empty((2 * table.shape[0], table.shape[1]))
    for k in range(count):
        for j in range(table.shape[1]):
            larger[k, j] = table[k, j]
    return larger


@compiled
def _crossing(lines: Array, p: int, q: int) -> tuple[float, float]:
    """The shares of two segments at which they cross, both inside; -1 where they do not."""
    px, py = lines[p, _TX] * lines[p, _LENGTH], lines[p, _TY] * lines[p, _LENGTH]
    qx, qy = lines[q, _TX] * lines[q, _LENGTH], lines[q, _TY] * lines[q, _LENGTH]
    dx, dy = lines[q, _X] - lines[p, _X], lines[q, _Y] - lines[p, _Y]
    across = px * qy - py * qx
    if across == 0:
        return -1.0, -1.0
    first, second = (dx * qy - dy * qx) / across, (dx * py - dy * px) / across
    if 1e-9 < first < 1 - 1e-9 and 1e-9 < second < 1 - 1e-9:
        return first, second
    return -1.0, -1.0


@compiled
def _piece(lines: Array, k: int, begin: float, end: float, made: Array, n: int) -> None:
    """A part of a segment. It turns as the whole at its own ends, and is cut square elsewhere."""
    part = end - begin
    for column in range(SEGMENT):
        made[n, column] = lines[k, column]
    for start, stop in ((_OUT, _OUT_END), (_IN, _IN_END)):
        rise = lines[k, stop] - lines[k, start]
        made[n, start], made[n, stop] = lines[k, start] + rise * begin, lines[k, start] + rise * end
    if part < 1:
        length, bulge = lines[k, _LENGTH], 4 * lines[k, _BULGE]
        aside = bulge * begin * (1 - begin)
        along, across = length * part, bulge * end * (1 - end) - aside
        whole = np.hypot(along, across)
        tx, ty = lines[k, _TX], lines[k, _TY]
        made[n, _X] += tx * length * begin - ty * aside
        made[n, _Y] += ty * length * begin + tx * aside
        made[n, _TX], made[n, _TY] = (tx * along - ty * across) / whole, (ty * along + tx * across) / whole
        made[n, _LENGTH] = whole
        made[n, _BACK] = lines[k, _BACK] if begin == 0 else 2.0
        made[n, _FRONT] = lines[k, _FRONT] if end == 1 else 2.0
        made[n, _BULGE] = lines[k, _BULGE] * part * part


@compiled
def _side(lines: Array, total: int, n: int, begin: float, end: float, even_odd: bool) -> int:
    """On which side of a part of a segment the inside is: 1 right, -1 left, 0 where it is no border."""
    middle = 0.5 * (begin + end) * lines[n, _LENGTH]
    x, y = lines[n, _X] + middle * lines[n, _TX], lines[n, _Y] + middle * lines[n, _TY]
    beside = min(_BESIDE, 0.1 * (end - begin) * lines[n, _LENGTH])
    filled = 0
    for way in (1, -1):
        at_x, at_y = x - way * beside * lines[n, _TY], y + way * beside * lines[n, _TX]
        winding = 0
        for k in range(total):
            step, fall = at_y - lines[k, _Y], lines[k, _TY] * lines[k, _LENGTH]
            if (step >= 0) == (step >= fall):
                continue
            if lines[k, _X] + lines[k, _TX] * step / lines[k, _TY] < at_x:
                winding += 1 if fall > 0 else -1
        inside = (winding & 1) != 0 if even_odd else winding != 0
        filled += way if inside else 0
    return filled


@compiled
def _reaches(made: Array, n: int, side: int, box: Array) -> int:
    """How far a border reaches to all sides; 0 where it is none, or is not seen, else 1."""
    out, into = max(made[n, _OUT], made[n, _OUT_END]), max(made[n, _IN], made[n, _IN_END])
    most = max(out, into)
    if side == 0 or most < _LEAST:
        return 0
    bulge = abs(made[n, _BULGE]) + 1.0
    made[n, _LEFT], made[n, _RIGHT] = (out + bulge, into + bulge) if side > 0 else (into + bulge, out + bulge)
    # Where widths change, the point that reaches farthest is beside the nearest one.
    rise = max(abs(made[n, _OUT_END] - made[n, _OUT]), abs(made[n, _IN_END] - made[n, _IN]))
    aside = 0.25 + most * min(1.0, rise / made[n, _LENGTH])
    made[n, _BACK] = aside + most * min(1.0, made[n, _BACK])
    made[n, _FRONT] = aside + most * min(1.0, made[n, _FRONT])
    tx, ty, back, front = made[n, _TX], made[n, _TY], -made[n, _BACK], made[n, _LENGTH] + made[n, _FRONT]
    left, right = -made[n, _LEFT], made[n, _RIGHT]
    x, y = made[n, _X], made[n, _Y]
    made[n, TOP] = y + min(back * ty, front * ty) + min(left * tx, right * tx)
    made[n, _BOTTOM] = y + max(back * ty, front * ty) + max(left * tx, right * tx)
    end_x, end_y = x + made[n, _TX] * made[n, _LENGTH], y + made[n, _TY] * made[n, _LENGTH]
    reach = 2 * most + bulge
    seen_x = max(x, end_x) + reach >= box[0] and min(x, end_x) - reach <= box[2]
    seen_y = max(y, end_y) + reach >= box[1] and min(y, end_y) - reach <= box[3]
    return 1 if seen_x and seen_y else 0
