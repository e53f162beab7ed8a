"""Coverage of pixels by lines of a round brush.

Where a pixel is fully outside or inside nothing is to be computed; at an edge the coverage is that of a half-plane
whose border is as far away and lies in the same direction, exact for straight edges. A disc's border bends away
from it by 1/(24 · radius) of a pixel on average. Of all places of a line the one that covers a pixel most counts.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from stackcomp.kernels.compiled import Array, compiled

__all__ = ["PIECE", "paint_strokes", "pieces_of"]

#: Columns of a piece of a line: x and y of its start, direction x and y, length, reach, radius at start and end,
#: width of the soft border at start and end. All in pixels.
PIECE = 10
#: Rows that are painted at a time, and pixels: a loop of constant length is vector code.
_BLOCK, _CHUNK = 32, 16
_NONE, _ONE, _HALF, _TINY = (np.float32(value) for value in (0, 1, 0.5, 1e-4))


def pieces_of(vertices: Array, firsts: Array) -> tuple[Array, Array]:
    """Return the pieces of polylines; one with a single vertex is a dot.

    Args:
        vertices: ``(m, 4 or more)`` float64: x, y, radius, width of the soft border.
        firsts: ``(strokes + 1,)`` int64, where each polyline begins.

    Returns:
        ``(n, PIECE)`` float64, and where those of each stroke begin, ``(strokes + 1,)`` int64.
    """
    made: list[Array] = []
    starts = [0]
    for first, last in zip(firsts.tolist(), firsts.tolist()[1:], strict=False):
        line = vertices[first:last]
        if len(line) == 1:
            line = np.concatenate([line, line])
        a, b = line[:-1], line[1:]
        step = b[:, :2] - a[:, :2]
        length = np.hypot(step[:, 0], step[:, 1])
        way = np.where(length[:, None] > 0, step / np.maximum(length, 1e-300)[:, None], [1.0, 0.0])
        reach = np.maximum(a[:, 2], b[:, 2]) + 1
        made.append(
            np.column_stack([a[:, :2], way, length, reach, a[:, 2], b[:, 2], a[:, 3], b[:, 3]]).reshape(-1, PIECE)
        )
        starts.append(starts[-1] + len(made[-1]))
    return np.concatenate(made) if made else np.empty((0, PIECE)), np.array(starts, np.int64)


@compiled
def paint_strokes(
    result: Array, first_row: int, last_row: int, steps: Array, starts: Array, adds: Array, opacity: Array,
    pieces: Array, left: int, top: int,
) -> None:  # fmt: skip
    """Paint strokes onto rows of a matte, in order; the mean of several steps in time.

    Args:
        result: ``(height, width)`` float32; it holds what is painted on.
        first_row: the first row to paint.
        last_row: the row behind the last.
        steps: ``(steps + 1,)`` int64, where the strokes of each step begin.
        starts: ``(strokes + 1,)`` int64, where the pieces of each stroke begin.
        adds: ``(strokes,)`` bool, whether a stroke adds or takes away.
        opacity: ``(strokes,)`` float32.
        pieces: of `pieces_of`.
        left: x of the first column of ``result``.
        top: y of its first row.
    """
    width, count = result.shape[1], steps.size - 1
    chunks = (width - 1) // _CHUNK + 1
    cover, touched = np.zeros((_BLOCK, chunks, _CHUNK), np.float32), np.zeros((_BLOCK, chunks), np.bool_)
    ramp = np.arange(_CHUNK).astype(np.float32)
    for row in range(first_row, last_row, _BLOCK):
        end = min(row + _BLOCK, last_row)
        below, total = result[row:end].copy(), result[row:end]
        for step in range(count):
            held = total if count == 1 else below.copy()
            for stroke in range(steps[step], steps[step + 1]):
                for p in range(starts[stroke], starts[stroke + 1]):
                    _draw(pieces, p, row + top, end + top, left, width, cover, touched, ramp)
                for y in range(end - row):
                    for chunk in range(chunks):
                        if touched[y, chunk]:
                            touched[y, chunk] = False
                            _lay(held, cover, y, chunk, adds[stroke], opacity[stroke])
            if count > 1:
                _average(total, held, step, count)


@compiled
def _average(rows: Array, held: Array, step: int, count: int) -> None:
    """Add one step to the sum of all; the last makes it the mean."""
    for y in range(rows.shape[0]):
        for x in range(rows.shape[1]):
            done = held[y, x] if step == 0 else rows[y, x] + held[y, x]
            rows[y, x] = done / np.float32(count) if step == count - 1 else done


@compiled
def _lay(rows: Array, cover: Array, y: int, chunk: int, adds: bool, opacity: float) -> None:
    """Join the coverage of a stroke to the matte, as crossing edges of join_mattes, and clear it."""
    for k in range(min(_CHUNK, rows.shape[1] - chunk * _CHUNK)):
        x, part = chunk * _CHUNK + k, cover[y, chunk, k] * opacity
        rows[y, x] = rows[y, x] + (_ONE - rows[y, x]) * part if adds else rows[y, x] * (_ONE - part)
    cover[y, chunk, :] = _NONE


@compiled
def _draw(
    pieces: Array, p: int, y0: int, y1: int, left: int, width: int, cover: Array, touched: Array, ramp: Array
) -> None:
    """Raise ``cover``, whose first pixel is (left, y0), to what a piece covers."""
    from_x, from_y, tx, ty = pieces[p, 0], pieces[p, 1], pieces[p, 2], pieces[p, 3]
    reach, front = pieces[p, 5], pieces[p, 4] + pieces[p, 5]
    low = from_y + min(-reach * ty, front * ty) - reach * abs(tx) - 0.5
    high = from_y + max(-reach * ty, front * ty) + reach * abs(tx) - 0.5
    along_step, across_step = np.float32(tx), np.float32(-ty)
    length, share = np.float32(pieces[p, 4]), np.float32(1 / max(pieces[p, 4], 1e-6))
    radius, grows = np.float32(pieces[p, 6]), np.float32(pieces[p, 7] - pieces[p, 6])
    border, widens = np.float32(pieces[p, 8]), np.float32(pieces[p, 9] - pieces[p, 8])
    # The border of a line that grows leans: the place that reaches farthest is ahead of the nearest.
    slope = max(-0.999, min(0.999, (pieces[p, 7] - pieces[p, 6]) / max(pieces[p, 4], 1e-6)))
    lead = np.float32(slope / np.sqrt(1 - slope * slope))
    over_x, over_y = 1 / tx if abs(tx) > 1e-9 else 1e9, 1 / ty if abs(ty) > 1e-9 else 1e9
    first, last = max(float(y0), np.ceil(low)), min(float(y1), np.floor(high) + 1)
    for y in range(int(first), int(last)):
        down, row = y + 0.5 - from_y, y - y0
        a, b = (-reach - down * ty) * over_x, (front - down * ty) * over_x
        c, d = (down * tx - reach) * over_y, (down * tx + reach) * over_y
        begin = max(max(min(a, b), min(c, d)) + from_x - 0.5 - left, 0.0)
        end = min(min(max(a, b), max(c, d)) + from_x - 0.5 - left, width - 1.0)
        if begin > end:
            continue
        for chunk in range(int(begin) // _CHUNK, int(end) // _CHUNK + 1):
            touched[row, chunk] = True
            over = left + chunk * _CHUNK + 0.5 - from_x
            along, across = np.float32(over * tx + down * ty), np.float32(down * tx - over * ty)
            for k in range(_CHUNK):
                at, off = along + along_step * ramp[k], across + across_step * ramp[k]
                t = min(max((at + abs(off) * lead) * share, _NONE), _ONE)
                past = at - t * length
                far = max(np.sqrt(off * off + past * past), _TINY)
                u, v = abs(past * along_step + off * across_step), abs(off * along_step - past * across_step)
                inner = radius + grows * t
                hard = _part(inner, far, u / far, v / far, t)
                soft = _faded(inner, max(border + widens * t, _TINY), far)
                # Soft borders are means along one line; what a hard one differs from its mean fades as they widen.
                plain = min(max(inner - far + _HALF, _NONE), _ONE)
                fades = max(_ONE - _HALF * (border + widens * t), _NONE)
                part = min(max(soft + (hard - plain) * fades, _NONE), _ONE)
                cover[row, chunk, k] = max(cover[row, chunk, k], part)


@compiled
def _part(radius: Any, far: Any, u: Any, v: Any, t: Any) -> Any:
    """The part of a pixel within a radius of a point that is far away in the direction (u, v)."""
    bend = np.float32(1 / 24) / max(far, _HALF) if t <= _NONE or t >= _ONE else _NONE
    return max(_half_plane(radius - far - bend, u, v) + _half_plane(radius + far, u, v) - _ONE, _NONE)


@compiled
def _half_plane(inside: Any, u: Any, v: Any) -> Any:
    """The part of a pixel in a half-plane with a normal (u, v) whose border is ``inside`` beyond its middle."""
    large, small = max(u, v), min(u, v)
    reach = _HALF * (large + small)
    corner = max(reach - abs(inside), _NONE)
    cut = corner * corner / max(np.float32(2) * large * small, _TINY * _TINY)
    rest = cut if corner < small else max(_HALF - abs(inside) / max(large, _TINY), _NONE)
    return _ONE - rest if inside > 0 else rest


@compiled
def _rising(t: Any) -> Any:
    """The integral of the smooth step 3t² - 2t³, which is 0 below 0 and 1 above 1."""
    inside = min(max(t, _NONE), _ONE)
    return inside * inside * inside * (_ONE - _HALF * inside) + max(t - _ONE, _NONE)


@compiled
def _faded(radius: Any, border: Any, far: Any) -> Any:
    """The mean over a pixel of a border that rises smoothly from 0 at the radius, over its width inward."""
    near, end = max(far - _HALF, _NONE), far + _HALF
    return border * (_rising((radius - near) / border) - _rising((radius - end) / border)) / (end - near)
