"""What moves in a picture: motion and order of its pixels, pixels that are mixed of two things, blocks.

**Mixed pixels.** An opaque pixel at the edge between two motions holds light of both things. It is divided into a
part of the thing in front, which has its motion, and the ground behind, which is whole and has the other one.
While nothing moves, both give the pixel again.
"""

from __future__ import annotations

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = [
    "BLOCK",
    "DONOR",
    "FRONT",
    "LEAST",
    "MIXED",
    "beside_of",
    "block_bounds",
    "farther",
    "find_mixed",
    "nearer",
    "share_mixed",
    "sides_of",
    "views",
]

#: Side in pixels of the blocks of which is known where their light lands.
BLOCK = 16
#: What moves less than so many pixels while the shutter is open is still.
LEAST = 0.002
#: How far away in pixels a partly covered pixel looks for a pixel whose motion it takes.
DONOR = 2
#: Added to the code of a mixed pixel whose own view is behind.
FRONT = 16
#: Weight of mixed pixels where others tell the colour of one side.
MIXED = 1e-3
# Views whose depths differ by less than this share, or whose path lengths differ by less than so many pixels, are
# one surface.
_ALIKE, _ALIKE_PX = 1e-3, 0.1
# Pixels whose paths differ by more than so many pixels may be mixed of two things.
_APART = 0.25
# Pixels of a row that are looked at together.
_RUN = 64


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
def nearer(order: float, by_depth: bool) -> float:
    """Return the order below which a view is in front of one."""
    return order * (1 - _ALIKE) if by_depth else order - _ALIKE_PX


@compiled
def farther(order: float, by_depth: bool) -> float:
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
            if order[ny, nx] < nearest and order[ny, nx] < nearer(own, by_depth):
                nearest, codes[y, x] = order[ny, nx], k + 1 + FRONT
            elif codes[y, x] < FRONT and order[ny, nx] > farthest and order[ny, nx] > farther(own, by_depth):
                farthest, codes[y, x] = order[ny, nx], k + 1


@compiled
def beside_of(codes: Array, y: int, x: int) -> tuple[int, int]:
    """Return row and column of the pixel with which one is mixed."""
    k = int(codes[y, x]) % FRONT - 1
    return y + k // 3 - 1, x + k % 3 - 1


@compiled
def sides_of(
    planes: tuple[Array, Array, Array, Array], order: Array, codes: Array, y: int, x: int, sides: Array
) -> float:
    """Divide a mixed pixel; return the share of it that is covered by what is in front.

    It is the share with which the mean light in front and that behind, of the pixels around, give the pixel's
    light best. ``sides`` (2, 3) gets R, G and B of what is in front, premultiplied, and all of what is behind. Of
    both together the pixel is made.
    """
    height, width = order.shape
    ny, nx = beside_of(codes, y, x)
    front, back = min(order[y, x], order[ny, nx]), max(order[y, x], order[ny, nx])
    weight_front = weight_back = 0.0
    sides[:] = 0
    for py in range(max(0, y - 2), min(height, y + 3)):
        for px in range(max(0, x - 2), min(width, x + 3)):
            if planes[3][py, px] < 1:
                continue
            # Pixels that are mixed themselves count where there are no others.
            weight = 1.0 if codes[py, px] == 0 else MIXED
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
                shares[y, x] = np.uint8(np.rint(255 * sides_of(planes, order, codes, y, x, sides)))


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
                            ny, nx = beside_of(codes, y, x)
                        vx, vy = float(dx[ny, nx]), float(dy[ny, nx])
                        if vx != 0 or vy != 0:
                            ax, bx, ay, by = vx * times[0], vx * times[1], vy * times[0], vy * times[1]
                            top = min(top, y + int(np.floor(min(ay, by))))
                            bottom = max(bottom, y + int(np.floor(max(ay, by))) + 1)
                            left = min(left, x + int(np.floor(min(ax, bx))))
                            right = max(right, x + int(np.floor(max(ax, bx))) + 1)
            bounds[row, column, 0], bounds[row, column, 1], bounds[row, column, 4] = top, bottom, edges
            bounds[row, column, 2], bounds[row, column, 3] = left, right
