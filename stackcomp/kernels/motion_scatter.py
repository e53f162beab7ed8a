"""The loops of `motion_blur`: pixels spread along their paths, the nearest first.

**The light of a path.** A pixel moves from ``v · begin`` to ``v · end``, relative to its place. Along the axis in
which the path is longer, the share of each column (or row) is the exact integral over time of a pixel that is flat
in its middle and fades linearly into the next one. Across it, the share is divided between the two pixels nearest
to its mean position. So shares add up to 1, and a path costs two additions for each pixel of its length.

**Mixed pixels.** An opaque pixel at the edge between two motions holds light of both things. It is divided into a
part of the thing in front, which has its motion, and the ground behind, which is whole and has the other one.
While nothing moves, both give the pixel again.

Light arrives in the order of the views, and of equal views in the order of rows and columns, whatever tile it is
computed in: a tile equals the whole bit for bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["BLOCK", "DONOR", "LEAST", "TILE", "block_bounds", "find_mixed", "scatter", "share_mixed", "views"]

#: Side in pixels of the blocks of which is known where their light lands.
BLOCK = 16
#: Side in pixels of the tiles of the result.
TILE = 64
#: What moves less than so many pixels while the shutter is open is still.
LEAST = 0.002
#: How far away in pixels a partly covered pixel looks for a pixel whose motion it takes.
DONOR = 2
# Along a path, a pixel has all light up to the first distance from its centre, and none beyond the second. Half
# way between two pixels it is divided evenly. A wider ramp would soften what moves by less than a pixel.
_FLAT, _ENDS = 0.25, 0.75
# A path shorter than this is a point, in pixels.
_POINT = 1e-4
# Views whose depths differ by less than this share, or whose path lengths differ by less than so many pixels, are
# one surface.
_ALIKE, _ALIKE_PX = 1e-3, 0.1
# Pixels whose paths differ by more than so many pixels may be mixed of two things.
_APART = 0.25
# Where something leaves a pixel, what moves like it is the same thing: up to such a share of its motion.
_SAME = 1 / 3
# Pixels of a row that are looked at together.
_RUN = 64
# Added to the code of a mixed pixel whose own view is behind.
_FRONT = 16
# Missing shares below this are rounding.
_NONE = 1e-5
# Weight of mixed pixels where others tell the colour of one side.
_MIXED = 1e-3
# Bits of the order of empty pixels, a NaN.
_EMPTY = np.uint32(0x7FC00000)
_EIGHT = ir.VectorType(FLOAT, 8)
# Bits of a digit of the sort, and bits of an order that are dropped.
_DIGIT, _DROPPED = 11, 10


@compiled
def views(
    planes: tuple[Array, Array, Array, Array],
    motion: tuple[Array, Array],
    depth: Array,
    times: tuple[float, float],
    largest: float,
    result: tuple[Array, Array, Array],
    first: int,
    last: int,
) -> tuple[float, int, int]:
    """Compute motion and order of the pixels of some rows.

    Args:
        planes: R, G, B and alpha.
        motion: dx and dy in pixels per frame; what is not finite is 0.
        depth: distances, 0 or not finite where there is nothing; without rows where depth is not known.
        times: begin and end of the exposure in frames.
        largest: longer motion is shortened to this, in pixels per frame.
        result: dx, dy and order. Motion is exactly 0 for what is still or empty. Of two views the one with the
            smaller order is in front; empty pixels have the order NaN.
        first: first row.
        last: row behind the last.

    Returns:
        The longest motion in pixels per frame before it was shortened, and its row and column.
    """
    red, green, blue, alpha = planes
    dx, dy = motion
    moved_x, moved_y, order = result
    height, width = alpha.shape
    most = max(abs(times[0]), abs(times[1]))
    span = times[1] - times[0]
    longest, longest_y, longest_x = 0.0, 0, 0
    for y in range(first, last):
        for x in range(width):
            covers = alpha[y, x]
            moved_x[y, x] = moved_y[y, x] = 0
            order[y, x] = np.nan
            if covers == 0 and red[y, x] == 0 and green[y, x] == 0 and blue[y, x] == 0:
                continue
            from_y, from_x = y, x
            if 0 < covers < 1:
                # Rings from the inside, so that of equal coverage the nearest is taken.
                best = covers
                for ring in range(1, DONOR + 1):
                    for ny in range(max(0, y - ring), min(height, y + ring + 1)):
                        for nx in range(max(0, x - ring), min(width, x + ring + 1)):
                            if alpha[ny, nx] > best:
                                best, from_y, from_x = min(alpha[ny, nx], np.float32(1)), ny, nx
            vx, vy = float(dx[from_y, from_x]), float(dy[from_y, from_x])
            vx, vy = vx if np.isfinite(vx) else 0.0, vy if np.isfinite(vy) else 0.0
            length = np.sqrt(vx * vx + vy * vy)
            if length > longest:
                longest, longest_y, longest_x = length, y, x
            if length > largest:
                shorter = largest / length
                vx, vy, length = vx * shorter, vy * shorter, largest
            if length * most >= LEAST:
                moved_x[y, x], moved_y[y, x] = vx, vy
            if depth.shape[0] == 0:
                order[y, x] = -length * span
                continue
            far = depth[from_y, from_x]
            if not (0 < far < np.inf):
                far = np.float32(np.inf)
                if 0 < covers < 1:
                    for ny in range(max(0, y - 1), min(height, y + 2)):
                        for nx in range(max(0, x - 1), min(width, x + 2)):
                            if 0 < depth[ny, nx] < far:
                                far = depth[ny, nx]
            order[y, x] = far
    return longest, longest_y, longest_x


@compiled
def _nearer(order: float, by_depth: bool) -> float:
    """Return the order below which a view is in front of one."""
    return order * (1 - _ALIKE) if by_depth else order - _ALIKE_PX


@compiled
def _farther(order: float, by_depth: bool) -> float:
    """Return the order above which a view is behind one."""
    return order * (1 + _ALIKE) if by_depth else order + _ALIKE_PX


@compiled
def find_mixed(
    alpha: Array, moved: tuple[Array, Array], order: Array, span: float, by_depth: bool, codes: Array,
    first: int, last: int,
) -> None:  # fmt: skip
    """Find opaque pixels beside others that move differently, with a step: they may hold light of both.

    Args:
        alpha: coverage.
        moved: dx and dy.
        order: as `views` gives it.
        span: length of the exposure in frames.
        by_depth: whether the order is a depth, not a length.
        codes: uint8; gets which of the eight pixels around it is the nearest one in front, plus 16, or else the
            farthest one behind: 3 · (down + 1) + right + 2; 0 for pixels that are not mixed.
        first: first row.
        last: row behind the last.
    """
    dx, dy = moved
    height, width = alpha.shape
    for y in range(first, last):
        codes[y] = 0
        if y < 2 or y >= height - 2:
            continue
        for begin in range(2, width - 2, _RUN):
            # Most pixels move as all around them do.
            end = min(begin + _RUN, width - 2)
            some_x, some_y = dx[y, begin:end], dy[y, begin:end]
            steps = 0
            for k in range(9):
                row, left = y + k // 3 - 1, begin + k % 3 - 1
                next_x, next_y = dx[row, left : left + some_x.size], dy[row, left : left + some_x.size]
                for x in range(some_x.size):
                    steps += (abs(next_x[x] - some_x[x]) + abs(next_y[x] - some_y[x])) * span > _APART
            if steps:
                _mixed_run(alpha, moved, order, span, by_depth, codes, y, begin, end)


@compiled
def _mixed_run(
    alpha: Array, moved: tuple[Array, Array], order: Array, span: float, by_depth: bool, codes: Array, y: int,
    first: int, last: int,
) -> None:  # fmt: skip
    """Find mixed pixels in a part of a row; see `find_mixed`."""
    dx, dy = moved
    for x in range(first, last):
        if alpha[y, x] < 1:
            continue
        vx, vy, own = dx[y, x], dy[y, x], order[y, x]
        nearest, farthest = own, own
        for k in range(9):
            ny, nx = y + k // 3 - 1, x + k % 3 - 1
            step = abs(dx[ny, nx] - vx) + abs(dy[ny, nx] - vy)
            if step * span <= _APART or alpha[ny, nx] < 1:
                continue
            # A motion that changes evenly, as that of a wheel, is one thing. It changes so on both sides.
            oy, ox, by, bx = 2 * y - ny, 2 * x - nx, 2 * ny - y, 2 * nx - x
            even = abs(dx[oy, ox] - vx) + abs(dy[oy, ox] - vy) if alpha[oy, ox] > 0 else np.float32(0)
            if alpha[by, bx] > 0:
                even = max(even, abs(dx[by, bx] - dx[ny, nx]) + abs(dy[by, bx] - dy[ny, nx]))
            if step < 2 * even:
                continue
            if order[ny, nx] < nearest and order[ny, nx] < _nearer(own, by_depth):
                nearest, codes[y, x] = order[ny, nx], k + 1 + _FRONT
            elif codes[y, x] < _FRONT and order[ny, nx] > farthest and order[ny, nx] > _farther(own, by_depth):
                farthest, codes[y, x] = order[ny, nx], k + 1


@compiled
def _beside(codes: Array, y: int, x: int) -> tuple[int, int]:
    """Return row and column of the pixel with which one is mixed."""
    k = int(codes[y, x]) % _FRONT - 1
    return y + k // 3 - 1, x + k % 3 - 1


@compiled
def _sides(
    planes: tuple[Array, Array, Array, Array], order: Array, codes: Array, y: int, x: int, sides: Array
) -> float:
    """Divide a mixed pixel; return the share of it that is covered by what is in front.

    It is the share with which the mean light in front and that behind, of the pixels around, give the pixel's
    light best. ``sides`` (2, 3) gets R, G and B of what is in front, premultiplied, and all of what is behind. Of
    both together the pixel is made.
    """
    height, width = order.shape
    ny, nx = _beside(codes, y, x)
    front, back = min(order[y, x], order[ny, nx]), max(order[y, x], order[ny, nx])
    weight_front = weight_back = 0.0
    sides[:] = 0
    for py in range(max(0, y - 2), min(height, y + 3)):
        for px in range(max(0, x - 2), min(width, x + 3)):
            if planes[3][py, px] < 1:
                continue
            # Pixels that are mixed themselves count where there are no others.
            weight = 1.0 if codes[py, px] == 0 else _MIXED
            own = order[py, px]
            side = 0 if own <= front or own - front < back - own else 1
            weight_front += weight * (1 - side)
            weight_back += weight * side
            for channel in range(3):
                sides[side, channel] += weight * planes[channel][py, px]
    along = square = 0.0
    for channel in range(3):
        sides[0, channel] /= weight_front
        sides[1, channel] /= weight_back
        apart = sides[0, channel] - sides[1, channel]
        along += (planes[channel][y, x] - sides[1, channel]) * apart
        square += apart * apart
    # Alike on both sides: it does not matter.
    share = min(1.0, max(0.0, along / square)) if square > 0 else 0.0
    for channel in range(3):
        sides[0, channel] = planes[channel][y, x] - (1 - share) * sides[1, channel]
        if sides[0, channel] < 0 <= planes[channel][y, x]:
            sides[0, channel] = 0
    return share


@compiled
def share_mixed(
    planes: tuple[Array, Array, Array, Array], order: Array, codes: Array, shares: Array, first: int, last: int
) -> None:
    """Compute which share of each mixed pixel is covered by what is in front, in rows ``first`` to ``last``.

    Args:
        planes: R, G, B and alpha.
        order: as `views` gives it.
        codes: as `find_mixed` gives them.
        shares: uint8, in 255ths.
        first: first row.
        last: row behind the last.
    """
    sides = np.empty((2, 3), np.float64)
    for y in range(first, last):
        for x in range(codes.shape[1]):
            if codes[y, x]:
                shares[y, x] = np.uint8(np.rint(255 * _sides(planes, order, codes, y, x, sides)))


@compiled
def block_bounds(
    alpha: Array,
    moved: tuple[Array, Array],
    codes: Array,
    times: tuple[float, float],
    bounds: Array,
    first: int,
    last: int,
) -> None:
    """Compute where the light of what moves in each block lands.

    Args:
        alpha: coverage.
        moved: dx and dy.
        codes: as `find_mixed` gives them.
        times: begin and end of the exposure in frames.
        bounds: int32 ``(rows, columns, 5)``: first and last row, first and last column, empty where nothing
            moves; and whether any pixel is clear or mixed.
        first: first row of blocks.
        last: row of blocks behind the last.
    """
    dx, dy = moved
    height, width = dx.shape
    for row in range(first, last):
        for column in range(bounds.shape[1]):
            top, bottom, left, right, edges = 1 << 30, -(1 << 30), 1 << 30, -(1 << 30), 0
            for y in range(row * BLOCK, min(row * BLOCK + BLOCK, height)):
                for x in range(column * BLOCK, min(column * BLOCK + BLOCK, width)):
                    ny, nx = y, x
                    edges |= codes[y, x] != 0 or alpha[y, x] <= 0
                    for part in range(2 if codes[y, x] else 1):
                        if part == 1:
                            ny, nx = _beside(codes, y, x)
                        vx, vy = float(dx[ny, nx]), float(dy[ny, nx])
                        if vx != 0 or vy != 0:
                            ax, bx, ay, by = vx * times[0], vx * times[1], vy * times[0], vy * times[1]
                            top = min(top, y + int(np.floor(min(ay, by))))
                            bottom = max(bottom, y + int(np.floor(max(ay, by))) + 1)
                            left = min(left, x + int(np.floor(min(ax, bx))))
                            right = max(right, x + int(np.floor(max(ax, bx))) + 1)
            bounds[row, column, 0], bounds[row, column, 1], bounds[row, column, 4] = top, bottom, edges
            bounds[row, column, 2], bounds[row, column, 3] = left, right


@compiled
def _path(begin_x: float, begin_y: float, end_x: float, end_y: float) -> tuple[bool, float, float, float, float]:
    """Return whether a path is longer across than down, its range along that axis, and its line on the other.

    The line is ``at + slope · (place - low)``.
    """
    across = abs(end_x - begin_x) >= abs(end_y - begin_y)
    a, b, c, d = (begin_x, end_x, begin_y, end_y) if across else (begin_y, end_y, begin_x, end_x)
    if b < a:
        a, b, c, d = b, a, d, c
    if b - a < _POINT:
        return across, 0.5 * (a + b), 0.5 * (a + b), 0.5 * (c + d), 0.0
    return across, a, b, c, (d - c) / (b - a)


@compiled
def _kept(u: float) -> tuple[float, float]:
    """Return the integrals, from 0 on, of a pixel's share of light at distance u, and of distance times share."""
    away = abs(u)
    if away <= _FLAT:
        return u, 0.5 * u * u
    out = min(away, _ENDS)
    total = 0.5 - (_ENDS - out) * (_ENDS - out) / (2 * (_ENDS - _FLAT))
    steep = 1 / (_ENDS - _FLAT)
    mean = steep * (out * out * (0.5 * _ENDS - out / 3) - _FLAT * _FLAT * (0.5 * _ENDS - _FLAT / 3))
    return total if u > 0 else -total, 0.5 * _FLAT * _FLAT + mean


@compiled
def _end_share(place: int, low: float, high: float) -> tuple[float, float]:
    """Return the share of the time that a path gives to a column near its end, and its mean position."""
    if high == low:
        return min(1.0, max(0.0, (_ENDS - abs(place - low)) / (_ENDS - _FLAT))), low
    sum_a, mean_a = _kept(low - place)
    sum_b, mean_b = _kept(high - place)
    share = sum_b - sum_a
    if share < 1e-12:
        return 0.0, low
    return share / (high - low), min(high, max(low, place + (mean_b - mean_a) / share))


@compiled
def _softness(slope: float, length: float) -> float:
    """Return half the width of the ramp between two pixels across a path: less where it hardly leaves its row."""
    return min(0.5, max(_ENDS - 0.5, 0.5 * abs(slope) * length))


@compiled
def _second(part: float, soft: float) -> float:
    """Return the share of the second of two pixels of a place between them."""
    return min(1.0, max(0.0, 0.5 + (part - 0.5) / (2 * soft)))


@compiled
def _sorted(index: Array, key: Array, spare: tuple[Array, Array], count: int) -> bool:
    """Sort by key, equal ones as they are; return whether the result is in ``spare``."""
    digits = 1 << _DIGIT
    starts = np.zeros((2, digits + 1), np.int64)
    ordered = True
    for k in range(count):
        starts[0, (key[k] & (digits - 1)) + 1] += 1
        starts[1, (key[k] >> _DIGIT) + 1] += 1
        ordered = ordered and (k == 0 or key[k - 1] <= key[k])
    if ordered:
        return False
    for k in range(digits):
        starts[0, k + 1] += starts[0, k]
        starts[1, k + 1] += starts[1, k]
    other, other_key = spare
    turned = False
    for part in range(2):
        some, some_key = (other, other_key) if turned else (index, key)
        to, to_key = (index, key) if turned else (other, other_key)
        shift = part * _DIGIT
        # All in one bin: nothing to do.
        if (
            starts[part, ((some_key[0] >> shift) & (digits - 1)) + 1]
            - starts[part, (some_key[0] >> shift) & (digits - 1)]
            == count
        ):
            continue
        for k in range(count):
            digit = (some_key[k] >> shift) & (digits - 1)
            at = starts[part, digit]
            starts[part, digit] += 1
            to[at], to_key[at] = some[k], some_key[k]
        turned = not turned
    return turned


@compiled
def _reaching(bounds: Array, tile: tuple[int, int, int, int], runs: Array) -> tuple[int, int, bool]:
    """Find the blocks whose light lands in a tile, or that lie in it.

    Args:
        bounds: as `block_bounds` gives them.
        tile: first row and column, row and column behind the last.
        runs: gets row, first and last column of each run of such blocks, in order of rows.

    Returns:
        The number of runs, how many parts their pixels have at most, and whether any light moves into the tile.
    """
    top, left, bottom, right = tile
    count, room, moving = 0, 0, False
    for row in range(bounds.shape[0]):
        here = row * BLOCK < bottom and (row + 1) * BLOCK > top
        begun = -1
        for column in range(bounds.shape[1] + 1):
            wanted = False
            if column < bounds.shape[1]:
                box = bounds[row, column]
                lands = box[0] < bottom and box[1] >= top and box[2] < right and box[3] >= left
                moving = moving or lands
                wanted = lands or (here and column * BLOCK < right and (column + 1) * BLOCK > left)
            if wanted and begun < 0:
                begun = column
            elif not wanted and begun >= 0:
                runs[count, 0], runs[count, 1], runs[count, 2] = row, begun, column
                count += 1
                room += 2 * (column - begun) * BLOCK * BLOCK
                begun = -1
    return count, room, moving


@compiled
def _listed(
    bits: Array,
    moved: tuple[Array, Array],
    codes: Array,
    times: tuple[float, float],
    runs: Array,
    run_count: int,
    tile: tuple[int, int, int, int],
    index: Array,
    key: Array,
) -> int:
    """List the pixels whose light lands in a tile, in the order of rows and columns; return how many there are.

    Args:
        bits: those of the order of each pixel.
        moved: dx and dy.
        codes: as `find_mixed` gives them.
        times: begin and end of the exposure.
        runs: row, first and last column of each run of blocks to look at, in order of rows.
        run_count: how many there are.
        tile: first row and column, row and column behind the last.
        index: for twice the numbers of the pixels, plus 1 for the part of a mixed one that moves as the pixel
            with which it is mixed.
        key: for their keys, which sort as their order does.
    """
    dx, dy = moved
    height, width = dx.shape
    top, left, bottom, right = tile
    count, k = 0, 0
    while k < run_count:
        row, stop = runs[k, 0], k
        while stop < run_count and runs[stop, 0] == row:
            stop += 1
        for y in range(row * BLOCK, min(row * BLOCK + BLOCK, height)):
            for run in range(k, stop):
                for x in range(runs[run, 1] * BLOCK, min(runs[run, 2] * BLOCK, width)):
                    if bits[y, x] == _EMPTY:
                        continue
                    ny, nx, code = y, x, int(codes[y, x])
                    for part in range(2 if code else 1):
                        if part == 1:
                            ny, nx = _beside(codes, y, x)
                        vx, vy = float(dx[ny, nx]), float(dy[ny, nx])
                        ax, bx, ay, by = vx * times[0], vx * times[1], vy * times[0], vy * times[1]
                        if (
                            y + max(ay, by) <= top - 1
                            or y + min(ay, by) >= bottom
                            or x + max(ax, bx) <= left - 1
                            or x + min(ax, bx) >= right
                        ):
                            continue
                        index[count] = (y * width + x) * 2 + part
                        # Negative numbers sort the other way round.
                        own = bits[ny, nx]
                        flipped = ~own if own >> np.uint32(31) else own | np.uint32(0x80000000)
                        key[count] = flipped >> np.uint32(_DROPPED)
                        count += 1
        k = stop
    return count


@intrinsic
def _add_eight(typing: Any, sums: Any, at: Any, light: Any, weight: Any) -> Any:
    """Add eight weighted numbers to those of a flat array, from ``at`` on."""

    def code(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        write = VectorCode(context, builder)
        to, first, values, share = arguments
        place = write.place(signature.args[0], to, first, _EIGHT)
        lanes = write.load(write.place(signature.args[2], values, write.whole(0), _EIGHT), _EIGHT)
        more = builder.fmul(lanes, write.all_lanes(share, 8))
        write.store(builder.fadd(write.load(place, _EIGHT), more), place)
        return context.get_dummy_value()

    return types.none(sums, types.int64, light, types.float32), code


@compiled
def _spread(
    planes: tuple[Array, Array, Array, Array],
    moved: tuple[Array, Array],
    order: Array,
    codes: Array,
    times: tuple[float, float],
    index: Array,
    count: int,
    tile: tuple[int, int, int, int],
    sums: Array,
    fronts: Array,
    near: Array,
) -> None:
    """Add the light of listed pixels to a tile, as far as it is not covered by what is in front.

    Args:
        planes: R, G, B and alpha.
        moved: dx and dy.
        order: of the pixels.
        codes: as `find_mixed` gives them.
        times: begin and end of the exposure.
        index: as `_listed` gives it, the nearest first.
        count: how many there are.
        tile: first row and column, row and column behind the last.
        sums: float32, eight for each pixel of the tile: R, G, B, alpha, how full it is, the share of the time in
            which something covers it, and two that are not used.
        fronts: the same of what is in front of the pixel's own view.
        near: order below which a view is in front of the pixel's own.
    """
    red, green, blue, alpha = planes
    dx, dy = moved
    width = dx.shape[1]
    top, left, bottom, right = tile
    rows, columns = bottom - top, right - left
    light, sides = np.zeros(8, np.float32), np.empty((2, 3), np.float64)
    for k in range(count):
        pixel = index[k] >> 1
        y, x = pixel // width, pixel % width
        own, covers = order[y, x], alpha[y, x]
        vx, vy = float(dx[y, x]), float(dy[y, x])
        light[0], light[1], light[2], light[3] = red[y, x], green[y, x], blue[y, x], covers
        light[4] = min(np.float32(1), max(np.float32(0), covers))
        light[5] = np.float32(1) if covers > 0 else np.float32(0)
        if codes[y, x]:
            share = _sides(planes, order, codes, y, x, sides)
            side = 1 if codes[y, x] >= _FRONT else 0
            if index[k] & 1:
                ny, nx = _beside(codes, y, x)
                own, vx, vy, side = order[ny, nx], float(dx[ny, nx]), float(dy[ny, nx]), 1 - side
            if side == 0 and share == 0:
                continue
            light[0], light[1], light[2] = sides[side, 0], sides[side, 1], sides[side, 2]
            light[3] = light[4] = light[5] = share if side == 0 else 1.0
        across, low, high, at, slope = _path(vx * times[0], vy * times[0], vx * times[1], vy * times[1])
        along, beside = (x - left, y - top) if across else (y - top, x - left)
        along_size, beside_size = (columns, rows) if across else (rows, columns)
        along_step, beside_step = (1, columns) if across else (columns, 1)
        first, last = int(np.ceil(low - _ENDS)), int(np.floor(high + _ENDS))
        inner_first, inner_last = int(np.ceil(low + _ENDS)), int(np.floor(high - _ENDS))
        soft = _softness(slope, high - low)
        whole = 1 / (high - low) if high > low else 0.0
        for place in range(max(first, -along), min(last, along_size - 1 - along) + 1):
            if inner_first <= place <= inner_last:
                share, mean = whole, float(place)
            else:
                share, mean = _end_share(place, low, high)
            other = at + slope * (mean - low)
            line = int(np.floor(other))
            part = _second(other - line, soft)
            line += beside
            q = (along + place) * along_step + line * beside_step
            weight = share * (1 - part)
            for _ in range(2):
                if 0 <= line < beside_size:
                    room = min(np.float32(weight), np.float32(1) - sums[np.uint64(8 * q + 4)])
                    if room > 0:
                        _add_eight(sums, 8 * q, light, room)
                        if own < near[np.uint64(q)]:
                            _add_eight(fronts, 8 * q, light, room)
                line, q, weight = line + 1, q + beside_step, share * part


@compiled
def _uncovered(
    planes: tuple[Array, Array, Array, Array],
    moved: tuple[Array, Array],
    order: Array,
    codes: Array,
    shares: Array,
    times: tuple[float, float],
    by_depth: bool,
    y: int,
    x: int,
    fill: Array,
) -> float:
    """Return the share of the time in which a pixel's own surface has moved off it, and what is behind.

    The ground is that of the pixels beside the surface, along the pixel's own path, the nearest most; ``fill``
    gets its R, G, B and alpha. Where no pixel on the path is clear or mixed, the surface does not end.
    """
    red, green, blue, alpha = planes
    dx, dy = moved
    limit = _farther(order[y, x], by_depth)
    vx, vy = float(dx[y, x]), float(dy[y, x])
    across, low, high, at, slope = _path(-vx * times[0], -vy * times[0], -vx * times[1], -vy * times[1])
    soft = _softness(slope, high - low)
    off = weights = 0.0
    ends = False
    fill[:] = 0
    for place in range(int(np.ceil(low - _ENDS)), int(np.floor(high + _ENDS)) + 1):
        share, mean = _end_share(place, low, high)
        if share == 0:
            continue
        other = at + slope * (mean - low)
        line = int(np.floor(other))
        second = _second(other - line, soft)
        for side in range(2):
            part = second if side else 1 - second
            if part <= 0:
                continue
            ny, nx = (y + line + side, x + place) if across else (y + place, x + line + side)
            clear, weight = alpha[ny, nx] <= 0, share * part
            ends = ends or clear or codes[ny, nx] != 0
            if codes[ny, nx]:
                weight *= 1 - shares[ny, nx] / 255.0
            elif not clear:
                if not order[ny, nx] > limit:
                    continue
                # What moves nearly alike is the same thing, such as a wheel.
                apart_x, apart_y = dx[ny, nx] - vx, dy[ny, nx] - vy
                if apart_x * apart_x + apart_y * apart_y < _SAME * _SAME * (vx * vx + vy * vy):
                    continue
            off += weight
            square = float((ny - y) * (ny - y) + (nx - x) * (nx - x))
            weight *= (_MIXED if codes[ny, nx] else 1.0) / (1 + square)
            weights += weight
            if not clear:
                fill[0] += weight * red[ny, nx]
                fill[1] += weight * green[ny, nx]
                fill[2] += weight * blue[ny, nx]
                fill[3] += weight * alpha[ny, nx]
    if weights > 0:
        fill /= weights
    return off if ends else 0.0


@compiled
def _near_ends(
    moved: tuple[Array, Array], times: tuple[float, float], bounds: Array, tile: tuple[int, int, int, int]
) -> bool:
    """Return whether clear or mixed pixels may lie on paths of a tile's pixels."""
    dx, dy = moved
    top, left, bottom, right = tile
    most = np.float32(0)
    for y in range(top, bottom):
        for x in range(left, right):
            most = max(most, max(abs(dx[y, x]), abs(dy[y, x])))
    far = int(np.ceil(most * max(abs(times[0]), abs(times[1])))) + 1
    for row in range(max(0, (top - far) // BLOCK), min(bounds.shape[0], (bottom + far) // BLOCK + 1)):
        for column in range(max(0, (left - far) // BLOCK), min(bounds.shape[1], (right + far) // BLOCK + 1)):
            if bounds[row, column, 4]:
                return True
    return False


@compiled
def _finish(
    planes: tuple[Array, Array, Array, Array],
    moved: tuple[Array, Array],
    order: Array,
    codes: Array,
    shares: Array,
    times: tuple[float, float],
    by_depth: bool,
    ends: bool,
    tile: tuple[int, int, int, int],
    sums: Array,
    fronts: Array,
    fill: Array,
    around: int,
    result: tuple[Array, Array, Array, Array],
) -> None:
    """Complete the pixels of a tile where the time is not full."""
    alpha = planes[3]
    top, left, bottom, right = tile
    for y in range(top, bottom):
        for x in range(left, right):
            q = 8 * ((y - top) * (right - left) + x - left)
            missing = 1 - sums[q + 5]
            if missing > _NONE and alpha[y, x] > 0:
                filled = 0.0
                if ends and (moved[0][y, x] != 0 or moved[1][y, x] != 0):
                    filled = min(
                        missing, _uncovered(planes, moved, order, codes, shares, times, by_depth, y, x, fill)
                    )
                rest = missing - filled
                landed, front = sums[q + 5], fronts[q + 5]
                if landed - front > _NONE:
                    # What is in front has its share: the rest belongs to what is behind.
                    more = 1 + rest / (landed - front)
                    for channel in range(4):
                        before = fronts[q + channel]
                        sums[q + channel] = before + (sums[q + channel] - before) * more
                elif landed + filled > _NONE:
                    more = 1 / (1 - rest)
                    filled *= more
                    for channel in range(4):
                        sums[q + channel] *= more
                else:
                    for channel in range(4):
                        sums[q + channel] = planes[channel][y, x]
                if filled > 0:
                    for channel in range(4):
                        sums[q + channel] += filled * fill[channel]
            for channel in range(4):
                result[channel][y - around, x - around] = sums[q + channel]


@compiled
def scatter(
    planes: tuple[Array, Array, Array, Array],
    moved: tuple[Array, Array],
    order: Array,
    bits: Array,
    mixed: tuple[Array, Array],
    bounds: Array,
    times: tuple[float, float],
    by_depth: bool,
    around: int,
    result: tuple[Array, Array, Array, Array],
    first: int,
    last: int,
) -> None:
    """Compute rows of tiles of the result.

    Args:
        planes: R, G, B and alpha, float32, with a margin.
        moved: dx and dy of their pixels, 0 for what is still or empty.
        order: of their pixels, as `views` gives it.
        bits: the same as uint32.
        mixed: codes and shares of mixed pixels, as `find_mixed` and `share_mixed` give them.
        bounds: as `block_bounds` gives them.
        times: begin and end of the exposure in frames.
        by_depth: whether the order is a depth, not a length.
        around: the margin.
        result: four planes without margin.
        first: first row of tiles.
        last: row of tiles behind the last.
    """
    height, width = result[0].shape
    codes, shares = mixed
    sums, fronts = np.empty(8 * TILE * TILE, np.float32), np.empty(8 * TILE * TILE, np.float32)
    near = np.empty(TILE * TILE, np.float32)
    fill = np.empty(4, np.float64)
    runs = np.empty((bounds.shape[0] * bounds.shape[1], 3), np.int64)
    index, key = np.empty(0, np.int64), np.empty(0, np.uint32)
    spare, spare_key = np.empty(0, np.int64), np.empty(0, np.uint32)
    for row in range(first, last):
        top, bottom = row * TILE + around, min(row * TILE + TILE, height) + around
        for left in range(around, width + around, TILE):
            right = min(left + TILE, width + around)
            tile = (top, left, bottom, right)
            run_count, room, moving = _reaching(bounds, tile, runs)
            if not moving:
                for channel in range(4):
                    for y in range(top, bottom):
                        for x in range(left, right):
                            result[channel][y - around, x - around] = planes[channel][y, x]
                continue
            if room > index.size:
                index, key = np.empty(room, np.int64), np.empty(room, np.uint32)
                spare, spare_key = np.empty(room, np.int64), np.empty(room, np.uint32)
            count = _listed(bits, moved, codes, times, runs, run_count, tile, index, key)
            turned = _sorted(index, key, (spare, spare_key), count)
            sums[:] = 0
            fronts[:] = 0
            for y in range(top, bottom):
                for x in range(left, right):
                    near[(y - top) * (right - left) + x - left] = _nearer(order[y, x], by_depth)
            _spread(
                planes, moved, order, codes, times, spare if turned else index, count, tile, sums, fronts, near
            )
            ends = _near_ends(moved, times, bounds, tile)
            _finish(
                planes,
                moved,
                order,
                codes,
                shares,
                times,
                by_depth,
                ends,
                tile,
                sums,
                fronts,
                fill,
                around,
                result,
            )
