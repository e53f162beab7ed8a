"""The loops of `motion_blur`: pixels spread along their paths, the nearest first.

Which light a path has where is in `motion_paths`, which pixels move and which are mixed in `motion_views`.

Light arrives in the order of the views, and of equal views in the order of rows and columns, whatever tile it is
computed in: a tile equals the whole bit for bit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types

from stackcomp.kernels.compiled import Array, compiled
from stackcomp.kernels.motion_paths import ENDS, end_share, path_of, second_share, softness
from stackcomp.kernels.motion_views import BLOCK, FRONT, MIXED, beside_of, farther, nearer, sides_of
from stackcomp.kernels.vector_code import FLOAT, VectorCode, intrinsic

__all__ = ["TILE", "scatter"]

#: Side in pixels of the tiles of the result.
TILE = 64
# Where something leaves a pixel, what moves like it is the same thing: up to such a share of its motion.
_SAME = 1 / 3
# Missing shares below this are rounding.
_NONE = 1e-5
# Bits of the order of empty pixels, a NaN.
_EMPTY = np.uint32(0x7FC00000)
_EIGHT = ir.VectorType(FLOAT, 8)
# Bits of a digit of the sort, and bits of an order that are dropped.
_DIGIT, _DROPPED = 11, 10


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
        The number of runs, how many parts their pixels have at most, and whether any light moves into the tile or
        out of it.
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
                own = here and column * BLOCK < right and (column + 1) * BLOCK > left
                # In an exposure that begins after the frame, or ends before it, what moves leaves its own place.
                moving = moving or lands or (own and box[0] <= box[1])
                wanted = lands or own
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
                            ny, nx = beside_of(codes, y, x)
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
            share = sides_of(planes, order, codes, y, x, sides)
            side = 1 if codes[y, x] >= FRONT else 0
            if index[k] & 1:
                ny, nx = beside_of(codes, y, x)
                own, vx, vy, side = order[ny, nx], float(dx[ny, nx]), float(dy[ny, nx]), 1 - side
            if side == 0 and share == 0:
                continue
            light[0], light[1], light[2] = sides[side, 0], sides[side, 1], sides[side, 2]
            light[3] = light[4] = light[5] = share if side == 0 else 1.0
        across, low, high, at, slope = path_of(vx * times[0], vy * times[0], vx * times[1], vy * times[1])
        along, beside = (x - left, y - top) if across else (y - top, x - left)
        along_size, beside_size = (columns, rows) if across else (rows, columns)
        along_step, beside_step = (1, columns) if across else (columns, 1)
        first, last = int(np.ceil(low - ENDS)), int(np.floor(high + ENDS))
        inner_first, inner_last = int(np.ceil(low + ENDS)), int(np.floor(high - ENDS))
        soft = softness(slope, high - low)
        whole = 1 / (high - low) if high > low else 0.0
        for place in range(max(first, -along), min(last, along_size - 1 - along) + 1):
            if inner_first <= place <= inner_last:
                share, mean = whole, float(place)
            else:
                share, mean = end_share(place, low, high)
            other = at + slope * (mean - low)
            line = int(np.floor(other))
            part = second_share(other - line, soft)
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
    limit = farther(order[y, x], by_depth)
    vx, vy = float(dx[y, x]), float(dy[y, x])
    across, low, high, at, slope = path_of(-vx * times[0], -vy * times[0], -vx * times[1], -vy * times[1])
    soft = softness(slope, high - low)
    off = weights = 0.0
    ends = False
    fill[:] = 0
    for place in range(int(np.ceil(low - ENDS)), int(np.floor(high + ENDS)) + 1):
        share, mean = end_share(place, low, high)
        if share == 0:
            continue
        other = at + slope * (mean - low)
        line = int(np.floor(other))
        second = second_share(other - line, soft)
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
            weight *= (MIXED if codes[ny, nx] else 1.0) / (1 + square)
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
                    near[(y - top) * (right - left) + x - left] = nearer(order[y, x], by_depth)
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
