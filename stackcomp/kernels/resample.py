"""Smaller pictures for previews, on the same grid for any part of the picture.

A window at a scale is `Window.scaled`: the smallest one that covers the picture. Target pixel X covers the
source from ``X / scale`` to ``(X + 1) / scale``.
"""

from __future__ import annotations

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.strips import over_strips

__all__ = ["pick", "shrink"]


def shrink(
    plane: Array, window: Window, scale: float, outside: float = 0.0, frame: Window | None = None
) -> tuple[Array, Window]:
    """Return a smaller plane whose pixels are the averages over the areas that they cover.

    Args:
        plane: float32 of ``window.shape``.
        window: the window of the plane.
        scale: above 0 and up to 1.
        outside: value of the area outside the window.
        frame: at the edges of the frame that the window reaches, a target pixel that extends beyond the frame is
            the average of its part inside. With the window itself as frame, this holds at every edge.

    Returns:
        float32 over ``window.scaled(scale)``, and that window; with scale 1 the plane itself.

    Raises:
        ValueError: a scale out of its range, or a plane of another shape.
    """
    _check(plane, window, scale)
    target_window = window.scaled(scale)
    if scale == 1 or window.empty:
        return plane_of(plane), target_window
    source = plane_of(plane)
    ends = (False,) * 4
    if frame is not None:
        ends = (window.x0 <= frame.x0, window.x1 >= frame.x1, window.y0 <= frame.y0, window.y1 >= frame.y1)
    columns, column_parts = _parts(window.x0, window.x1, target_window.x0, target_window.x1, scale, *ends[:2])
    rows, row_parts = _parts(window.y0, window.y1, target_window.y0, target_window.y1, scale, *ends[2:])
    target = np.empty(target_window.shape, np.float32)
    over_strips(
        lambda first, last: _average(source, rows, row_parts, columns, column_parts, outside, target, first, last),
        target.shape[0],
    )
    return target, target_window


def pick(plane: Array, window: Window, scale: float) -> tuple[Array, Window]:
    """Return a smaller plane of single values: those of the source pixels under the target pixels' centres.

    For ids and depth, which must not be averaged. A last pixel whose centre lies outside the window takes the
    value of the nearest pixel inside, because a part of it covers that.

    Args:
        plane: of ``window.shape`` and any type.
        window: the window of the plane.
        scale: above 0 and up to 1.

    Returns:
        The plane over ``window.scaled(scale)``, of the same type, and that window.

    Raises:
        ValueError: a scale out of its range, or a plane of another shape.
    """
    _check(plane, window, scale)
    target = window.scaled(scale)
    if scale == 1 or window.empty:
        return plane, target
    columns = np.floor((np.arange(target.x0, target.x1) + 0.5) / scale).astype(np.int64)
    rows = np.floor((np.arange(target.y0, target.y1) + 0.5) / scale).astype(np.int64)
    columns = np.clip(columns - window.x0, 0, window.width - 1)
    rows = np.clip(rows - window.y0, 0, window.height - 1)
    return np.ascontiguousarray(plane[rows[:, None], columns]), target


def _check(plane: Array, window: Window, scale: float) -> None:
    if not 0 < scale <= 1:
        raise ValueError(f"the scale of a preview is above 0 and up to 1, not {scale}")
    if plane.shape != window.shape:
        raise ValueError(f"a plane is {plane.shape}, but its window is {window.shape}")


def _parts(
    low: int, high: int, first: int, last: int, scale: float, ends_low: bool, ends_high: bool
) -> tuple[Array, Array]:
    """Return the source pixels of each target pixel along one axis, and their shares.

    Returns the range of source pixels ``(n, 2)`` inside the window and shares ``(n, most)``, whose sum is 1 minus
    the share outside. At an end of the frame nothing is outside, and the other shares increase.
    """
    edges = np.arange(first, last + 1) / scale
    # Quotients such as 3 / 0.1 differ from whole numbers by rounding, which would include one more pixel.
    whole = np.rint(edges)
    edges = np.where(np.abs(edges - whole) < 1e-9 * np.maximum(1, np.abs(edges)), whole, edges)
    if ends_low:
        edges[:-1] = np.maximum(edges[:-1], low)
    if ends_high:
        edges[1:] = np.minimum(edges[1:], high)
    begin = np.clip(np.floor(edges[:-1]), low, high).astype(np.int64)
    end = np.clip(np.ceil(edges[1:]), low, high).astype(np.int64)
    shares = np.zeros((last - first, max(1, int((end - begin).max()))))
    for k in range(last - first):
        pixel = np.arange(begin[k], end[k])
        overlap = np.minimum(pixel + 1, edges[k + 1]) - np.maximum(pixel, edges[k])
        shares[k, : len(pixel)] = overlap / (edges[k + 1] - edges[k])
    return np.stack([begin - low, end - low], axis=1), shares


@compiled
def _average(
    source: Array,
    rows: Array,
    row_parts: Array,
    columns: Array,
    column_parts: Array,
    outside: float,
    target: Array,
    first: int,
    last: int,
) -> None:
    for y in range(first, last):
        for x in range(target.shape[1]):
            total = share = 0.0
            left = columns[x, 0]
            for j in range(rows[y, 1] - rows[y, 0]):
                line = shares = 0.0
                for i in range(columns[x, 1] - left):
                    line += column_parts[x, i] * source[rows[y, 0] + j, left + i]
                    shares += column_parts[x, i]
                total += row_parts[y, j] * line
                share += row_parts[y, j] * shares
            rest = 1 - share
            target[y, x] = total + outside * rest if rest > 1e-9 else total
