"""Exact coverage of pixels by shapes, row by row.

In a row the chains of a shape (`curve_chains`) are put in order from left to right. Counting their directions
gives the winding number between them, and the rule, non-zero or even-odd, says which of them are borders. Each
border adds the signed area between itself and the right end of the row (Green's theorem); the sums along the row
are the coverage. Where chains end inside a row, or their stretches of x overlap, so that their order may change
within it, the row is cut at every end and every crossing into slabs in which nothing crosses (Bentley and Ottmann,
Algorithms for Reporting and Counting Geometric Intersections, 1979). So both rules hold within pixels too.

Computed in float64. A slab is at least 1e-7 of a row high, so that rounding cannot stop the scan.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from stackcomp.kernels.compiled import Array, compiled, inlined

__all__ = ["MODES", "TABLE", "paint"]

#: What a shape does to those before it, by its number in the table.
MODES = ("add", "subtract", "intersect")

#: Columns of the table of shapes: chains, feathered segments, window, mode (add, subtract, intersect), rule.
TABLE = 10
_CHAIN, _CHAIN_END, _NEAR, _NEAR_END, _X0, _Y0, _X1, _Y1, _MODE, _EVEN_ODD = range(TABLE)
_ADD, _SUBTRACT = 0, 1
#: What the pixels of a chunk are.
_EMPTY, _FULL, _MIXED = 0, 1, 2
#: Columns of the pieces of edges in a row; the last two are of slabs.
_LEFT, _RIGHT, _UPPER, _LOWER, _SIGN, _SLOPE, _AT = range(7)
#: Rows that are painted at a time, and pixels that are feathered at a time: a loop of constant length is vector
#: code.
_BLOCK, _CHUNK = 32, 16
_FAR = np.float32(-1e30)
#: Not a literal, for which functions would be compiled once more.
_ZERO = cast(int, np.int64(0))
#: Least distance to the middle of an arc that is told apart, as a share of its radius.
_STEEP = np.float32(0.25)
#: Rows of a cell, which are 16 pixels to feather: the share of the falloff that is ahead, the distance from the
#: curve, the width of the falloff, the coverage.
_GONE, _APART, _WIDE, _COVER = range(0, 4 * _CHUNK, _CHUNK)
_NONE, _ONE, _HALF, _TINY, _REST = (np.float32(value) for value in (0, 1, 0.5, 1e-3, 0.2))

#: Heights of slabs, and gaps in x, below which two things count as at one place.
_SLAB = 1e-7
_GAP = 1e-9


@compiled
def _cover(
    y0: int, y1: int, top: int, xy: Array, last: Array, sign: Array, table: Array, moves: Array, shape: int,
    cursor: Array, sums: Array, reach: Array, pieces: Array, waits: Array, order: Array, cover: Array,
    state: Array, width: int, ends: Array,
) -> None:  # fmt: skip
    """Fill the columns of a shape in rows of ``cover`` with its coverage of rows ``y0`` to ``y1``.

    Row y of the picture ends at y + 1; row 0 of the arrays is row ``top``.

    ``cursor`` holds a vertex of each chain that is not below the row, and is moved on. ``ends`` holds top and
    bottom of each chain, and x and y of where the row before has left it. ``sums`` is 0 before and
    after; ``reach``, ``pieces``, ``waits`` and ``order`` are memory to work in.
    """
    even_odd, right, down = table[shape, _EVEN_ODD] != 0, moves[shape, 0], moves[shape, 1]
    begin, behind = table[shape, _X0] // _CHUNK, (table[shape, _X1] - 1) // _CHUNK + 1
    for y in range(y0, y1):
        count, total, apart = 0, _ZERO, True
        for c in range(table[shape, _CHAIN], table[shape, _CHAIN_END]):
            begins, stops = ends[c, 0], ends[c, 1]
            if begins >= y + 1 or stops <= y:
                continue
            apart = apart and begins <= y and stops >= y + 1
            k = cursor[c]
            while xy[k + 1, 1] + down <= y:
                k += 1
            cursor[c] = k
            upper = max(begins, float(y))
            x0, above = xy[k, 0] + right, xy[k, 1] + down
            x1, below = xy[k + 1, 0] + right, xy[k + 1, 1] + down
            # At a vertex the edge may be level, and go on elsewhere.
            x = ends[c, 2] if ends[c, 3] == y and above < y else _x_at(x0, above, x1, below, upper)
            low, high, start = x, x, total
            while True:
                lower = min(below, y + 1.0)
                end = x1 if lower == below else _x_at(x0, above, x1, below, lower)
                if lower > upper:
                    pieces[total, _LEFT], pieces[total, _RIGHT] = x, end
                    pieces[total, _UPPER], pieces[total, _LOWER], pieces[total, _SIGN] = upper, lower, sign[c]
                    total += 1
                x, upper = end, lower
                low, high = min(low, x), max(high, x)
                k += 1
                if k >= last[c] or below >= y + 1:
                    break
                x0, above = x1, below
                x1, below = xy[k + 1, 0] + right, xy[k + 1, 1] + down
            ends[c, 2], ends[c, 3] = x, upper
            place = count
            while place > 0 and reach[place - 1, 0] > low:
                for j in range(4):
                    reach[place, j] = reach[place - 1, j]
                place -= 1
            reach[place, 0], reach[place, 1], reach[place, 2], reach[place, 3] = low, high, start, total
            count += 1
        for k in range(count - 1):
            apart = apart and reach[k, 1] <= reach[k + 1, 0]
        if not apart:
            _slabs(y, pieces, total, even_odd, waits, order, sums, width)
            for k in range(1, count):
                reach[0, 1] = max(reach[0, 1], reach[k, 1])
            count = min(count, 1)
        else:
            winding = _ZERO
            for k in range(count):
                start = int(reach[k, 2])
                before = _filled(winding, even_odd)
                winding += int(pieces[start, _SIGN])
                border = (1.0 if _filled(winding, even_odd) else 0.0) - (1.0 if before else 0.0)
                if border == 0:
                    reach[k, 1] = -np.inf  # nothing changes here
                    continue
                for p in range(start, int(reach[k, 3])):
                    tall = border * (pieces[p, _LOWER] - pieces[p, _UPPER])
                    _add(sums, width, pieces[p, _LEFT], pieces[p, _RIGHT], tall)
        _sum_up(sums, reach, count, begin, behind, width, cover, state, y - top)


@inlined
def _filled(winding: int, even_odd: bool) -> bool:
    return (winding & 1) != 0 if even_odd else winding != 0


@inlined
def _x_at(x0: Any, y0: Any, x1: Any, y1: Any, y: Any) -> Any:
    """The x of an edge at a height between its ends."""
    if y <= y0:
        return x0
    if y >= y1:
        return x1
    t = (y - y0) / (y1 - y0)
    return x0 * (1 - t) + x1 * t


@inlined
def _add(sums: Array, width: int, x0: float, x1: float, tall: float) -> None:
    """Add the area right of an edge, from one pixel to the next along the row; ``tall`` is its signed height."""
    left, right = min(x0, x1), max(x0, x1)
    if right <= 0:
        sums[0] += tall
        return
    if left >= width:
        return
    at, end = int(max(0.0, left)), int(min(float(width), right))
    if at == end and left >= 0:
        covered = tall * (at + 1 - 0.5 * (left + right))
        sums[at] += covered
        sums[at + 1] += tall - covered
        return
    half = 0.5 / max(right - left, 1e-300)
    reached, before = max(0.0, at - left) ** 2 * half, 0.0
    for x in range(at, end + 1):
        # The area right of the edge and left of x + 1, for a height of 1.
        up = min(x + 1.0, right) - left
        area = up * up * half + max(0.0, x + 1.0 - right)
        covered = tall * (area - reached)
        sums[x] += covered - before
        reached, before = area, covered
    sums[end + 1] += tall - before


@compiled
def _slabs(
    y: int, pieces: Array, total: int, even_odd: bool, waits: Array, order: Array, sums: Array, width: int
) -> None:
    """Cut a row where edges begin, end or cross, and add the borders of each slab."""
    for p in range(total):
        place = p
        while place > 0 and pieces[waits[place - 1], _UPPER] > pieces[p, _UPPER]:
            waits[place] = waits[place - 1]
            place -= 1
        waits[place] = p
        tall = pieces[p, _LOWER] - pieces[p, _UPPER]
        pieces[p, _SLOPE] = (pieces[p, _RIGHT] - pieces[p, _LEFT]) / tall
    held, waiting, at = 0, 0, float(y)
    while held > 0 or waiting < total:
        if held == 0:
            at = max(at, pieces[waits[waiting], _UPPER])
        while waiting < total and pieces[waits[waiting], _UPPER] <= at:
            order[held] = waits[waiting]
            held, waiting = held + 1, waiting + 1
        kept = 0
        for k in range(held):
            if pieces[order[k], _LOWER] > at:
                order[kept] = order[k]
                kept += 1
        held = kept
        if held == 0:
            continue
        under = pieces[waits[waiting], _UPPER] if waiting < total else np.inf
        for k in range(held):
            p = order[k]
            under = min(under, pieces[p, _LOWER])
            pieces[p, _AT] = pieces[p, _LEFT] + (at - pieces[p, _UPPER]) * pieces[p, _SLOPE]
            place = k
            while place > 0:
                other = order[place - 1]
                gap = pieces[other, _AT] - pieces[p, _AT]
                if gap < -_GAP or (gap <= _GAP and pieces[other, _SLOPE] <= pieces[p, _SLOPE]):
                    break
                order[place] = other
                place -= 1
            order[place] = p
        for k in range(held - 1):
            p, q = order[k], order[k + 1]
            closing = pieces[p, _SLOPE] - pieces[q, _SLOPE]
            if closing > 0:
                under = min(under, at + max(_SLAB, (pieces[q, _AT] - pieces[p, _AT]) / closing))
        tall, winding = under - at, _ZERO
        for k in range(held):
            p = order[k]
            before = _filled(winding, even_odd)
            winding += int(pieces[p, _SIGN])
            border = (1.0 if _filled(winding, even_odd) else 0.0) - (1.0 if before else 0.0)
            if border != 0:
                _add(sums, width, pieces[p, _AT], pieces[p, _AT] + tall * pieces[p, _SLOPE], border * tall)
        at = under


@compiled
def _sum_up(
    sums: Array, reach: Array, count: int, begin: int, behind: int, width: int, cover: Array, state: Array,
    row: int,
) -> None:  # fmt: skip
    """Turn sums into coverage: pixel by pixel where borders are; between them all is 0 or all is 1."""
    total, x = 0.0, begin * _CHUNK
    for k in range(count):
        if reach[k, 1] == -np.inf:
            continue
        # An edge changes the sums from its first pixel to the one behind its last.
        start = max(x, int(min(float(width), max(0.0, reach[k, 0]))))
        end = int(min(float(width), max(0.0, reach[k, 1]))) + 2
        _level(total, x, start, cover, state, row)
        for x in range(start, end):
            total += sums[x]
            sums[x] = 0.0
            # Areas that cancel leave about 1e-16; a pixel outside must be exactly 0.
            cover[row, x] = np.float32(0 if total < 1e-12 else (1 if total > 1 - 1e-12 else total))
        for chunk in range(start // _CHUNK, (end - 1) // _CHUNK + 1):
            state[row, chunk] = _MIXED
        x = max(start, end)
    _level(total, x, max(x, behind * _CHUNK), cover, state, row)


@inlined
def _level(total: float, start: int, end: int, cover: Array, state: Array, row: int) -> None:
    """Cover pixels between borders: whole chunks by their state, the others one by one."""
    full = total > 0.5
    value, kind = (_ONE, _FULL) if full else (_NONE, _EMPTY)
    first, last = (start + _CHUNK - 1) // _CHUNK, end // _CHUNK
    # Of signed numbers each would be tried for being negative, which is no vector code.
    for x in range(np.uint64(start), np.uint64(min(end, first * _CHUNK))):
        cover[row, x] = value
    for chunk in range(np.uint64(first), np.uint64(last)):
        state[row, chunk] = kind
    for x in range(np.uint64(max(start, last * _CHUNK)), np.uint64(end)):
        cover[row, x] = value


@compiled
def paint(
    result: Array, origin: int, left: int, width: int, first_row: int, last_row: int, steps: Array, table: Array,
    moves: Array, opacity: Array, shared: bool, xy: Array, first: Array, last: Array, sign: Array, segments: Array,
) -> None:  # fmt: skip
    """Paint shapes into rows of a matte, in order; the mean of several steps in time.

    Args:
        result: ``(rows, columns)`` float32; what is painted is overwritten.
        origin: the row of the picture that is the first of ``result``.
        left: the column of ``result`` that is the first of the picture.
        width: of the picture.
        first_row: the first row to paint.
        last_row: the row behind the last.
        steps: ``(steps + 1,)`` int64, where the shapes of each step begin.
        table: ``(shapes, TABLE)`` int64, see above; windows lie inside of the picture.
        moves: ``(shapes, 2)`` float64, how far each shape lies right and down of its vertices and segments.
        opacity: ``(shapes,)`` float32.
        shared: whether edges of shapes are the same edge instead of unrelated, as in join_mattes.
        xy: as first, last and sign those of `curve_chains.Chains`; pixel (0, 0) begins at (0, 0).
        first: see xy.
        last: see xy.
        sign: see xy.
        segments: as in `curve_feather.segments_of`.
    """
    count = steps.size - 1
    chunks = width // _CHUNK + 2
    sums = np.zeros(chunks * _CHUNK)
    longest, most = 2, 2
    for k in range(table.shape[0]):
        c0, c1 = table[k, _CHAIN], table[k, _CHAIN_END]
        most = max(most, c1 - c0 + 2)
        if c1 > c0:
            longest = max(longest, last[c1 - 1] - first[c0] + 3)
    reach, pieces, cursor = np.empty((most, 4)), np.empty((longest, 7)), first.copy()
    waits, order = np.empty(longest, np.int64), np.empty(longest, np.int64)
    ends = np.empty((first.size, 4))
    for k in range(table.shape[0]):
        for c in range(table[k, _CHAIN], table[k, _CHAIN_END]):
            ends[c, 0], ends[c, 1] = xy[first[c], 1] + moves[k, 1], xy[last[c], 1] + moves[k, 1]
            ends[c, 3] = np.inf
    matte, cover = np.empty((_BLOCK, chunks * _CHUNK), np.float32), np.empty((_BLOCK, chunks * _CHUNK), np.float32)
    field = np.empty((_BLOCK, chunks, 4 * _CHUNK), np.float32)
    cells = cover.reshape(_BLOCK, chunks, _CHUNK)
    state, touched = np.zeros((_BLOCK, chunks), np.uint8), np.zeros((_BLOCK, chunks), np.bool_)
    _clear(matte)
    for top in range(first_row, last_row, _BLOCK):
        bottom = min(top + _BLOCK, last_row)
        for step in range(count):
            for k in range(steps[step], steps[step + 1]):
                y0, y1 = max(top, table[k, _Y0]), min(bottom, table[k, _Y1])
                _cover(
                    y0, y1, top, xy, last, sign, table, moves, k, cursor, sums, reach, pieces, waits, order, cover,
                    state, width, ends,
                )  # fmt: skip
                if y1 > y0 and table[k, _NEAR_END] > table[k, _NEAR]:
                    _feather(y0, y1, top, table, moves, k, segments, cells, field, state, touched)
                if table[k, _MODE] > _SUBTRACT:
                    _limit(matte, y0 - top, y1 - top, table[k, _X0], table[k, _X1])
                _lay(matte, cover, state, y0 - top, y1 - top, table, k, opacity[k], shared)
            _average(result, top - origin, bottom - top, left, width, matte, step, count)


@compiled
def _clear(matte: Array) -> None:
    for y in range(matte.shape[0]):
        for x in range(matte.shape[1]):
            matte[y, x] = _NONE


@compiled
def _average(
    result: Array, top: int, height: int, left: int, width: int, matte: Array, step: int, count: int
) -> None:
    """Add one step to the sum of all, and clear it; the last makes it the mean, exactly 1 where all are 1."""
    share = np.float32(count)
    for y in range(height):
        row, one = result[top + y][left : left + width], matte[y][:width]
        if step == 0:
            for x in range(width):
                row[x] = one[x]
        else:
            for x in range(width):
                row[x] += one[x]
        for x in range(matte.shape[1]):
            matte[y, x] = _NONE
        if count > 1 and step == count - 1:
            for x in range(width):
                row[x] /= share


@compiled
def _limit(matte: Array, y0: int, y1: int, x0: int, x1: int) -> None:
    """Empty the matte outside of the window of a shape that it is intersected with."""
    for y in range(matte.shape[0]):
        inside = y0 <= y < y1
        for x in range(matte.shape[1]):
            if not inside or not x0 <= x < x1:
                matte[y, x] = _NONE


@compiled
def _lay(
    matte: Array,
    cover: Array,
    state: Array,
    y0: int,
    y1: int,
    table: Array,
    shape: int,
    opacity: float,
    shared: bool,
) -> None:
    """Join the coverage of a shape to rows of the matte, stretch by stretch of chunks that are alike."""
    mode, part = table[shape, _MODE], np.float32(opacity)
    begin, behind = table[shape, _X0] // _CHUNK, (table[shape, _X1] - 1) // _CHUNK + 1
    for y in range(y0, y1):
        chunk = begin
        while chunk < behind:
            kind, first = state[y, chunk], chunk
            while chunk < behind and state[y, chunk] == kind:
                chunk += 1
            if kind == _EMPTY and mode <= _SUBTRACT:
                continue
            # Of signed numbers each would be tried for being negative, which is no vector code.
            start, end = np.uint64(first * _CHUNK), np.uint64(chunk * _CHUNK)
            if kind != _MIXED:
                value = _ONE if kind == _FULL else _NONE
                if kind == _FULL and part == _ONE and mode <= _SUBTRACT:
                    value = _ONE if mode == _ADD else _NONE
                    for x in range(start, end):
                        matte[y, x] = value
                    continue
                for x in range(start, end):
                    cover[y, x] = value
            # As join_mattes does: crossing edges multiply like probabilities, shared ones contain each other.
            if mode == _ADD and not shared:
                for x in range(start, end):
                    matte[y, x] += (_ONE - matte[y, x]) * (cover[y, x] * part)
            elif mode == _ADD:
                for x in range(start, end):
                    matte[y, x] = max(matte[y, x], cover[y, x] * part)
            elif mode == _SUBTRACT and not shared:
                for x in range(start, end):
                    matte[y, x] -= matte[y, x] * (cover[y, x] * part)
            elif mode == _SUBTRACT:
                for x in range(start, end):
                    matte[y, x] = max(matte[y, x] - cover[y, x] * part, _NONE)
            elif not shared:
                for x in range(start, end):
                    matte[y, x] *= cover[y, x] * part
            else:
                for x in range(start, end):
                    matte[y, x] = min(matte[y, x], cover[y, x] * part)


@compiled
def _feather(
    y0: int, y1: int, top: int, table: Array, moves: Array, shape: int, segments: Array, cells: Array,
    field: Array, state: Array, touched: Array,
) -> None:  # fmt: skip
    """Feather the coverage of a shape in rows ``y0`` to ``y1``; row 0 of the arrays is row ``top``.

    Each segment is a row of `curve_feather.segments_of`. Of all points of the curve that reach a pixel, the one
    whose falloff goes farthest there counts. ``touched`` is at the end as it was before; ``field`` is memory to
    work in, ``(rows, chunks, 4 * _CHUNK)``: one array, so that loops need no tests for overlap.
    """
    first_x, last_x = table[shape, _X0], table[shape, _X1] - 1
    first_chunk = first_x // _CHUNK
    right_by, down_by = moves[shape, 0], moves[shape, 1]
    for s in range(table[shape, _NEAR], table[shape, _NEAR_END]):
        low, high = segments[s, 14] + down_by - 0.5, segments[s, 15] + down_by - 0.5
        if high < y0 or low > y1:
            continue
        from_x, from_y, tx, ty = (
            segments[s, 0] + right_by,
            segments[s, 1] + down_by,
            segments[s, 2],
            segments[s, 3],
        )
        to_left, to_right = -segments[s, 5], segments[s, 6]
        back, front = -segments[s, 7], segments[s, 4] + segments[s, 8]
        along_step, across_step = np.float32(tx), np.float32(-ty)
        length, share = np.float32(segments[s, 4]), np.float32(1 / segments[s, 4])
        outward, rise = np.float32(segments[s, 9]), np.float32(segments[s, 10] - segments[s, 9])
        inward, fall = np.float32(segments[s, 11]), np.float32(segments[s, 12] - segments[s, 11])
        bulge = np.float32(4 * segments[s, 13])
        even = rise == _NONE and fall == _NONE
        wide = max(outward + inward, _TINY)
        # Of a slope of 0 the stretches are all of the row or nothing of it.
        over_x, over_y = 1 / tx if abs(tx) > 1e-9 else 1e9, 1 / ty if abs(ty) > 1e-9 else 1e9
        for y in range(max(y0, int(np.ceil(max(low, -1.0)))), min(y1, int(high) + 1)):
            down = y + 0.5 - from_y
            # Pixels whose centres lie beside the segment, and near it.
            x0, x1 = (back - down * ty) * over_x, (front - down * ty) * over_x
            x2, x3 = (down * tx - to_right) * over_y, (down * tx - to_left) * over_y
            left = max(max(min(x0, x1), min(x2, x3)) + from_x - 0.5, float(first_x))
            right = min(min(max(x0, x1), max(x2, x3)) + from_x - 0.5, float(last_x))
            left = np.ceil(left)
            if left > right:
                continue
            row = y - top
            for chunk in range(int(left) // _CHUNK, int(right) // _CHUNK + 1):
                over, c = chunk * _CHUNK + 0.5 - from_x, chunk - first_chunk
                if not touched[row, chunk]:
                    touched[row, chunk] = True
                    _begin(field, row, c, cells, chunk, state[row, chunk])
                    state[row, chunk] = _MIXED
                along, across = np.float32(over * tx + down * ty), np.float32(down * tx - over * ty)
                if even:
                    _reach_even(
                        field, row, c, along, along_step, across, across_step, length, share, bulge, outward,
                        inward, wide,
                    )  # fmt: skip
                else:
                    _reach(
                        field, row, c, along, along_step, across, across_step, length, share, bulge, outward, rise,
                        inward, fall,
                    )  # fmt: skip
    for y in range(y0 - top, y1 - top):
        for chunk in range(first_chunk, last_x // _CHUNK + 1):
            if touched[y, chunk]:
                touched[y, chunk] = False
                _soften(field, y, chunk - first_chunk, cells, chunk)


@inlined
def _begin(field: Array, row: int, c: int, cells: Array, chunk: int, kind: int) -> None:
    """Put the coverage of a chunk into a cell that no segment has reached."""
    for k in range(_CHUNK):
        flat = _ONE if kind == _FULL else _NONE
        field[row, c, _COVER + k] = cells[row, chunk, k] if kind == _MIXED else flat
        field[row, c, _GONE + k], field[row, c, _APART + k], field[row, c, _WIDE + k] = _FAR, _NONE, _NONE


@inlined
def _reach_even(
    field: Array, row: int, c: int, along: Any, along_step: Any, across: Any, across_step: Any, length: Any,
    share: Any, bulge: Any, outward: Any, inward: Any, wide: Any,
) -> None:  # fmt: skip
    """`_reach` for a segment of one width."""
    narrow, peak, bend = _ONE / wide, np.float32(0.25) * bulge, np.float32(2) * bulge * share * share
    for k in range(_CHUNK):
        step = np.float32(k)
        at, off = along + along_step * step, across + across_step * step
        t = min(max(_HALF + (at * share - _HALF) / max(_ONE + bend * (off - peak), _STEEP), _NONE), _ONE)
        off -= bulge * t * (_ONE - t)
        past = at - t * length
        far = np.sqrt(off * off + past * past)
        gone = ((inward if field[row, c, _COVER + k] >= _HALF else outward) - far) * narrow
        better = gone > field[row, c, _GONE + k]
        field[row, c, _GONE + k] = gone if better else field[row, c, _GONE + k]
        field[row, c, _APART + k] = far if better else field[row, c, _APART + k]
        field[row, c, _WIDE + k] = wide if better else field[row, c, _WIDE + k]


@inlined
def _reach(
    field: Array, row: int, c: int, along: Any, along_step: Any, across: Any, across_step: Any, length: Any,
    share: Any, bulge: Any, outward: Any, rise: Any, inward: Any, fall: Any,
) -> None:  # fmt: skip
    """Note in a cell where the falloff of a segment goes farther than those before.

    The nearest point of an arc is found as that of a circle with the curvature of its middle.
    """
    peak, bend = np.float32(0.25) * bulge, np.float32(2) * bulge * share * share
    for k in range(_CHUNK):
        step = np.float32(k)
        at, off = along + along_step * step, across + across_step * step
        inside = field[row, c, _COVER + k] >= _HALF
        foot = _HALF + (at * share - _HALF) / max(_ONE + bend * (off - peak), _STEEP)
        t = min(max(foot, _NONE), _ONE)
        out, into = outward + rise * t, inward + fall * t
        # Where widths change, a point beside the nearest one reaches farther.
        grows = (rise + fall) / max(out + into, _TINY)
        lead = (fall - (into - abs(off)) * grows) if inside else (rise - (out - abs(off)) * grows)
        t = min(max(foot + abs(off) * lead * share * share, _NONE), _ONE)
        out, into = outward + rise * t, inward + fall * t
        off -= bulge * t * (_ONE - t)
        past = at - t * length
        far = np.sqrt(off * off + past * past)
        width = max(out + into, _TINY)
        gone = ((into if inside else out) - far) / width
        better = gone > field[row, c, _GONE + k]
        field[row, c, _GONE + k] = gone if better else field[row, c, _GONE + k]
        field[row, c, _APART + k] = far if better else field[row, c, _APART + k]
        field[row, c, _WIDE + k] = width if better else field[row, c, _WIDE + k]


@compiled
def _rising(t: Any) -> Any:
    """The integral of the smooth step 3t² - 2t³, which is 0 below 0 and 1 above 1."""
    inside = min(max(t, _NONE), _ONE)
    return inside * inside * inside * (_ONE - _HALF * inside) + max(t - _ONE, _NONE)


@compiled
def _mean(reach: Any, width: Any, narrow: Any, near: Any, far: Any) -> Any:
    """The mean of a falloff from distance ``near`` to ``far``: smooth, of some width, 0 from ``reach`` on."""
    return width * (_rising((reach - near) * narrow) - _rising((reach - far) * narrow)) / (far - near)


@inlined
def _soften(field: Array, row: int, c: int, cells: Array, chunk: int) -> None:
    """Put a halo on what a pixel has outside of the shape, and take a bite from what it has inside."""
    for k in range(_CHUNK):
        part, wide, far = field[row, c, _COVER + k], field[row, c, _WIDE + k], field[row, c, _APART + k]
        width, inside = max(wide, _TINY), part >= _HALF
        narrow = _ONE / width
        near_side = field[row, c, _GONE + k] * width + far
        closest = max(far - _HALF, _NONE)
        # A pixel on the curve has its larger part on one side, and a rest on the other.
        much = _mean(near_side, width, narrow, closest, far + _HALF)
        rest = _mean(width - near_side, width, narrow, closest, closest + max(_REST, _HALF - far))
        halo, bite = (rest, much) if inside else (much, rest)
        soft = min(max(part * (_ONE - bite) + (_ONE - part) * halo, _NONE), _ONE)
        cells[row, chunk, k] = soft if wide > _NONE else part
