"""Warping in tiles: each tile of a target is made from its part of the source; see `stackcomp.kernels.warp`."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property

import numpy as np

from stackcomp.data.window import Window
from stackcomp.kernels.compiled import Array, compiled, plane_of
from stackcomp.kernels.cubic_filter import PLANES, filtered
from stackcomp.kernels.stack import stacked, unstack
from stackcomp.kernels.strips import over_strips
from stackcomp.kernels.warp_windows import reach_of

__all__ = ["by_places", "in_tiles", "prepared", "put_planes", "tiles_of"]

# Size in pixels of the tiles of a target.
_TILE = 128
# Pixels of a tile's part of the source beyond which it is taken from a stack of the whole.
_LARGE = 16 * 256 * 256


def prepared(
    planes: Sequence[Array], source_window: Window, target_window: Window
) -> tuple[list[Array], list[Array]]:
    """The planes as kernels want them, and planes of nothing for the result."""
    for plane in planes:
        if plane.shape != source_window.shape:
            raise ValueError(f"a plane is {plane.shape}, but its window is {source_window.shape}")
    return [plane_of(plane) for plane in planes], [np.zeros(target_window.shape, np.float32) for _ in planes]


def in_tiles(
    source: Sequence[Array],
    source_window: Window,
    tiles: Sequence[Window],
    parts: Sequence[Window],
    lay_out: Callable[[Window, Window, Array, Array], None],
    put: Callable[[Window, Sequence[Array]], None],
) -> None:
    """Compute tile by tile; ``lay_out`` writes the places and steps of a tile within its part of the source.

    Tiles that need nothing of the source are 0.
    """
    # Stacked tile by tile, which takes little memory; once as a whole at a horizon and for a very small picture,
    # where each tile reads much of the source.
    whole = stacked(source, source_window, source_window) if any(map(_is_large, parts)) else None

    def compute(first: int, last: int) -> None:
        for tile, part in zip(tiles[first:last], parts[first:last], strict=True):
            if part.empty:
                put(tile, [np.zeros((*tile.shape, PLANES), np.float32)] * -(-len(source) // PLANES))
                continue
            large = whole is not None and _is_large(part)
            stacks = whole if whole is not None and large else stacked(source, source_window, part)
            places, steps = np.empty((2, *tile.shape)), np.empty((4, *tile.shape), np.float32)
            lay_out(tile, source_window if large else part, places, steps)
            put(tile, [filtered(stack, places, steps) for stack in stacks])

    over_strips(compute, len(tiles), least=1)


def by_places(
    planes: Sequence[Array],
    source_window: Window,
    target_window: Window,
    places_of: Callable[[Window], tuple[Array, Array]],
) -> list[Array]:
    """Warp planes where only the places of a tile tell which part of the source it needs.

    Args:
        planes: float32, each of ``source_window.shape``.
        source_window: the window of the planes.
        target_window: the pixels to compute.
        places_of: for a tile, places of its pixels in the source and their steps, as
            `stackcomp.kernels.cubic_filter.filtered` takes them; it is called in several threads, and what it
            returns is changed.

    Returns:
        The planes over the target window, float32; nothing (0) where a place is NaN or beyond the source.

    Raises:
        ValueError: a plane of another shape.
    """
    source, results = prepared(planes, source_window, target_window)
    if source_window.empty or not planes:
        return results
    tiles = list(tiles_of(target_window))
    whole = _Whole(source, source_window)

    def compute(first: int, last: int) -> None:
        for tile in tiles[first:last]:
            places, steps = places_of(tile)
            part = _part_seen(places, steps, source_window)
            if part.empty:
                continue
            large = _is_large(part)
            part = source_window if large else part
            stacks = whole.stacks if large else stacked(source, source_window, part)
            places -= np.array([part.x0, part.y0], np.float64)[:, None, None]
            put_planes(tile, [filtered(stack, places, steps) for stack in stacks], results, target_window)

    over_strips(compute, len(tiles), least=1)
    return results


class _Whole:
    """Stacks of all planes, made when the first tile needs them."""

    def __init__(self, source: Sequence[Array], window: Window) -> None:
        self._source, self._window, self._lock = source, window, threading.Lock()

    @property
    def stacks(self) -> list[Array]:
        with self._lock:
            return self._made

    @cached_property
    def _made(self) -> list[Array]:
        return stacked(self._source, self._window, self._window)


def _part_seen(places: Array, steps: Array, source_window: Window) -> Window:
    """The part of the source that places see with their filter; see `filtered` for the arguments."""
    low_x, high_x, low_y, high_y, by_x, by_y = _extent(places.reshape(2, -1), steps.reshape(4, -1))
    if not low_x <= high_x:
        return Window(source_window.x0, source_window.y0, source_window.x0, source_window.y0)
    sides = []
    for low, high, by, first, last in (
        (low_x, high_x, by_x, source_window.x0, source_window.x1),
        (low_y, high_y, by_y, source_window.y0, source_window.y1),
    ):
        reach = reach_of(by, by)
        # Limited to the source before rounding: places may lie anywhere.
        sides.append(tuple(min(max(end, first), last) for end in (low - reach, high + reach)))
    (x0, x1), (y0, y1) = ((math.floor(low), math.ceil(high)) for low, high in sides)
    return source_window & Window(x0, y0, x1, y1)


@compiled
def _extent(places: Array, steps: Array) -> tuple[float, float, float, float, float, float]:
    """The smallest and largest x, then y, of all places that are known, and the largest steps of both."""
    low_x, high_x, low_y, high_y = np.inf, -np.inf, np.inf, -np.inf
    by_x, by_y = np.float32(0), np.float32(0)
    for k in range(places.shape[1]):
        x, y = places[0, k], places[1, k]
        # Comparisons with NaN are false, and keep what there is.
        low_x, high_x = x if x < low_x else low_x, x if x > high_x else high_x
        low_y, high_y = y if y < low_y else low_y, y if y > high_y else high_y
        across, down = max(abs(steps[0, k]), abs(steps[2, k])), max(abs(steps[1, k]), abs(steps[3, k]))
        by_x, by_y = across if across > by_x else by_x, down if down > by_y else by_y
    return low_x, high_x, low_y, high_y, float(by_x), float(by_y)


def tiles_of(window: Window) -> Iterator[Window]:
    """Yield the tiles of a window, row by row."""
    for y in range(window.y0, window.y1, _TILE):
        for x in range(window.x0, window.x1, _TILE):
            yield Window(x, y, min(x + _TILE, window.x1), min(y + _TILE, window.y1))


def _is_large(part: Window) -> bool:
    return part.width * part.height > _LARGE


def put_planes(tile: Window, warped: Sequence[Array], results: Sequence[Array], window: Window) -> None:
    """Write the planes of a tile, which lie four side by side, into those of a window."""
    there = tile.slices_in(window)
    for k, several in enumerate(warped):
        unstack(several, results[k * PLANES : (k + 1) * PLANES], there[0].start, there[1].start)
